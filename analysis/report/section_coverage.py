"""What was recorded, and what was not."""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from zoneinfo import ZoneInfo

from analysis.estimate import Estimate
from analysis.history import History
from analysis.report.dates import short_day
from analysis.report.figures_coverage import CoverDay, coverage_hours
from analysis.report.numbers import plain, value_text
from analysis.report.scope import Scope, gallery, together
from analysis.report.value import Block, Figure, Numbers, Row, Section, Statement, Table

LISTED = 20
LONGEST_CALENDAR = 31
"""A window of more days is not drawn hour by hour."""


def coverage_section(scope: Scope) -> Section:
    """Coverage, gaps and what hygiene dropped, honestly."""
    parts = [scope.days(h) for h in scope.bank.packs]
    blocks: list[Block] = [_words(scope, parts), *_cells(parts), _numbers(scope, parts)]
    if len(scope.calendar()) <= LONGEST_CALENDAR:
        blocks.append(gallery(scope, lambda i, h: coverage_figure(scope, i, h)))
    gaps = _gaps(scope, parts)
    if gaps:
        blocks.append(Table(("Pack", "From", "To", "Hours"), gaps, "The longest gaps"))
    return Section("recorded", "What was recorded", tuple(blocks))


def share(scope: Scope, history: History) -> Estimate:
    """Share of the window's time with usable readings; counted, so its interval is itself."""
    length = sum(d.end_s - d.start_s for d in history.digests)
    missing = len(scope.calendar()) - len(history.digests)
    whole = length + 86400.0 * missing
    covered = sum(d.coverage.covered_s for d in history.digests)
    value = covered / whole if whole > 0 else 0.0
    n = sum(d.coverage.n for d in history.digests)
    return Estimate(
        value, "1", value, value, f"{plain(n, 0)} readings in {len(scope.calendar())} days", n, value
    )


def _words(scope: Scope, parts: list[History]) -> Statement:
    shares = [(name, share(scope, h)) for name, h in zip(scope.names, parts, strict=True)]
    short = [(n, s) for n, s in shares if (s.value or 0.0) < 0.995]
    if not short:
        return Statement(
            "Every hour of these days was recorded." if len(shares) == 1 else "Every hour was recorded.",
            "good",
        )
    listed = ", ".join(f"{value_text(s)} of the time of pack {n}" for n, s in short)
    text = f"Recorded was {listed}. Sums cover the recorded time only; nothing was filled in."
    return Statement(text, "note")


def _cells(parts: list[History]) -> list[Statement]:
    """Where fewer cells were read than the configuration counts on: what to correct."""
    out = []
    for history in parts:
        read = max((d.n_cells for d in history.digests), default=0)
        facts = history.facts
        if 0 < read < facts.n_cells:
            text = (
                f"The configuration counts on {facts.n_cells} cells; {read} were read. Set cells = {read} "
                "for this pack in bank.toml, or let its source read all of them; until then nothing is known "
                "of the rest."
            )
            out.append(Statement(text, "watch", f"Pack {facts.name}"))
    return together(out)


def _numbers(scope: Scope, parts: list[History]) -> Numbers:
    longest = []
    dropped = []
    for history in parts:
        hours = max((d.coverage.longest_gap_s for d in history.digests), default=0.0)
        longest.append(Estimate(hours, "s", hours, hours, "clock times of the readings on both sides"))
        count: Counter[str] = Counter()
        for digest in history.digests:
            count.update(dict(digest.coverage.dropped))
        reasons = ", ".join(f"{plain(n, 0)} {reason}" for reason, n in count.most_common() if n)
        total = float(sum(count.values()))
        dropped.append(Estimate(total, "", total, total, reasons))
    rows = (
        Row("share", "Share of the time recorded", tuple(share(scope, h) for h in parts)),
        Row("longest_gap", "Longest gap", tuple(longest)),
        Row(
            "dropped",
            "Values not used",
            tuple(dropped),
            "Impossible, doubled or frozen values are counted and left out.",
        ),
    )
    return Numbers(scope.names, rows)


def coverage_figure(scope: Scope, index: int, history: History) -> Figure:
    """The recorded hours of the window, day by day."""
    by_day = {d.day: d for d in scope.days(history).digests}
    days = []
    for day in scope.calendar():
        digest = by_day.get(day)
        if digest is None:
            days.append(CoverDay(day, 24.0, None))
            continue
        holes = tuple(
            (max(a - digest.start_s, 0.0) / 3600, (min(b, digest.end_s) - digest.start_s) / 3600)
            for a, b in digest.coverage.gaps
        )
        days.append(CoverDay(day, (digest.end_s - digest.start_s) / 3600, holes))
    key = f"hours-{index}"
    name = history.facts.name
    covered = value_text(share(scope, scope.days(history)))
    return Figure(
        key,
        coverage_hours(key, days),
        f"Pack {name}: the recorded hours",
        f"Recorded hours of pack {name} day by day; {covered} of the time was recorded.",
        scope.window,
        "Crossed out: no usable reading",
    )


def _gaps(scope: Scope, parts: list[History]) -> tuple[tuple[str, ...], ...]:
    zone = ZoneInfo(scope.bank.timezone)
    found = [
        (b - a, name, a, b)
        for name, history in zip(scope.names, parts, strict=True)
        for digest in history.digests
        for a, b in digest.coverage.gaps
    ]
    found.sort(key=lambda gap: (-gap[0], gap[2]))
    kept = sorted(found[:LISTED], key=lambda gap: gap[2])
    return tuple(
        (name, local_time(a, zone), local_time(b, zone), plain(s / 3600, 1)) for s, name, a, b in kept
    )


def local_time(time_s: float, zone: ZoneInfo) -> str:
    """Day, hour and minute in the site's zone: "14 Jan 07:35"."""
    moment = datetime.fromtimestamp(time_s, zone)
    return f"{short_day(moment.date().toordinal())} {moment:%H:%M}"
