"""A report as one HTML file: no scripts, no outside files, readable on a phone and on paper."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files

from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from analysis.report import numbers
from analysis.report.cards import card_text
from analysis.report.numbers import METRIC, Units
from analysis.report.value import Report

SIGNS = {"plain": "", "good": "✓", "note": "●", "watch": "◆", "act": "▲", "unknown": "?"}


@cache
def stylesheet() -> str:
    """The style sheet of every report and page."""
    return (files("analysis.report") / "templates" / "report.css").read_text(encoding="utf-8").strip()


def style_hash(css: str) -> str:
    """Hash of a style sheet as a content security policy wants it."""
    return base64.b64encode(hashlib.sha256(css.encode()).digest()).decode("ascii")


def environment() -> Environment:
    """Jinja with autoescape and the filters that turn values into words."""
    source = (files("analysis.report") / "templates" / "report.html.j2").read_text(encoding="utf-8")
    env = Environment(loader=DictLoader({"report": source}), autoescape=True, undefined=StrictUndefined)
    env.filters["kind"] = lambda block: type(block).__name__
    env.filters["sign"] = SIGNS.__getitem__
    env.filters["drawing"] = _drawing
    return env


def _drawing(svg: str) -> Markup:
    """Let a drawing through unescaped: it was made by `style.svg`, whose text matplotlib escaped."""
    return Markup(svg)  # noqa: S704 - our own drawing, not input


def render(report: Report, units: Units = METRIC) -> str:
    """Set a report as one self-contained HTML document."""
    env = environment()
    env.filters["card"] = lambda card: card_text(card.finding, units)
    env.filters["value"] = lambda e: numbers.value_text(e, units)
    env.filters["interval"] = lambda e: numbers.interval_text(e, units)
    env.filters["bases"] = numbers.bases
    env.filters["same_reason"] = numbers.same_reason
    env.filters["silent"] = numbers.is_silent
    css = stylesheet()
    sheet = Markup(css)  # noqa: S704 - our own file, not input
    return env.get_template("report").render(report=report, css=sheet, style_hash=style_hash(css))
