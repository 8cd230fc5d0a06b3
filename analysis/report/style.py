"""The one look of every figure: sizes for a phone, colours that survive print and colour-blind eyes.

A figure is drawn for a column of 360 CSS pixels and scales with it. Every series also has a marker, a line
style or a hatch of its own, and its name stands beside it. The drawing carries plain colours (paper uses them
as they are); a page may restyle them for the dark by attribute, see `templates/report.css`.

References
----------
M. Okabe and K. Ito, "Color Universal Design" (2008), palette (from memory); darkened
here to 4.5:1 against the paper.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
from matplotlib import artist

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

artist.kwdoc = lambda artist: ""  # noqa: ARG005 - named as there
"""Nobody reads the lists of properties that matplotlib writes into its docstrings while it is imported, a
quarter of the time that takes; so what draws is imported after this."""

INK = "#1d2528"
MUTED = "#59666a"
RULE = "#cfcabc"
PAPER = "#fbf9f3"
BLUE = "#0b6089"
ORANGE = "#a84a06"
GREEN = "#2f6b3a"
RED = "#a31f2d"
SAND = "#e6dcc3"
SKY = "#a9cfe2"
CLAY = "#e3b189"

PACK_COLOURS = (BLUE, ORANGE, GREEN, "#6b4a8c")
PACK_MARKERS = ("o", "s", "^", "D")
PACK_LINES = ("-", "--", ":", "-.")

WIDTH_PX = 360
_DPI = 72.0

_RC: dict[str, Any] = {
    "svg.fonttype": "none",
    "font.family": "DejaVu Sans",
    "font.size": 13,
    "axes.titlesize": 13,
    "axes.labelsize": 12.5,
    "xtick.labelsize": 12.5,
    "ytick.labelsize": 12.5,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "text.color": INK,
    "grid.color": RULE,
    "grid.linewidth": 0.8,
    "lines.linewidth": 1.8,
    "hatch.linewidth": 0.9,
    "axes.unicode_minus": True,
    "path.simplify": False,
}


@contextmanager
def canvas(key: str, height_px: int, width_px: int = WIDTH_PX) -> Iterator[Figure]:
    """Give a figure of the house's size inside the house's settings.

    Parameters
    ----------
    key : str
        Seed of the ids in the drawing, so that the same numbers give the same bytes.
    height_px, width_px : int
        In CSS pixels at the designed width.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    settings: Any = {**_RC, "svg.hashsalt": key}
    with mpl.rc_context(settings):
        figure = Figure(figsize=(width_px / _DPI, height_px / _DPI), dpi=_DPI)
        FigureCanvasSVG(figure)
        yield figure


def axes(
    figure: Figure,
    *,
    left: float = 44,
    right: float = 8,
    top: float = 8,
    bottom: float = 28,
    of: float = 1,
    at: float = 0,
) -> Axes:
    """Axes with margins in pixels, in the slice [at, at + of] of the height counted from the top."""
    width, height = figure.get_size_inches() * _DPI
    y1 = height * (1 - at) - top
    y0 = height * (1 - at - of) + bottom
    return figure.add_axes((left / width, y0 / height, (width - left - right) / width, (y1 - y0) / height))


def svg(figure: Figure, key: str) -> str:
    """The drawing as one `<svg>` element: no styles, ids unique by `key`, scaled by its view box."""
    for ax in figure.axes:
        for axis in (ax.xaxis, ax.yaxis):
            if not axis.get_label_text():
                axis.set_label_coords(0, 0)  # else its place is sought below every tick's label
    sheet = io.StringIO()
    figure.savefig(
        sheet,
        format="svg",
        transparent=True,
        metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
    )
    return _clean(sheet.getvalue(), key)


_STYLE = re.compile(r' style="([^"]*)"')
_ID = re.compile(r'(id="|xlink:href="#|url\(#)')
_TILE = re.compile(r'(<pattern [^>]*)width="72"\s+height="72">(\s*<rect [^>]*>\s*)<path d="([^"]*)"')


def _clean(text: str, key: str) -> str:
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r' width="[\d.]+pt" height="[\d.]+pt"', "", text, count=1)
    text = text.replace(
        "<svg ",
        '<svg aria-hidden="true" font-family="\'DejaVu Sans\', Verdana, sans-serif" stroke-linejoin="round" ',
        1,
    )
    text = _TILE.sub(_dots, re.sub(r' transform="rotate\(-0[^"]*"', "", text))
    text = re.sub(r"\s*\n\s*", " ", re.sub(r"-?\d+\.\d{2,}", _two_places, text))
    text = _STYLE.sub(lambda m: _attributes(m.group(1)), text)
    return _ID.sub(lambda m: m.group(1) + key + "-", text).strip()


def _dots(match: re.Match[str]) -> str:
    """A hatch of dots by the sixth of its tile's width and height that repeats: 7 kB, not 170."""
    head, ground, path = match.groups()
    dots = [dot for dot in path.split("z") if "C" in dot]
    if not dots:  # lines
        return match.group(0)
    kept = [dot for dot in dots if all(float(at) < 13 for at in dot.split()[1:3])]
    return f'{head}width="12" height="12">{ground}<path d="{"z".join(kept)}z"'


def _two_places(match: re.Match[str]) -> str:
    return f"{float(match.group(0)):.2f}".rstrip("0").rstrip(".")


def _attributes(style: str) -> str:
    """`fill: #fff; stroke: none` as attributes, which a strict content security policy allows."""
    pairs = (item.split(":", 1) for item in style.split(";") if ":" in item)
    kept = ((k.strip(), v.strip()) for k, v in pairs)
    return "".join(f' {k}="{v}"' for k, v in kept if k not in {"font-family", "stroke-linejoin"})
