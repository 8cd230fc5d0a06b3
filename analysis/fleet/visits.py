"""Which banks need a visit, in what order, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from analysis.finding import Finding
from analysis.fleet.peers import Crowd, PackSummary, Place, place

SEVERITY_WEIGHT = {"act": 100.0, "watch": 30.0, "note": 3.0}
"""How much a finding of each severity counts, before confidence. Common practice, no source."""
SOON_DAYS = 60.0
"""A forecast this near adds up to half its weight again. [d] Common practice, no source."""
RARE_Z = 4.0
"""Robust standard deviations from the peers that make a number worth a look. Common practice, no source."""
MOST_Z = 20.0
"""A distance from the peers counts at most so much. Common practice, no source."""
CALL = 10.0
"""Score from which a bank is on the list: a watch that is more likely than not, a silent logger, or a number
ten robust standard deviations from the peers; notes add up to it slowly. Common practice, no source."""
SILENT_DAYS = 3
"""Days without a new reading after which a bank counts as silent. [d] Common practice, no source."""

FLOORS: Mapping[str, float] = {
    "round_trip_efficiency_1": 0.005,
    "capacity_share_1": 0.01,
    "heater_wh_a_day": 50.0,
    "worst_leak_ma": 1.0,
    "worst_resistance_share_1": 0.05,
}
"""Quantities compared among peers, with the smallest spread taken, in the unit that ends the name."""

BAD_SIDE: Mapping[str, int] = {
    "round_trip_efficiency_1": -1,
    "capacity_share_1": -1,
    "heater_wh_a_day": +1,
    "worst_leak_ma": +1,
    "worst_resistance_share_1": +1,
}
"""On which side of the peers a number is bad: -1 below, +1 above."""


@dataclass(frozen=True, slots=True)
class BankState:
    """One bank as the desk sees it.

    Attributes
    ----------
    bank : str
    last_day : str
        Local date of the newest day received.
    packs : tuple of PackSummary
    findings : tuple of Finding
        Those that stand.
    """

    bank: str
    last_day: str
    packs: tuple[PackSummary, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason for a visit; one of `finding`, `place`, `silent_days` is set.

    Attributes
    ----------
    weight : float
        Only for order.
    finding : Finding or None
    pack : str
        Pack that lies far from its peers in `place`.
    place : Place or None
    silent_days : int
        Days since the newest reading.
    """

    weight: float
    finding: Finding | None = None
    pack: str = ""
    place: Place | None = None
    silent_days: int = 0


@dataclass(frozen=True, slots=True)
class Visit:
    """One line of the desk's list.

    Attributes
    ----------
    bank : str
    score : float
        Only for order: findings by severity, confidence and nearness, distance from peers, silence.
    reasons : tuple of Reason
        The weightiest first.
    new : tuple of Finding
        Findings not known at the last report.
    """

    bank: str
    score: float
    reasons: tuple[Reason, ...]
    new: tuple[Finding, ...]

    @property
    def calls(self) -> bool:
        """Whether it calls for a visit; what is below can wait until somebody is near."""
        return self.score >= CALL

    @property
    def urgent(self) -> bool:
        """Whether something there has to be acted on."""
        return any(r.finding is not None and r.finding.severity == "act" for r in self.reasons)

    @property
    def silent_days(self) -> int:
        """Days since the newest reading; 0 if it is not silent."""
        return max((r.silent_days for r in self.reasons), default=0)

    @property
    def outlying(self) -> tuple[Place, ...]:
        """Numbers on the bad side of the peers by more than `RARE_Z`."""
        return tuple(r.place for r in self.reasons if r.place is not None)


def identity(finding: Finding) -> tuple[str, str, int | None]:
    """What makes a finding the same one from report to report: kind, pack and cell."""
    return (finding.kind, finding.pack, finding.cell)


def urgency(finding: Finding, today: str) -> float:
    """Return the weight of one finding: severity × confidence, more when its forecast is near.

    Raises
    ------
    ValueError
        If `today` is not a date.
    """
    weight = SEVERITY_WEIGHT[finding.severity] * finding.confidence
    forecast = finding.forecast
    if forecast is not None and forecast.day is not None:
        ahead = (date.fromisoformat(forecast.earliest or forecast.day) - date.fromisoformat(today)).days
        weight *= 1.0 + 0.5 * min(1.0, max(0.0, 1.0 - ahead / SOON_DAYS))
    return weight


def _visit(state: BankState, fleet: Crowd, known: set[tuple[str, str, int | None]], today: str) -> Visit:
    reasons = [Reason(urgency(f, today), finding=f) for f in state.findings]
    for pack in state.packs:
        far = (p for p in place(pack, fleet, FLOORS) if p.z * BAD_SIDE[p.quantity] > RARE_Z)
        reasons += [Reason(min(abs(p.z), MOST_Z), pack=pack.pack, place=p) for p in far]
    quiet = (date.fromisoformat(today) - date.fromisoformat(state.last_day)).days if state.last_day else 0
    if quiet > SILENT_DAYS:
        reasons.append(Reason(20.0 + min(quiet, 60), silent_days=quiet))
    reasons.sort(key=lambda r: -r.weight)
    return Visit(
        state.bank,
        sum(r.weight for r in reasons),
        tuple(reasons),
        tuple(f for f in state.findings if identity(f) not in known),
    )


def visits(
    states: Sequence[BankState],
    today: str,
    known: Mapping[str, set[tuple[str, str, int | None]]] | None = None,
) -> tuple[Visit, ...]:
    """Put the banks in the order in which they need a visit.

    Parameters
    ----------
    states : sequence of BankState
    today : str
        Date of the report, YYYY-MM-DD.
    known : mapping of str to set, optional
        For each bank the identities of findings in the last report.

    Returns
    -------
    tuple of Visit
        Every bank, the most urgent first; banks with nothing to say come last with score 0.
    """
    fleet = Crowd.of([pack for state in states for pack in state.packs])
    seen = known or {}
    found = [_visit(state, fleet, seen.get(state.bank, set()), today) for state in states]
    return tuple(sorted(found, key=lambda v: (-v.score, v.bank)))
