"""Scores findings against the truth of a case: found, how early, cause, size, interval, and what was false.

Knows nothing of the analysis: anything with the attributes of `FindingLike` can be scored.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sample_data.bank import Fault, bank_day
from sample_data.cell import arrhenius
from sample_data.faults import Case
from sample_data.history import DayTruth, TripTruth
from sample_data.telemetry import CLEAN
from sample_data.truth import falls_behind_a

Array = NDArray[np.float64]

STEP_S = 10.0
"""Time base on which a resistance is compared. [s]"""

CELL_KINDS = frozenset(
    ("static_offset", "self_discharge", "low_capacity", "high_resistance", "loose_link", "sense_lead")
)
FOLLOWS: dict[str, frozenset[str]] = {
    "self_discharge": frozenset(("balancing_behind",)),
    "static_offset": frozenset(("balancing_behind",)),
    "balancing_behind": frozenset(("self_discharge", "static_offset")),
    "low_capacity": frozenset(("capacity_fade", "balancing_behind")),
    "heater_fault": frozenset(("cold_charging",)),
    "temperature_sensor": frozenset(("cold_charging", "heater_fault")),
    "cold_charging": frozenset(("heater_fault",)),
    "uneven_sharing": frozenset(("lead_resistance",)),
    "lead_resistance": frozenset(("uneven_sharing",)),
    "current_sensor": frozenset(("uneven_sharing",)),
}
"""What else a technician would say of a pack with that fault, and be right."""
COURSE_KINDS = frozenset(("cold_charging", "data_gap", "balancing_behind"))
"""What is judged by what happened over the days, not by the fault's size."""
SAME = {"uneven_sharing": "lead_resistance"}
"""One cause with two names: a bad lead of one pack shifts the current to the others."""


class ForecastLike(Protocol):
    """A forecast with local dates as YYYY-MM-DD."""

    @property
    def day(self) -> str | None:
        """Expected local date."""

    @property
    def earliest(self) -> str | None:
        """Start of its interval."""

    @property
    def latest(self) -> str | None:
        """End of its interval."""


class FindingLike(Protocol):
    """What is scored."""

    @property
    def kind(self) -> str:
        """What is wrong."""

    @property
    def pack(self) -> str:
        """Pack, or "bank"."""

    @property
    def cell(self) -> int | None:
        """Cell or sensor number."""

    @property
    def severity(self) -> str:
        """note, watch or act."""

    @property
    def confidence(self) -> float:
        """That the kind is right, 0–1."""

    @property
    def value(self) -> float | None:
        """How big. [unit]"""

    @property
    def low(self) -> float | None:
        """Lower end of the 95 % interval. [unit]"""

    @property
    def high(self) -> float | None:
        """Upper end. [unit]"""

    @property
    def unit(self) -> str:
        """Unit of the size."""

    @property
    def forecast(self) -> ForecastLike | None:
        """What is expected, if anything."""


Findings = Sequence[FindingLike]
_RANK = {"act": 2, "watch": 1, "note": 0}


@dataclass(frozen=True, slots=True)
class Verdict:
    """How one fault fared.

    Attributes
    ----------
    case : str
    fault : Fault
    found : datetime.date or None
        First review that named the place at `watch` or above.
    noted : bool
        Whether the last review named the place at all.
    delay_d : int or None
        From onset to `found`. [d]
    lead_d : int or None
        From `found` to the first trip of that cell, if there was one (negative: too late). [d]
    kind : str
        Cause given at the last review; "" if none.
    confidence : float
    right : bool
    value, truth : float or None
        Size given and true, in `unit`.
    covered : bool or None
        Whether the interval holds the truth.
    forecast : bool or None
        Whether the last forecast before the first trip holds it.
    false : tuple of str
        Findings at `watch` or above that no technician would defend, at any review.
    """

    case: str
    fault: Fault
    found: dt.date | None
    noted: bool
    delay_d: int | None
    lead_d: int | None
    kind: str
    confidence: float
    right: bool
    value: float | None
    truth: float | None
    unit: str
    covered: bool | None
    forecast: bool | None
    false: tuple[str, ...]


def at_place(fault: Fault, finding: FindingLike) -> bool:
    """Whether a finding is about the thing that is wrong."""
    if fault.kind == "uneven_sharing" and finding.kind == "lead_resistance":
        return finding.pack == fault.pack
    if fault.kind in ("lead_resistance", "uneven_sharing", "data_gap"):
        return finding.kind == fault.kind
    if fault.pack != finding.pack:
        return False
    if fault.kind in CELL_KINDS:
        cells = {fault.cell}
        if fault.kind in ("loose_link", "sense_lead") and fault.cell is not None:
            cells.add(fault.cell + 1)
        return finding.kind in CELL_KINDS and finding.cell in cells
    if fault.kind == "temperature_sensor":
        return finding.kind == fault.kind and finding.cell == fault.cell
    return finding.kind == fault.kind


