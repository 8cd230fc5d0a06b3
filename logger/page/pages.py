"""From what was read to HTML: every page is whole without scripts."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from statistics import median
from typing import Any

from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from analysis.finding import Finding
from analysis.report.cards import card_text
from analysis.report.dates import long_day
from analysis.report.html import stylesheet
from analysis.report.numbers import THIN, Units, plain, temperature_text
from analysis.report.section_findings import humane_finding
from logger.now import LIMITS, STALE_S, PackView, age
from logger.page import draw
from logger.page.today import Today

_TEMPLATES = ("base", "now", "live", "today", "findings", "reports", "token")
_NAME = re.compile(
    r"^((week|checkup)-[A-Za-z0-9._-]{1,80}\.(html|pdf|json)|claim-[A-Za-z0-9._-]{1,80}\.zip)$"
)
_CLAIM = re.compile(r"^claim-[A-Za-z0-9._-]{1,80}$")
_DATED = re.compile(r"^claim-(.+)-(\d{4}-\d\d-\d\d)$")
_ENDS = (("PDF", ".pdf"), ("numbers", ".json"), ("everything, zip", ".zip"))


@cache
def _environment() -> Environment:
    folder = files("logger.page") / "templates"
    sources = {name: (folder / f"{name}.html.j2").read_text(encoding="utf-8") for name in _TEMPLATES}
    return Environment(loader=DictLoader(sources), autoescape=True, undefined=StrictUndefined)


@cache
def static(name: str) -> str:
    """The text of a static file; the page's sheet stands on the reports' one."""
    own = (files("logger.page") / "static" / name).read_text(encoding="utf-8")
    return f"{stylesheet()}\n{own}" if name.endswith(".css") else own


@dataclass(frozen=True, slots=True)
class Frame:
    """What every page says around its content."""

    site: str
    zone: str
    units: Units


def _page(template: str, frame: Frame, here: str, title: str, **content: Any) -> str:
    page = _environment().get_template(template)
    return page.render(site=frame.site, zone=frame.zone, here=here, title=title, **content)


def now_page(
    frame: Frame, packs: Sequence[tuple[str, str, str]], findings: Sequence[Finding], clock: str
) -> str:
    """The first page.

    Parameters
    ----------
    frame : Frame
    packs : sequence of (name, live HTML, today HTML)
    findings : sequence of Finding
        Of severity watch and act they stand at the top.
    clock : str
        Local time.
    """
    shown = [
        {"name": name, "live": Markup(live), "today": Markup(today)}  # noqa: S704 - rendered by this module
        for name, live, today in packs
    ]
    alerts = [_card(f, frame.units) for f in findings if f.severity != "note"]
    return _page("now", frame, "/", "Now", packs=shown, alerts=alerts, clock=clock)


def findings_page(frame: Frame, findings: Sequence[Finding]) -> str:
    """Every standing finding."""
    return _page("findings", frame, "/findings", "Findings", cards=[_card(f, frame.units) for f in findings])


def _card(finding: Finding, units: Units) -> dict[str, Any]:
    finding = humane_finding(finding)
    text = card_text(finding, units)
    return {
        "severity": finding.severity, "tag": text.tag, "headline": text.headline, "anchor": text.anchor,
        "lines": text.lines, "caution": text.caution, "evidence": finding.evidence,
    }  # fmt: skip


def reports_page(frame: Frame, folder: Path) -> str:
    """The reports in the folder, newest first."""
    names = report_files(folder)
    listed = []
    for page in sorted((n for n in names if n.endswith(".html")), key=_newest, reverse=True):
        stem = page.removesuffix(".html")
        others = [(kind, stem + end) for kind, end in _ENDS if stem + end in names]
        listed.append({"page": page, "name": _title(stem), "others": others})
    return _page("reports", frame, "/reports", "Reports", reports=listed)


def _newest(name: str) -> str:
    """The day a report is named by: of a claim it is the last part."""
    stem = name.removesuffix(".html")
    dated = _DATED.match(stem)
    return dated[2] if dated else stem.partition("-")[2]


def _title(stem: str) -> str:
    claim = _DATED.match(stem)
    if claim:
        return f"The claim about pack {claim[1]} of {_day(claim[2])}"
    kind, _, rest = stem.partition("-")
    said = {"week": "The week from", "checkup": "The check-up of", "claim": "The claim"}[kind]
    return f"{said} {_day(rest)}"


def _day(text: str) -> str:
    try:
        return long_day(text)
    except ValueError:
        return text


def report_files(folder: Path) -> dict[str, Path]:
    """Files that the page may show, by the name it gives them; of a claim its document and its zip."""
    if not folder.is_dir():
        return {}
    files = {p.name: p for p in folder.iterdir() if _NAME.match(p.name) and _plain(p)}
    for claim in folder.iterdir():
        if _CLAIM.match(claim.name) and claim.is_dir() and not claim.is_symlink():
            inside = {f"{claim.name}{end}": claim / f"claim{end}" for end in (".html", ".pdf", ".json")}
            files |= {name: path for name, path in inside.items() if _plain(path)}
    return files


def _plain(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def token_page(problem: str) -> str:
    """The page that asks for the token."""
    return _environment().get_template("token").render(problem=problem)


def live_html(view: PackView, now_s: float, pack: int, units: Units) -> str:
    """What a pack says at this moment."""
    newest = view.newest_s
    shown: dict[str, Any] = {"newest": newest}
    if newest is not None:
        shown |= {"age": age(now_s - newest), "late": now_s - newest > STALE_S}
        shown |= _headline(view, now_s) | _cells(view, now_s, pack)
        shown["facts"] = _facts(view, now_s, units)
    return _environment().get_template("live").render(p=shown)


def _headline(view: PackView, now_s: float) -> dict[str, str]:
    amps = view.value("pack_a", now_s)
    if amps is None:
        return {"doing": "Current not seen", "amps": ""}
    resting = abs(amps) < 0.003 * view.facts.rated_ah
    doing = "Resting" if resting else "Charging" if amps > 0 else "Discharging"
    return {"doing": doing, "amps": f"{plain(abs(amps) if not resting else amps, 1)}{THIN}A"}


def _facts(view: PackView, now_s: float, units: Units) -> list[tuple[str, str]]:
    facts = []
    volts, amps = view.value("pack_v", now_s), view.value("pack_a", now_s)
    if volts is not None:
        facts.append(("Voltage", f"{plain(volts, 2)}{THIN}V"))
    if volts is not None and amps is not None:
        facts.append(("Power", f"{plain(volts * amps, 0)}{THIN}W"))
    soc = view.value("soc", now_s)
    if soc is not None:
        facts.append(("Full, as it says", f"{plain(100 * soc, 0)}{THIN}%"))
    known = [
        t for i in range(1, view.facts.cell_temps + 1) if (t := view.value(f"temp_{i}", now_s)) is not None
    ]
    if known:
        a, b = (_temperature(t, units) for t in (min(known), max(known)))
        facts.append(("Cells", f"{a} to {b}"))
    heater = view.value("heater_on", now_s)
    if heater is not None:
        facts.append(("Heater", "on" if heater else "off"))
    for name, words, unit in LIMITS:
        limit = view.value(name, now_s)
        if limit is not None:
            called = f"voltage {words}" if unit == "V" else words
            facts.append((called[:1].upper() + called[1:], f"{plain(limit, 1)}{THIN}{unit}"))
    return facts


def _temperature(celsius: float, units: Units) -> str:
    return temperature_text(celsius, units, 0 if units.temperature == "°F" else 1)


def _cells(view: PackView, now_s: float, pack: int) -> dict[str, Any]:
    cells = view.cells(now_s)
    known = [(v, i) for i, v in enumerate(cells, 1) if v is not None]
    if not known:
        return {"bars": ""}
    middle = median(v for v, _ in known)
    (low, lowest), (high, highest) = min(known), max(known)
    spread = f"{plain(1000 * (high - low), 0)}{THIN}mV"
    labels = [(i, "" if v is None else plain(1000 * (v - middle), 0)) for i, v in enumerate(cells, 1)]
    return {
        "bars": Markup(draw.cell_bars(cells, pack)),  # noqa: S704 - numbers only
        "middle": f"{plain(middle, 3)}{THIN}V", "spread": spread, "highest": highest, "lowest": lowest,
        "cells": labels,
        "alt": f"Cells in order. Spread {spread}; cell {highest} is highest, cell {lowest} is lowest.",
    }  # fmt: skip


def today_html(course: Today, pack: int, units: Units) -> str:
    """The day so far."""
    wanted = (
        ("Current, A: charging up, discharging down", course.current, 10.0, 0, True, "A"),
        ("Cells, V: from lowest to highest", course.cells, 0.06, 2, False, "V"),
        (
            f"Cells, {units.temperature}: from coldest to warmest",
            _in_units(course, units),
            4.0,
            0,
            False,
            units.temperature,
        ),
    )
    curves = []
    for title, one, least, decimals, zero, unit in wanted:
        if not one.at:
            continue
        svg = draw.curve(one, least=least, decimals=decimals, pack=pack, zero=zero)
        low, high = plain(min(one.low), decimals), plain(max(one.high), decimals)
        alt = f"{title}. Today between {low} and {high} {unit}."
        curves.append({"title": title, "svg": Markup(svg), "alt": alt})  # noqa: S704 - numbers only
    return _environment().get_template("today").render(curves=curves) if curves else ""


def _in_units(course: Today, units: Units) -> Any:
    t = course.temperature
    if units.temperature == "°C":
        return t
    return type(t)(t.at, tuple(v * 1.8 + 32 for v in t.low), tuple(v * 1.8 + 32 for v in t.high))
