from __future__ import annotations

import re

import matplotlib.hatch
import numpy as np
import pytest

from analysis.report import style
from analysis.report.html import stylesheet


def luminance(colour: str) -> float:
    """Relative luminance. W3C, WCAG 2.1, definition "relative luminance"."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a: str, b: str) -> float:
    """Contrast ratio. W3C, WCAG 2.1, definition "contrast ratio"."""
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_the_known_ratio_of_black_on_white() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.1: the largest there is


@pytest.mark.parametrize("colour", [style.INK, style.MUTED, *style.PACK_COLOURS, style.RED])
def test_what_is_written_on_paper_can_be_read(colour: str) -> None:
    assert contrast(colour, style.PAPER) >= 4.5  # WCAG 2.1, success criterion 1.4.3
    assert contrast(colour, "#ffffff") >= 4.5


def _scheme(dark: bool) -> dict[str, str]:
    roots = re.findall(r":root\{(.*?)\}", stylesheet(), re.DOTALL)
    found = dict(re.findall(r"--([a-z]+):(#[0-9a-f]{6})", roots[0]))
    return found | (dict(re.findall(r"--([a-z]+):(#[0-9a-f]{6})", roots[1])) if dark else {})


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("name", ["ink", "muted", "blue", "orange", "green", "red", "amber"])
@pytest.mark.parametrize("ground", ["paper", "sheet"])
def test_both_schemes_of_the_page_can_be_read(dark: bool, name: str, ground: str) -> None:
    scheme = _scheme(dark)
    assert contrast(scheme[name], scheme[ground]) >= 4.5  # WCAG 2.1, 1.4.3


def _deuteranope(colour: str) -> tuple[float, ...]:
    """What a deuteranope sees: Machado et al., IEEE TVCG 15 (2009) 1291, severity 1.0 (from memory)."""
    r, g, b = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    m = ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881))
    return tuple(x * r + y * g + z * b for x, y, z in m)


def test_two_packs_differ_for_a_colour_blind_reader_and_without_colour() -> None:
    a, b = (_deuteranope(c) for c in style.PACK_COLOURS[:2])
    assert sum((x - y) ** 2 for x, y in zip(a, b, strict=True)) ** 0.5 > 0.25
    assert len(set(style.PACK_MARKERS)) == len(set(style.PACK_LINES)) == 4


def _drawing(key: str = "x") -> str:
    with style.canvas(key, 120) as figure:
        ax = style.axes(figure)
        ax.bar([1, 2], [3, 4], hatch="//", color=style.BLUE)
        ax.set_title("µ < Δ & co")
        return style.svg(figure, key)


def test_a_drawing_obeys_a_policy_without_inline_styles() -> None:
    drawn = _drawing()
    assert drawn.startswith("<svg ")
    assert "style=" not in drawn
    assert "<style" not in drawn
    assert "µ &lt; Δ &amp; co" in drawn


def test_ids_of_two_drawings_never_meet() -> None:
    ids = [set(re.findall(r'id="([^"]+)"', _drawing(k))) for k in ("one", "two")]
    assert ids[0]
    assert not ids[0] & ids[1]
    refs = re.findall(r'(?:href="#|url\(#)([^")]+)', _drawing("one"))
    assert set(refs) <= ids[0]


def test_the_same_numbers_give_the_same_bytes() -> None:
    assert _drawing() == _drawing()


def _centres(tile: str) -> set[tuple[float, float]]:
    """Middles of a tile's dots, each of which is drawn from its lowest point on, 0.3 px below."""
    drawn = re.findall(r"M (\S+) (\S+) C", tile)
    return {(float(x), round(float(y) - 0.3, 3)) for x, y in drawn}


def test_a_hatch_of_dots_is_kept_as_the_part_that_repeats() -> None:
    with style.canvas("dots", 100) as figure:
        style.axes(figure).bar([1], [1], hatch="....", edgecolor=style.BLUE)
        drawn = style.svg(figure, "dots")
    found = re.findall(r'<pattern [^>]*width="(\d+)" height="(\d+)">(.*?)</pattern>', drawn)
    assert len(found) == 1
    width, height = int(found[0][0]), int(found[0][1])
    assert 72 % width == 72 % height == 0  # so the whole tile, 72 px wide and high, is this one repeated
    kept = _centres(found[0][2])
    # matplotlib's own dots, of six times the characters' density in a tile of 1 by 1, from the bottom up
    own = matplotlib.hatch.get_path("....", 6)
    starts = np.asarray(own.vertices)[np.asarray(own.codes) == own.MOVETO].tolist()
    whole = {(round(72 * x, 3), round(72 * (1 - y) - 0.3, 3)) for x, y in starts}
    shifts = [(i, j) for i in range(0, 72, width) for j in range(0, 72, height)]
    repeated = {(round(x + i, 3), round(y + j, 3)) for x, y in kept for i, j in shifts}
    assert len(whole) > 500
    assert repeated == whole
    assert len(kept) < 30