def is_false(case: Case, finding: FindingLike) -> bool:
    """Whether a finding of `watch` or above cannot be defended."""
    if finding.severity == "note":
        return False
    if case.mess is not CLEAN and finding.kind in ("data_gap", "current_sensor"):
        return False  # such telemetry has gaps, and such a sensor is off
    for fault in case.faults:
        if at_place(fault, finding):
            return False
        near = finding.pack in (fault.pack, "bank") or fault.pack == "bank"
        if near and finding.kind in FOLLOWS.get(fault.kind, frozenset()):
            return False
        if fault.kind == "capacity_fade" and finding.pack == fault.pack and finding.kind == "low_capacity":
            return False
    return True


def _against_median(values: Array, cell: int) -> float:
    return float(values[cell] - np.median(values))


def true_size(case: Case, fault: Fault, unit: str, last: DayTruth) -> float | None:
    """Return the true size of a fault on the last day, in a finding's unit.

    What is compared with the neighbours is compared with the median cell, as no cell is exactly average.

    Parameters
    ----------
    case, fault : Case, Fault
    unit : str
        Unit of the finding.
    last : DayTruth
        The truth about the last day.

    Returns
    -------
    float or None
        None where finding and fault are not the same quantity.
    """
    factor = {"m": 1000.0}.get(unit[:1], 1.0) if unit[1:] in ("A", "V", "Ω") else 1.0
    base = unit[1:] if factor > 1 else unit
    if fault.kind in CELL_KINDS and fault.cell is not None:
        size = _cell_size(case, fault, base, last, fault.cell - 1)
    else:
        size = _pack_size(case, fault, base)
    return None if size is None else size * factor


def _cell_size(case: Case, fault: Fault, unit: str, last: DayTruth, cell: int) -> float | None:
    truth = last.packs[fault.pack]
    capacity = np.array(truth.capacity_ah)
    chemistry = case.scenario.chemistry
    day = bank_day(case.scenario, case.days - 1)
    pack = next(p for p in day.packs if p.spec.name == fault.pack)
    # Resistances are compared as measured, at the temperature of the day.
    temp_c = np.array([(truth.coldest_c + truth.warmest_c) / 2])
    ohm = pack.r0_ohm * arrhenius(temp_c, chemistry.r0_slope_k)
    for r, tau, slope in zip(chemistry.rc_ohm, chemistry.rc_tau_s, chemistry.rc_slope_k, strict=True):
        ohm = ohm + r * (1 - math.exp(-STEP_S / tau)) * pack.rc_scale * arrhenius(temp_c, slope)
    sizes = {
        ("self_discharge", "A"): _against_median(np.array(truth.leak_a), cell),
        ("static_offset", "Ah"): _against_median(np.array(truth.charge_ah) - capacity, cell),
        ("low_capacity", "Ah"): -_against_median(capacity, cell),
        ("low_capacity", "1"): -_against_median(capacity, cell) / float(np.median(capacity)),
        ("high_resistance", "Ω"): _against_median(ohm, cell),
        ("high_resistance", "1"): _against_median(ohm, cell) / float(np.median(ohm)),
        ("loose_link", "Ω"): fault.size,
        ("sense_lead", "V"): fault.size,
    }
    return sizes.get((fault.kind, unit))


def _pack_size(case: Case, fault: Fault, unit: str) -> float | None:
    spec = next((p for p in case.scenario.packs if p.name == fault.pack), case.scenario.packs[0])
    gain = fault.variant == "gain"
    shown = spec.gain * (1 + fault.size) * case.mess.gain
    sizes = {
        ("temperature_sensor", "K"): None if fault.variant == "stuck" else fault.size,
        ("current_sensor", "A"): None
        if gain
        else case.mess.gain * (fault.size + spec.offset_a) + case.mess.offset_a,
        ("current_sensor", "1"): shown / case.scenario.inverter.gain if gain else None,
        # Per ampere of one pack, its neighbours carrying the same.
        ("lead_resistance", "Ω"): fault.size * len(case.scenario.packs),
        ("heater_fault", "1"): fault.size,
        ("capacity_fade", "1"): fault.size,
        ("capacity_fade", "1/a"): fault.size,
        ("data_gap", "d"): fault.size,
        ("data_gap", "h"): fault.size * 24,
        ("data_gap", "s"): fault.size * 86400,
    }
    return sizes.get((fault.kind, unit))


