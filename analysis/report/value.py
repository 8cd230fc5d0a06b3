"""What a report is before anybody sets it: sections of statements, numbers, tables and figures.

The renderers (`html`, `pdf`, `numbers.as_json`) read this and nothing else, so that screen, paper and JSON
cannot disagree.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

from analysis.estimate import Estimate
from analysis.finding import Finding

Tone = Literal["plain", "good", "note", "watch", "act", "unknown"]


@dataclass(frozen=True, slots=True)
class Statement:
    """A sentence or short paragraph in plain words.

    Attributes
    ----------
    text : str
        The words; no markup.
    tone : Tone
        Shown as a word and a sign as well as a colour.
    label : str
        Short words before the text ("Pack A"); may be empty.
    """

    text: str
    tone: Tone = "plain"
    label: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity, for one or more packs side by side.

    Attributes
    ----------
    key : str
        Stable name in the JSON: "energy.in".
    label : str
        What it is, in words.
    values : tuple of Estimate
        One for each column of the table it stands in.
    note : str
        A sentence that belongs to the quantity, not to one value.
    """

    key: str
    label: str
    values: tuple[Estimate, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Numbers:
    """Quantities with their intervals; a column for each pack (or "Bank").

    Attributes
    ----------
    columns : tuple of str
    rows : tuple of Row
    title : str
    folded : bool
        On screen shown only when asked for; always printed.
    plain : bool
        What the numbers are from is said once beside the block, and not under each.
    said : bool
        Words beside the block say why, where nothing in it is known: then only the JSON holds it.
    """

    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    title: str = ""
    folded: bool = False
    plain: bool = False
    said: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Plain rows of text: lists of gaps, files, changes. No measured number lives only here.

    `hrefs`, where given, holds for each row where its first cell leads on screen; "" for nowhere.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    title: str = ""
    hrefs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Figure:
    """One drawing.

    Attributes
    ----------
    key : str
        Unique in the report; also the prefix of the ids inside the drawing.
    svg : str
        The drawing; text stays text.
    title : str
        What it shows, as a sentence that can be read instead of it.
    alt : str
        The same for somebody who cannot see it, with the numbers that matter.
    window : str
        The days it covers.
    source : str
        What was measured and how many values are in it.
    """

    key: str
    svg: str
    title: str
    alt: str
    window: str
    source: str


@dataclass(frozen=True, slots=True)
class Gallery:
    """Figures that belong side by side where there is room: one for each pack."""

    figures: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Card:
    """A finding as people read it, with its figures."""

    finding: Finding
    figures: tuple[Figure, ...] = ()


Block: TypeAlias = Statement | Numbers | Table | Figure | Gallery | Card


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """A finished report.

    Attributes
    ----------
    kind : str
        "week", "checkup" or "claim".
    title, subtitle : str
    site : str
        Name of the site as configured (or as redacted).
    timezone : str
        Zone of every time in it.
    first, last : str
        Local dates of the window.
    sections : tuple of Section
    glossary : tuple of (str, str)
        Terms used in it and what they mean.
    footer : str
        Limits of the document, in a sentence or two.
    """

    kind: str
    title: str
    subtitle: str
    site: str
    timezone: str
    first: str
    last: str
    sections: tuple[Section, ...]
    glossary: tuple[tuple[str, str], ...] = ()
    footer: str = ""

    def figures(self) -> Iterator[Figure]:
        """Every figure, in reading order."""
        for section in self.sections:
            for block in section.blocks:
                if isinstance(block, Figure):
                    yield block
                elif isinstance(block, Gallery | Card):
                    yield from block.figures
