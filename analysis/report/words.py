"""The words of every report: what a finding is called, how sure we are, who should do what, and the terms.

Style: what, since when, how sure, what it means, what to check next and by whom. No term without its line in
the glossary. A figure of the maker is always "the figure you entered".
"""

from __future__ import annotations

from dataclasses import dataclass

from analysis.finding import Finding, Severity
from analysis.report.dates import long_day
from analysis.report.glossary import GLOSSARY
from analysis.report.numbers import interval_text
from analysis.report.value import Block, Card, Figure, Gallery, Numbers, Section, Statement

SEVERITY_WORDS: dict[Severity, tuple[str, str]] = {
    "act": ("▲", "Act"),
    "watch": ("◆", "Watch"),
    "note": ("●", "Note"),
}
"""Sign and word; the sign tells it without colour."""

HANDS_CAUTION = (
    "Hands near the bank: jewellery off, insulated tools, eye protection, terminals covered, one conductor "
    "at a time. A low-voltage bank can still push thousands of amperes through a spanner, and a DC arc does"
    " not go out by itself. Never bypass a protection. Swollen, hot or smelling cells: stop, leave, call "
    "the fire service."
)
COLD_CAUTION = "Do not charge a pack whose cells are frozen; let it warm first."


@dataclass(frozen=True, slots=True)
class KindWords:
    """How one kind of finding is put to people.

    Attributes
    ----------
    name : str
        Short name.
    headline : str
        Template over {where}; {where} is "cell 11 of pack B" or "pack B" or "the bank".
    size : str
        What the number of the finding is.
    explain : str
        What the kind is, how it shows, what it is easily mistaken for.
    hands : bool
        Whether the check brings hands near live metal, so that the caution must stand beside it.
    """

    name: str
    headline: str
    size: str
    explain: str
    hands: bool = False


KIND_WORDS: dict[str, KindWords] = {
    "static_offset": KindWords(
        "Charge offset",
        "{Where} stands apart from its neighbours, but is not moving away",
        "Charge by which it is ahead (+) or behind (−)",
        "One cell holds a little more or less charge than the others and the gap is steady. It shows at the"
        " top of charge, where this cell is first or last. It is not a fault of the cell: a long stay at "
        "the top lets the balancer close it. If the gap grows from week to week it is self-discharge "
        "instead.",
    ),
    "self_discharge": KindWords(
        "Self-discharge",
        "{Where} is losing charge by itself",
        "Leak",
        "One cell loses charge faster than the others even when nothing draws on it, so it falls a little "
        "further behind every day. At the top of charge it comes last; at the bottom it is the first to run"
        " empty. The steady slope of that lag is the leak. A gap that does not grow is only an offset; a "
        "gap that opens at the top and at the bottom in opposite directions is low capacity.",
    ),
    "low_capacity": KindWords(
        "Low capacity",
        "{Where} holds less than its neighbours",
        "Missing capacity",
        "One cell is smaller than the others: it is first full and first empty. It decides when the whole "
        "pack stops, at both ends. Balancing does not help, because balancing moves charge and this is "
        "about room.",
    ),
    "high_resistance": KindWords(
        "High resistance",
        "{Where} has a higher resistance than its neighbours",
        "Resistance above the median cell",
        "One cell's voltage moves more than the others' when the current changes: high on charge, low under"
        " load, normal at rest. Cold raises every cell's resistance, so only the difference to the "
        "neighbours counts.",
    ),
    "loose_link": KindWords(
        "Loose link",
        "A connection at {where} looks loose",
        "Extra resistance of the joint",
        "A busbar, bolt or lug between two cells adds resistance. The voltage step follows the current at "
        "once, without the slow tail a cell shows, and it tends to jump after heavy loads or changes of "
        "temperature.",
        hands=True,
    ),
    "sense_lead": KindWords(
        "Sense lead",
        "The measuring lead at {where} reads wrongly",
        "Error of the reading",
        "One cell reads high and its neighbour reads low by the same amount while the two together are "
        "right. That is the thin measuring wire between them, not the cells.",
        hands=True,
    ),
    "temperature_sensor": KindWords(
        "Temperature sensor",
        "{Where} cannot be believed",
        "Difference to the other sensors",
        "One temperature sensor disagrees with the others where they should agree, or stands still, or is "
        "missing. Protections that rely on it may not act.",
    ),
    "current_sensor": KindWords(
        "Current sensor",
        "The current sensor of {where} has an error",
        "Error",
        "The pack's own current reading is off by a constant (zero error) or by a factor (gain). It hardly "
        "matters for one day and adds up over weeks: every count of Ah, energy and state of charge carries "
        "it.",
    ),
    "uneven_sharing": KindWords(
        "Uneven sharing",
        "The packs do not share the current evenly",
        "Share",
        "Packs in parallel should share the current in proportion to their capacity. When they do not, one "
        "works harder. Unequal leads, a tired joint or unequal packs are the usual reasons.",
        hands=True,
    ),
    "lead_resistance": KindWords(
        "Lead resistance",
        "The leads of {where} lose more than their copper should",
        "Resistance of the path",
        "Between the pack and the other instrument there is more resistance than the conductor alone would "
        "have: a joint, a fuse holder, a contactor or a lug.",
        hands=True,
    ),
    "heater_fault": KindWords(
        "Heater",
        "The heater of {where} was called for but did not warm the cells",
        "Warming",
        "The heater was commanded on and the cells did not get warmer as they did before. Either no power "
        "reaches it, or it has failed, or the sensor does not see it.",
        hands=True,
    ),
    "cold_charging": KindWords(
        "Charging in the cold",
        "{Where} was charged while its cells were cold",
        "Charge pushed in the cold",
        "The pack was charged at or below its charging floor. This says that it was "
        "outside the limits in your documents; it does not say that damage occurred.",
    ),
    "balancing_behind": KindWords(
        "Balancing cannot keep up",
        "Balancing does not keep up in {where}",
        "Charge short each day",
        "The cells drift apart faster than the balancer can bring them together in the time it gets at the "
        "top of charge. Longer stays at the top help, if the drift is small.",
    ),
    "capacity_fade": KindWords(
        "Capacity fade",
        "The capacity of {where} is going down",
        "Change in a year",
        "Every pack loses capacity with age and use. This says how fast, from charges measured between two "
        "sure points, and how that compares with the figure you entered.",
    ),
    "data_gap": KindWords(
        "Gap in the record",
        "Part of the record of {where} is missing",
        "Missing time",
        "For some of the time nothing was recorded, or what came could not be used. Numbers over that time "
        "are lower bounds or are not given at all.",
    ),
}


