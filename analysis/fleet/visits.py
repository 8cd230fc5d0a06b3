"""Which banks need a visit, in what order, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from analysis.finding import Finding
from analysis.fleet.peers import PackSummary, Place, place

SEVERITY_WEIGHT = {"act": 100.0, "watch": 30.0, "note": 3.0}
"""How much a finding of each severity counts, before confidence. Common practice, no source."""
SOON_DAYS = 60.0
"""A forecast this near adds up to half its weight again. [d] Common practice, no source."""
RARE_Z = 4.0
"""Robust standard deviations from the peers that make a number worth a look. Common practice, no source."""
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
class Visit:
    """One line of the desk's list.

    Attributes
    ----------
    bank : str
    score : float
        Only for order: findings by severity, confidence and nearness, distance from peers, silence.
    reasons : tuple of str
        Why, in words, the weightiest first.
    new : tuple of Finding
        Findings not known at the last report.
    outlying : tuple of Place
        Numbers on the bad side of the peers by more than `RARE_Z`.
    silent_days : int
        Days since the newest reading; 0 if not silent.
    """

    bank: str
    score: float
    reasons: tuple[str, ...]
    new: tuple[Finding, ...]
    outlying: tuple[Place, ...]
    silent_days: int


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


def _words(finding: Finding) -> str:
    where = f"pack {finding.pack}" + (f" cell {finding.cell}" if finding.cell is not None else "")
    text = f"{finding.severity}: {finding.kind.replace('_', ' ')} in {where}, since {finding.began}"
    if finding.forecast is not None and finding.forecast.day is not None:
        text += f"; {finding.forecast.what} about {finding.forecast.day}"
    return text


def _place_words(pack: str, p: Place) -> str:
    name, _, unit = p.quantity.rpartition("_")
    unit = (
        ""
        if unit == "1"
        else " Wh a day"
        if p.quantity.endswith("wh_a_day")
        else f" {unit.replace('ma', 'mA')}"
    )
    name = p.quantity.removesuffix("_wh_a_day") if p.quantity.endswith("wh_a_day") else name
    return (
        f"pack {pack}: {name.replace('_', ' ')} {p.value:.3g}{unit} against {p.median:.3g}{unit} "
        f"(spread {p.spread:.2g}) among {p.peers} peers"
    )


def _visit(
    state: BankState, fleet: Sequence[PackSummary], known: set[tuple[str, str, int | None]], today: str
) -> Visit:
    scored = sorted(((urgency(f, today), _words(f)) for f in state.findings), reverse=True)
    outlying = []
    for pack in state.packs:
        for p in place(pack, fleet, FLOORS):
            if p.z * BAD_SIDE[p.quantity] > RARE_Z:
                outlying.append(p)
                scored.append((min(abs(p.z), 20.0), _place_words(pack.pack, p)))
    quiet = (date.fromisoformat(today) - date.fromisoformat(state.last_day)).days if state.last_day else 0
    silent = quiet if quiet > SILENT_DAYS else 0
    if silent:
        scored.append(
            (20.0 + min(silent, 60), f"silent for {silent} days, last day received {state.last_day}")
        )
    scored.sort(reverse=True)
    return Visit(
        state.bank,
        sum(weight for weight, _ in scored),
        tuple(words for _, words in scored),
        tuple(f for f in state.findings if identity(f) not in known),
        tuple(outlying),
        silent,
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
    fleet = [pack for state in states for pack in state.packs]
    seen = known or {}
    found = [_visit(state, fleet, seen.get(state.bank, set()), today) for state in states]
    return tuple(sorted(found, key=lambda v: (-v.score, v.bank)))
