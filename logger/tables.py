"""Results as text on a terminal. Numbers with their interval; what is not known says why."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from analysis.estimate import Estimate
from analysis.thresholds import DEFAULT

if TYPE_CHECKING:
    from analysis.finding import Finding
    from analysis.history import Bank
    from logger.documents.claim_verify import ClaimVerdict
    from logger.record.verify import VerifyResult

SIGN = {"act": "▲ ACT", "watch": "◆ WATCH", "note": "● NOTE"}
"""Sign and word of a severity; the word alone is enough without colour."""
STYLE = {"act": "bold red", "watch": "bold yellow", "note": "bold"}
FAULTS_SHOWN = 20


def show_findings(found: Sequence[Finding], bank: Bank, console: Console | None = None) -> None:
    """Print findings in words, the most serious first."""
    console = console or Console(highlight=False)
    if not found:
        days = [len(h.digests) for h in bank.packs]
        n = max(days, default=0)
        console.print(f"Nothing found in {n} {'day' if n == 1 else 'days'} of readings.")
        if n < DEFAULT["least_days"]:
            console.print(f"That is little: a drift takes {DEFAULT['least_days']:.0f} days and more to show.")
    for finding in found:
        where = f"pack {finding.pack}" + (f", cell {finding.cell}" if finding.cell is not None else "")
        line = Text.assemble(
            (SIGN[finding.severity], STYLE[finding.severity]), f"  {finding.kind.replace('_', ' ')}: {where}"
        )
        console.print(line, soft_wrap=True)
        body = [
            f"{size(finding)}; since {finding.began}; confidence {100 * finding.confidence:.0f} %",
            finding.meaning,
        ]
        if finding.forecast is not None:
            body.append(forecast(finding))
        body += [f"Check next: {finding.check_next}", *(f"- {line}" for line in finding.evidence)]
        for part in body:
            console.print(Padding(Text(part), (0, 0, 0, 4)))
        console.print()


def size(finding: Finding) -> str:
    """Say how big it is, with its interval."""
    if finding.value is None:
        return "size not known"
    text = f"{finding.value:.3g} {finding.unit}".strip()
    if finding.low is not None and finding.high is not None:
        text += f" ({finding.low:.3g} to {finding.high:.3g})"
    return text


def forecast(finding: Finding) -> str:
    """Say what is expected and when."""
    ahead = finding.forecast
    if ahead is None:
        return ""
    if ahead.day is None:
        return f"Forecast: {ahead.what}: {ahead.reason}"
    span = f" ({ahead.earliest} to {ahead.latest})" if ahead.earliest and ahead.latest else ""
    return f"Forecast: {ahead.what} about {ahead.day}{span}"


def estimate(value: Estimate) -> str:
    """Say one number with the digits its interval supports, its unit and interval; or why there is none."""
    if value.value is None:
        return f"– {value.reason}"
    unit = "" if value.unit in {"1", ""} else f" {value.unit}"
    if value.low is None or value.high is None:
        text = f"{number(value.value)}{unit}"
        return f"{text} (no interval: {value.reason})" if value.reason else text
    half = (value.high - value.low) / 2
    if not 0 < half < math.inf:
        return f"{number(value.value)}{unit}"
    places = 1 - math.floor(math.log10(half))
    best, low, high = (
        f"{round(v, places):,.{max(0, places)}f}" for v in (value.value, value.low, value.high)
    )
    return f"{best}{unit} ({low} to {high})"


def number(value: float) -> str:
    """Write a number with four digits that count, never in powers of ten.

    >>> number(43934.7), number(0.92174), number(-0.00012345)
    ('43,930', '0.9217', '-0.0001234')
    """
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    places = 3 - math.floor(math.log10(abs(value)))
    return f"{round(value, places):,.{max(0, places)}f}"


def estimates(value: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Estimate]]:
    """Yield every estimate inside a result, with the names that lead to it."""
    if isinstance(value, Estimate):
        yield path, value
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        for field in dataclasses.fields(value):
            yield from estimates(getattr(value, field.name), (*path, field.name))
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield from estimates(inner, (*path, str(name)))
    elif isinstance(value, list | tuple):
        for number, inner in enumerate(value, 1):
            name = (
                getattr(inner, "name", None) or getattr(inner, "pack", None) or getattr(inner, "cell", number)
            )
            yield from estimates(inner, (*path, str(name)))


def show_health(result: Any, console: Console | None = None) -> None:
    """Print every number of a health result, section by section; a line for each cell."""
    console = console or Console(highlight=False)
    section: tuple[str, ...] = ()
    for head, group in groupby(estimates(result), key=lambda found: found[0][:-1]):
        numbers = [(path[-1], value) for path, value in group]
        above = head[:-1] if len(head) > 1 and head[-2] == "cells" else head
        if above != section:
            console.print(Text(" · ".join(part.replace("_", " ") for part in above), "bold"))
            section = above
        if above != head:
            parts = "; ".join(f"{name.replace('_', ' ')} {estimate(value)}" for name, value in numbers)
            console.print(f"  {head[-1]:>2}  {parts}", soft_wrap=True)
            continue
        for name, value in numbers:
            line = Text(f"  {name.replace('_', ' '):<28} {estimate(value)}")
            if value.basis:
                line.append(f"   [{value.basis}]", "dim")
            console.print(line, soft_wrap=True)


def show_verify(result: VerifyResult, console: Console | None = None) -> None:
    """Print what walking the chain found."""
    console = console or Console(highlight=False)
    console.print(
        f"{result.days:,} sealed days hold, {result.row_count:,} readings; chain end {result.chain_end[:12]}"
    )
    for name, day, revision in result.superseded[:FAULTS_SHOWN]:
        console.print(f"  superseded: {name} {day} revision {revision} (kept, and part of the chain)")
    if result.absent:
        first = ", ".join(f"{name} {day}" for name, day in result.absent[:5])
        more = f" and {len(result.absent) - 5} more" if len(result.absent) > 5 else ""
        console.print(f"  never recorded: {first}{more}")
    for fault in result.faults[:FAULTS_SHOWN]:
        console.print(
            Text(
                f"  {fault.what.upper()}: {fault.subject} {fault.day} {fault.detail}".replace("  ", " "),
                "bold red",
            )
        )
    if len(result.faults) > FAULTS_SHOWN:
        console.print(f"  and {len(result.faults) - FAULTS_SHOWN} more faults")
    console.print("all is as it was sealed" if result.ok else "NOT all is as it was sealed")


def show_claim(verdict: ClaimVerdict, console: Console | None = None) -> None:
    """Print what checking a claim file found."""
    console = console or Console(highlight=False)
    console.print(
        f"{verdict.files:,} files compared with the list, {verdict.days:,} sealed days named by the chain"
    )
    console.print(f"  hash of the list: {verdict.manifest_sha256}", soft_wrap=True)
    if verdict.stamped:
        console.print(f"  time stamp: {verdict.stamped}")
    for fault in verdict.faults[:FAULTS_SHOWN]:
        console.print(Text(f"  FAULT: {fault}", "bold red"))
    console.print("all is as it was enclosed" if verdict.ok else "NOT all is as it was enclosed")