def where(finding: Finding) -> str:
    """Name the place of a finding: "cell 11 of pack B"."""
    if finding.pack == "bank":
        return "the bank"
    pack = f"pack {finding.pack}"
    if finding.cell is None:
        return pack
    part = "temperature sensor" if finding.kind == "temperature_sensor" else "cell"
    return f"{part} {finding.cell} of {pack}"


def headline(finding: Finding) -> str:
    """What was found, as a short sentence without a full stop."""
    place = where(finding)
    return KIND_WORDS[finding.kind].headline.format(where=place, Where=place[:1].upper() + place[1:])


def begin_text(finding: Finding) -> str:
    """When it began, to stand after "since": "14 Jan 2026", or "14 Jan 2026 or before"."""
    return f"{long_day(finding.since)}{' or before' if finding.began_before else ''}"


def sureness(confidence: float) -> str:
    """Confidence in words, with the number.

    >>> sureness(0.93)
    'very likely (93 in 100)'
    """
    steps = ((0.9, "very likely"), (0.75, "likely"), (0.5, "more likely than not"), (0.0, "possible"))
    word = next(w for limit, w in steps if confidence >= limit)
    return f"{word} ({round(confidence * 100)} in 100)"


def explain(kind: str) -> str:
    """Tell what a kind of finding means, for the terminal.

    Raises
    ------
    ValueError
        If there is no such kind; the message lists those there are.
    """
    words = KIND_WORDS.get(kind)
    if words is None:
        raise ValueError(f"no finding is called {kind!r}; there are: {', '.join(KIND_WORDS)}")
    parts = [words.name, "", words.explain]
    terms = terms_in(words.explain)
    if terms:
        parts += ["", *(f"{term}: {meaning}" for term, meaning in terms)]
    if words.hands:
        parts += ["", HANDS_CAUTION]
    return "\n".join(parts)


def glossary_of(sections: tuple[Section, ...]) -> tuple[tuple[str, str], ...]:
    """Glossary lines for the words that sections really use."""
    said: list[str] = []
    for section in sections:
        said.append(section.title)
        for block in section.blocks:
            said.extend(_texts(block))
    return terms_in(" ".join(said))


def _texts(block: Block) -> list[str]:
    if isinstance(block, Statement):
        return [block.text]
    if isinstance(block, Numbers):
        numbers = [e for row in block.rows for e in row.values]
        told = [f"{e.basis} {interval_text(e)}" for e in numbers]  # which is the reason, where none is known
        return [block.title, *(t for row in block.rows for t in (row.label, row.note)), *told]
    if isinstance(block, Card):
        return [block.finding.meaning, block.finding.check_next, *block.finding.evidence]
    if isinstance(block, Figure):
        return [block.title, block.source]
    if isinstance(block, Gallery):
        return [t for f in block.figures for t in (f.title, f.source)]
    return [*block.columns, *(cell for row in block.rows for cell in row)]


def terms_in(text: str) -> tuple[tuple[str, str], ...]:
    """Terms of the glossary that occur in a text, in the glossary's order."""
    lowered = f" {text.lower()} "
    return tuple(
        (entry.term, entry.meaning)
        for entry in GLOSSARY
        if any(form in lowered for form in (entry.term.lower(), *entry.forms))
    )
