"""Findings about current sensors: their zero, and their gain against a witness."""

from __future__ import annotations

from collections.abc import Sequence

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
    "wrong, and "
    "capacities and energies are wrong by as much."
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
    out = []
    offset = sensor.offset
    if offset.value is not None and offset.low is not None and offset.high is not None:
        least = 0.0 if offset.low <= 0 <= offset.high else min(abs(offset.low), abs(offset.high))
        if least >= limits["offset_note_a"]:
            out.append(
                Finding(
                    kind="current_sensor",
                    pack=history.facts.name,
                    cell=None,
                    since=sensor.offset_since or history.days[0],
                    severity="watch" if least >= limits["offset_watch_a"] else "note",
                    confidence=0.85,
                    value=round(offset.value, 3),
                    low=round(offset.low, 3),
                    high=round(offset.high, 3),
                    unit="A",
                    meaning=OFFSET_MEANING.format(value=offset.value, day=24 * abs(offset.value)),
                    check_next=OFFSET_CHECK,
                    evidence=(
                        (
                            f"{offset.value:+.3f} A ({offset.low:+.3f} to {offset.high:+.3f} A) from "
                            f"{offset.basis}."
                        ),
                    ),
                )
            )
    gain = _gain_finding(history, sensor, limits)
    return tuple(out) + ((gain,) if gain else ())


def _gain_finding(history: History, sensor: CurrentSensor, limits: Thresholds) -> Finding | None:
    gain = sensor.gain
    if gain.value is None or gain.low is None or gain.high is None:
        return None
    least = 0.0 if gain.low <= 1 <= gain.high else min(abs(gain.low - 1), abs(gain.high - 1))
    if least < limits["gain_note"]:
        return None
    return Finding(
        kind="current_sensor",
        pack=history.facts.name,
        cell=None,
        since=sensor.gain_since or history.days[0],
        severity="watch" if least >= limits["gain_watch"] else "note",
        confidence=0.7,
        value=round(gain.value, 4),
        low=round(gain.low, 4),
        high=round(gain.high, 4),
        unit="1",
        meaning=GAIN_MEANING.format(
            pack=history.facts.name, percent=100 * (gain.value - 1), witness=sensor.gain_witness
        ),
        check_next=GAIN_CHECK,
        evidence=(f"{gain.value:.3f} ({gain.low:.3f} to {gain.high:.3f}) from {gain.basis}.",),
    )
