"""Figures of findings about whole packs: current sensor, sharing, leads."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.finding import Finding
from analysis.history import History
from analysis.packs.closure import windows
from analysis.packs.sensor_gain import ratio_by_day
from analysis.packs.witness import LeadPoint
from analysis.report.evidence_figure import BARS, course, drawn
from analysis.report.figures_trend import Level, Trend
from analysis.report.scope import Scope
from analysis.report.value import Figure

LEAST_MILLI, LEAST_A, LEAST_PERCENT = 0.2, 0.2, 10.0
"""No axis spans less. [mΩ], [A], [%]"""


def zero_figure(scope: Scope, index: int, finding: Finding) -> Figure | None:
    """What is left over from full charge to full charge: a sensor without error leaves next to nothing."""
    history = scope.bank.packs[index].recent
    found = [w for w in windows(history) if w.span.covered_s > 0]
    if len(found) < 2:
        return _open(scope, index, finding, history)
    hours = [w.span.covered_s / 3600 for w in found]
    what = Trend(
        tuple(w.last for w in found),
        tuple(w.span.ah / h for w, h in zip(found, hours, strict=True)),
        "A left over from full to full",
        weak=tuple(not w.warm for w in found),
        halves=tuple(
            1.96 * math.hypot(w.closure_u_ah, w.hidden_ah) / h for w, h in zip(found, hours, strict=True)
        ),
        level=_level(finding, "error found"),
    )
    return drawn(
        scope, index, finding, what,
        name="zero",
        title=f"Pack {finding.pack}: what the current sensor counts too much",
        source=f"times from full to full; near 0 without an error. {BARS}. Hollow: a heater may have run",
        least=LEAST_A,
    )  # fmt: skip


def _open(scope: Scope, index: int, finding: Finding, history: History) -> Figure | None:
    """The readings while the pack's own switches were open: nothing can have flowed."""
    rows = [(d.day, d.sensor.open_a) for d in history.digests if math.isfinite(d.sensor.open_a)]
    if len(rows) < 2:
        rows = [(d.day, d.sensor.rest_a) for d in history.digests if math.isfinite(d.sensor.rest_a)]
        source = "days with long rests, the middle reading of them"
    else:
        source = "days with charging and discharging switched off in the pack"
    what = course(rows, "A read while nothing flows", level=_level(finding, "error found"))
    title = f"Pack {finding.pack}: what the current sensor reads at rest"
    return drawn(scope, index, finding, what, name="zero", title=title, source=source, least=LEAST_A)


def gain_figure(scope: Scope, index: int, finding: Finding) -> Figure | None:
    """The current of all packs over what the witness measures, day by day."""
    beside = [h.recent for h in scope.beside(index)]
    rows = ratio_by_day(scope.bank.packs[index].recent, beside)
    witness = scope.health.packs[index].sensor.gain_witness
    percent = [(day, 100 * ratio) for day, ratio in rows]
    unit, alike = f"% of what {witness} measures", Level(100.0, "both alike")
    what = course(percent, unit, level=alike, zero=False)
    whose = "all packs together" if beside else f"pack {finding.pack}"
    return drawn(
        scope, index, finding, what,
        name="gain",
        title=f"Current of {whose} beside {witness}",
        source="days with much current, quarters of an hour compared",
        least=LEAST_PERCENT,
    )  # fmt: skip


def share_figure(scope: Scope, index: int, finding: Finding) -> Figure | None:
    """A pack's part of every change of the bank's current, with the part that is fair."""
    share = next((s for s in scope.health.sharing.shares if s.pack == finding.pack), None)
    if share is None:
        return None
    percent = [(day, 100 * part) for day, part in share.quick_days]
    fair = Level(100 * share.fair, "fair for its size")
    what = course(percent, "% of every change of the current", level=fair, zero=False)
    return drawn(
        scope, index, finding, what,
        name="share",
        title=f"The part pack {finding.pack} takes",
        source="days with enough changes of the current in both packs",
        least=LEAST_PERCENT,
    )  # fmt: skip


def leads_figures(scope: Scope, index: int, finding: Finding) -> tuple[Figure | None, ...]:
    """The way to each witness, and the difference to the other packs' leads."""
    figures: list[Figure | None] = []
    for seen in scope.health.witness:
        if seen.pack != finding.pack:
            continue
        copper = seen.conductor.value
        level = None if copper is None else Level(1000 * copper, "copper alone")
        title = f"Resistance between pack {seen.pack} and {seen.witness}"
        what = _weeks(seen.weeks, 1, "mΩ on the way", level)
        figures.append(
            drawn(
                scope, index, finding, what,
                name=f"path-{len(figures)}",
                title=title,
                source=f"weeks, voltages of both compared. {BARS}",
                least=LEAST_MILLI,
            )
        )  # fmt: skip
    for lead in scope.health.sharing.leads:
        if finding.pack not in {lead.first, lead.second}:
            continue
        other = lead.second if finding.pack == lead.first else lead.first
        what = _weeks(lead.weeks, 1 if finding.pack == lead.first else -1, "mΩ more than the other", None)
        figures.append(
            drawn(
                scope, index, finding, what,
                name=f"lead-{len(figures)}",
                title=f"Lead of pack {finding.pack} less that of pack {other}",
                source=f"weeks, from voltages and currents of both packs. {BARS}",
                least=LEAST_MILLI,
            )
        )  # fmt: skip
    return tuple(figures)


def _weeks(weeks: Sequence[LeadPoint], sign: int, unit: str, level: Level | None) -> Trend:
    return Trend(
        tuple(w.day for w in weeks),
        tuple(1000 * sign * w.ohm for w in weeks),
        unit,
        halves=tuple(1000 * w.half for w in weeks),
        level=level,
    )


def _level(finding: Finding, name: str) -> Level | None:
    return None if finding.value is None else Level(finding.value, name)