@dataclass(frozen=True, slots=True)
class Review:
    """What was said on the evening of a day, and the truth by then.

    Attributes
    ----------
    day : datetime.date
    findings : sequence of FindingLike
    truth : DayTruth
        Of that day.
    cold_ah : dict of str to float
        What each pack was charged in frost so far. [Ah]
    missing_h : dict of str to float
        What is missing of the last 30 days of each pack's record, outages and the telemetry's own gaps. [h]
    """

    day: dt.date
    findings: Findings
    truth: DayTruth
    cold_ah: Mapping[str, float] = field(default_factory=dict)
    missing_h: Mapping[str, float] = field(default_factory=dict)


def judge(case: Case, fault: Fault, reviews: Sequence[Review], trips: Sequence[TripTruth]) -> Verdict:
    """Score one fault.

    Cause and size are those of the last review that named the place: an offset may since be balanced away.

    Parameters
    ----------
    case : Case
    fault : Fault
        One of the case's.
    reviews : sequence of Review
        In order.
    trips : sequence of TripTruth
        Every protection that opened.
    """
    named = [(r, [f for f in r.findings if at_place(fault, f)]) for r in reviews]
    last, findings = next(((r, fs) for r, fs in reversed(named) if fs), (reviews[-1], []))
    said = max(findings, key=lambda f: (_RANK[f.severity], f.confidence), default=None)
    found = next((r.day for r, fs in named if any(f.severity != "note" for f in fs)), None)
    onset = case.first_day + dt.timedelta(days=fault.onset_day)
    trip = first_trip(fault, trips)
    right = said is not None and said.kind in (fault.kind, SAME.get(fault.kind))
    truth = None
    if said is not None and right:
        truth = _of_the_course(said, last, reviews) if said.kind in COURSE_KINDS else None
        truth = true_size(case, fault, said.unit, last.truth) if truth is None else truth
    covered = None
    if said is not None and truth is not None and said.low is not None and said.high is not None:
        ends = (said.low, said.high)
        low, high = sorted(map(abs, ends)) if said.low * said.high > 0 else ends
        covered = low <= abs(truth) <= high or low <= truth <= high
    false = sorted(
        {
            f"{f.kind} {f.pack} {f.cell or ''}".strip()
            for r in reviews
            for f in r.findings
            if is_false(case, f)
        }
    )
    return Verdict(
        case=case.name,
        fault=fault,
        found=found,
        noted=said is not None,
        delay_d=(found - onset).days if found else None,
        lead_d=(trip - found).days if found and trip else None,
        kind=said.kind if said is not None else "",
        confidence=said.confidence if said is not None else 0.0,
        right=right,
        value=said.value if said is not None else None,
        truth=truth,
        unit=said.unit if said is not None else "",
        covered=covered,
        forecast=_foreseen(named, trip),
        false=tuple(false),
    )


def _of_the_course(said: FindingLike, last: Review, reviews: Sequence[Review]) -> float | None:
    """Return the truth about what adds up over the days, in the finding's unit; None if nobody kept it."""
    if said.kind == "cold_charging":
        return last.cold_ah.get(said.pack)
    if said.kind == "data_gap":
        return last.missing_h.get(said.pack)
    days = [(r.day, r.truth.packs[said.pack]) for r in reviews if r.day <= last.day]
    if said.cell is None or said.unit != "mA" or len(days) < 2:
        return None
    return 1000 * falls_behind_a(days, said.cell)


def first_trip(fault: Fault, trips: Sequence[TripTruth]) -> dt.date | None:
    """Return the UTC date of the first trip that the fault's cell caused."""
    mine = [t.time_s for t in trips if t.pack == fault.pack and t.cell == fault.cell]
    return dt.datetime.fromtimestamp(min(mine), dt.UTC).date() if mine else None


def _foreseen(named: Sequence[tuple[Review, list[FindingLike]]], trip: dt.date | None) -> bool | None:
    """Whether the last forecast before the trip holds it; None if there was no trip or no forecast."""
    if trip is None:
        return None
    said = None
    for review, findings in named:
        for finding in findings:
            if review.day < trip and finding.forecast and finding.forecast.day:
                said = finding.forecast
    if said is None or said.earliest is None or said.latest is None:
        return None
    return said.earliest <= trip.isoformat() <= said.latest
