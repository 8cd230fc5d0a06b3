"""A finding laid out in lines, the same for screen and paper."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.estimate import Estimate
from analysis.finding import Finding, Forecast
from analysis.report import words
from analysis.report.dates import long_day
from analysis.report.numbers import METRIC, Units, interval_text, value_text


@dataclass(frozen=True, slots=True)
class CardText:
    """What a card says.

    Attributes
    ----------
    tag : str
        Sign and word of the severity.
    headline : str
    anchor : str
        Id of the card on the page.
    lines : tuple of (str, str)
        Name and text of each line, in the order people need them.
    caution : str
        Empty unless the check brings hands near the bank.
    """

    tag: str
    headline: str
    anchor: str
    lines: tuple[tuple[str, str], ...]
    caution: str


def card_text(finding: Finding, units: Units = METRIC) -> CardText:
    """Lay a finding out: what it means, since when, how sure, how big, what is expected, what to check."""
    sign, word = words.SEVERITY_WORDS[finding.severity]
    kind = words.KIND_WORDS[finding.kind]
    lines = [
        ("What it means", finding.meaning),
        ("Check next", finding.check_next),
        ("Since", words.begin_text(finding)),
        ("How sure", words.sureness(finding.confidence)),
    ]
    if finding.value is not None:
        lines.append((kind.size, size_text(finding, units)))
    if finding.forecast is not None:
        lines.append(("What to expect", forecast_text(finding.forecast)))
    caution = words.HANDS_CAUTION if kind.hands else ""
    if finding.kind == "cold_charging":
        caution = words.COLD_CAUTION
    anchor = "-".join(("f", finding.kind, finding.pack, str(finding.cell or 0)))
    return CardText(
        f"{sign} {word}", words.headline(finding), anchor, tuple((a, b) for a, b in lines if b), caution
    )


def size_text(finding: Finding, units: Units = METRIC) -> str:
    """Value and interval of a finding in words: "12.1 mA, 95 % interval 11.2 to 13.0"."""
    e = Estimate(finding.value, finding.unit, finding.low, finding.high)
    if e.low is None or e.high is None:
        return f"{value_text(e, units)} (no interval: one observation)"
    return f"{value_text(e, units)}, 95\u202f% interval {interval_text(e, units)}"


def forecast_text(forecast: Forecast) -> str:
    """A forecast with its interval, or the reason why there is none."""
    what = forecast.what[:1].upper() + forecast.what[1:]
    if forecast.day is None:
        return f"{what}: {forecast.reason}." if what else f"{forecast.reason}."
    text = f"{what}: about {long_day(forecast.day)}"
    if forecast.earliest and forecast.latest:
        between = f"between {long_day(forecast.earliest)} and {long_day(forecast.latest)}"
        return f"{text}, {between} (95\u202f% interval)."
    if forecast.earliest:
        return f"{text}, not before {long_day(forecast.earliest)}."
    return f"{text}."
