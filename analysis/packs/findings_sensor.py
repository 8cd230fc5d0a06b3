"""Findings about current sensors: their zero, and their gain against a witness."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.estimate import Estimate
from analysis.finding import Finding
from analysis.history import History
from analysis.packs.sensor import CurrentSensor, current_sensor
from analysis.thresholds import DEFAULT, Thresholds

OFFSET_MEANING = (
    "The current sensor reads {value:+.2f} A when nothing flows. The charge the pack shows drifts by "
    "{day:.1f} Ah a day until it is full again; the numbers here have it taken out."
)
OFFSET_CHECK = (
    "With the bank switched off and nothing connected a technician reads the pack's current; if the device "
    "has a zero adjustment, it is done then."
)
GAIN_MEANING = (
    "Pack {pack} shows {percent:+.1f} % more current than {witness} for the same flow. One of the two is "
    "wrong; which one cannot be told without a third. If it is the pack's, its capacities and energies are "
    "wrong by as much."
)
GAIN_CHECK = (
    "A technician compares both with a calibrated clamp meter at a steady current of some tens of amperes."
)


def sensor_findings(
    history: History,
    others: Sequence[History] = (),
    limits: Thresholds = DEFAULT,
    known: CurrentSensor | None = None,
) -> tuple[Finding, ...]:
    """Return the findings about a pack's current sensor."""
    sensor = current_sensor(history, others) if known is None else known
    name = history.facts.name
    offset, gain = sensor.offset.value or 0.0, sensor.gain.value or 1.0
    zero = _finding(
        history,
        sensor.offset,
        right=0.0,
        limits=(limits["offset_note_a"], limits["offset_watch_a"]),
        since=sensor.offset_since,
        confidence=0.85,
        form="+.3f",
        meaning=OFFSET_MEANING.format(value=offset, day=24 * abs(offset)),
        check_next=OFFSET_CHECK,
    )
    share = _finding(
        history,
        sensor.gain,
        right=1.0,
        limits=(limits["gain_note"], limits["gain_watch"]),
        since=sensor.gain_since,
        confidence=0.7,
        form=".3f",
        meaning=GAIN_MEANING.format(pack=name, percent=100 * (gain - 1), witness=sensor.gain_witness),
        check_next=GAIN_CHECK,
        step=sensor.gain_step if abs(gain - 1) >= limits["gain_step_note"] else None,
        step_limit=limits["gain_step_note"],
    )
    return tuple(f for f in (zero, share) if f is not None)


def _finding(
    history: History,
    found: Estimate,
    *,
    right: float,
    limits: tuple[float, float],
    since: str | None,
    confidence: float,
    form: str,
    meaning: str,
    check_next: str,
    step: Estimate | None = None,
    step_limit: float = 0.0,
) -> Finding | None:
    """Return a finding where the interval stays clear of the right value by the first limit.

    A change that is itself certain beyond `step_limit` is noted too: what every instrument of its kind may be
    off by does not change on one day.
    """
    value, low, high = found.value, found.low, found.high
    if value is None or low is None or high is None or low <= right <= high:
        return None
    least = min(abs(low - right), abs(high - right))
    moved = _certain(step)
    if least < limits[0] and (moved <= 0 or moved < step_limit):
        return None
    unit = "" if found.unit == "1" else f" {found.unit}"
    told: tuple[str, ...] = ()
    if step is not None and moved:
        told = (f"It changed by {step.value:+.3f} ({step.low:+.3f} to {step.high:+.3f}) on that day.",)
    return Finding(
        kind="current_sensor",
        pack=history.facts.name,
        cell=None,
        since=since or history.days[0],
        severity="watch" if least >= limits[1] else "note",
        confidence=confidence,
        value=round(value, 4),
        low=round(low, 4),
        high=round(high, 4),
        unit=found.unit,
        meaning=meaning,
        check_next=check_next,
        evidence=(f"{value:{form}}{unit} ({low:{form}} to {high:{form}}{unit}) from {found.basis}.", *told),
    )


def _certain(step: Estimate | None) -> float:
    """Size of a change of which its interval is sure; 0 without one."""
    if step is None or step.low is None or step.high is None or step.low <= 0 <= step.high:
        return 0.0
    return min(abs(step.low), abs(step.high))
