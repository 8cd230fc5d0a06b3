"""Findings about sharing between packs, and about leads."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.finding import Finding, Severity
from analysis.history import Bank, History
from analysis.packs.conductor import resistance_ohm
from analysis.packs.sharing import LeadDifference, Share, Sharing, sharing
from analysis.packs.witness import LeadPoint, PackWitness, highest_current, witness
from analysis.stats.change import step_change
from analysis.thresholds import DEFAULT, Thresholds

SHARE_MEANING = (
    "Pack {pack} carries {part:.0f} % of the current where its size calls for {fair:.0f} %. The pack "
    "that carries "
    "more ages faster, and the whole bank can give less before one pack ends it."
)
SHARE_CHECK = (
    "Compare the leads, lugs, fuses and breakers of the packs: equal lengths, equal torque. A "
    "technician measures the "
    "voltage from each pack's terminals to the busbar under load."
)
LEAD_MEANING = (
    "The way from pack {pack} to {to} costs {ohm:.2f} mΩ{more}. At the highest current seen that is "
    "{watts:.0f} W turned into heat, most of it likely in one lug, fuse or breaker."
)
LEAD_CHECK = (
    "Feel nothing: look for discoloured lugs, or use a thermal camera under load. With the bank "
    "switched off a "
    "qualified person checks torque and surfaces of each joint on this way, and measures each drop "
    "under load."
)
MANY_DAYS = 7
BLURRED, BLURRED_OHM = 3.0, 1e-4
"""A week whose interval is wider than this many times the median week's, and than this, is left out. [1], [Ω]
Practice, no source."""


def _severity(size: float, watch: float, act: float) -> Severity:
    return "act" if size >= act else "watch" if size >= watch else "note"


def _off_fair(share: Share) -> tuple[float, float, float]:
    """Recent share over the fair one, less 1, with a 95 % interval: the last 30 days that have one."""
    recent = np.array([part for _, part in share.quick_days[-30:]]) / share.fair - 1
    middle = float(np.median(recent))
    half = 1.96 * 1.2533 * 1.4826 * float(np.median(np.abs(recent - middle))) / math.sqrt(recent.size) + 0.015
    return middle, middle - half, middle + half


def _since(days: Sequence[tuple[str, float]]) -> str:
    """Day of a clear step in a daily series, else its first day."""
    if len(days) < 12:
        return days[0][0]
    values = np.array([v for _, v in days])
    change = step_change(np.arange(values.size, dtype=np.float64), values, edge=5)
    if (
        change is None
        or change.p > 1e-4
        or abs(change.size) < 0.3 * abs(values[-5:].mean() - values[:5].mean())
    ):
        return days[0][0]
    return days[round(change.at)][0]


def _longer_way(pack: str, leads: Sequence[LeadDifference]) -> float:
    """By how much, for certain, the lead of a pack exceeds another's: the currents' split apart. [Ω]"""
    found = [0.0]
    for one in leads:
        gap = one.difference
        if gap.low is not None and gap.high is not None:
            found += [gap.low] if one.first == pack else [-gap.high] if one.second == pack else []
    return max(found)


def sharing_findings(
    bank: Bank, limits: Thresholds = DEFAULT, known: Sharing | None = None
) -> tuple[Finding, ...]:
    """Return the finding about the pack that carries least for its size, if any stands out."""
    shared = sharing(bank) if known is None else known
    rows = [(share, _off_fair(share)) for share in shared.shares if len(share.quick_days) >= MANY_DAYS]
    if not rows:
        return ()
    share, (off, low, high) = min(rows, key=lambda row: row[1][0])
    least = 0.0 if high >= 0 else -high
    if least < limits["sharing_note"]:
        return ()
    severity = _severity(least, limits["sharing_watch"], limits["sharing_act"])
    if severity == "note" and _longer_way(share.pack, shared.leads) >= limits["sharing_lead_ohm"]:
        severity = "watch"
    others = "; ".join(f"{s.pack} {100 * (1 + o[0]) * s.fair:.0f} %" for s, o in rows)
    leads = [
        f"The leads of {d.first} and {d.second} differ by {1e3 * (d.difference.value or 0):+.2f} mΩ "
        f"({1e3 * (d.difference.low or 0):+.2f} to {1e3 * (d.difference.high or 0):+.2f} mΩ)."
        for d in shared.leads
        if d.difference.value is not None
    ]
    return (
        Finding(
            kind="uneven_sharing",
            pack=share.pack,
            cell=None,
            since=_since(share.quick_days),
            severity=severity,
            confidence=0.9,
            value=round((1 + off) * share.fair, 3),
            low=round((1 + low) * share.fair, 3),
            high=round((1 + high) * share.fair, 3),
            unit="1",
            meaning=SHARE_MEANING.format(
                pack=share.pack, part=100 * (1 + off) * share.fair, fair=100 * share.fair
            ),
            check_next=SHARE_CHECK,
            evidence=(
                (
                    f"Of every change of the current in the last {min(len(share.quick_days), 30)} "
                    f"days: {others}."
                ),
                *leads,
            ),
        ),
    )


def _telling(weeks: Sequence[LeadPoint]) -> list[LeadPoint]:
    """Weeks that were measured nearly as well as the median week: an idle week says nothing of a lead."""
    if not weeks:
        return []
    halves = sorted(w.half for w in weeks)
    limit = max(BLURRED * halves[len(halves) // 2], BLURRED_OHM)
    return [w for w in weeks if w.half <= limit]


def _rise(known: Sequence[LeadPoint]) -> tuple[float, float, str] | None:
    """Rise against the first weeks and its half interval [Ω], and since when."""
    weeks = _telling(known)
    if len(weeks) < 6:
        return None
    ohm = np.array([w.ohm for w in weeks])
    recent = ohm[-2:]
    change = step_change(np.arange(ohm.size, dtype=np.float64), ohm, edge=2)
    first, since = max(3, len(weeks) // 6), weeks[0].day
    if change is not None and change.p < 1e-3:
        first = max(round(change.at), 2)
        since = weeks[round(change.at)].day
    noise = max(1.4826 * float(np.median(np.abs(np.diff(ohm)))) / math.sqrt(2), 0.5 * weeks[-1].half)
    early = ohm[: max(first // 3, 1)]
    grew = float(np.median(ohm[:first]) - np.median(early)) > 2 * noise  # it rose from the first weeks on
    base = early if grew else ohm[:first]
    since = weeks[early.size].day if grew else since
    rise = float(np.median(recent) - np.median(base))
    return rise, 1.96 * noise * math.sqrt(1 / base.size + 1 / recent.size), since


def _lead_finding(
    pack: str, to: str, total: float | None, rise: tuple[float, float, str], amps: float, limits: Thresholds
) -> Finding | None:
    size, half, since = rise
    least = size - half
    if least < limits["lead_rise_note_ohm"]:
        return None
    watts = size * amps**2
    severity = _severity(least, limits["lead_rise_watch_ohm"], math.inf)
    if severity == "watch" and watts >= limits["lead_heat_act_w"]:
        severity = "act"
    more = f", {1e3 * size:.2f} mΩ more than it used to"
    return Finding(
        kind="lead_resistance",
        pack=pack,
        cell=None,
        since=since,
        severity=severity,
        confidence=0.9,
        value=round(size, 6),
        low=round(size - half, 6),
        high=round(size + half, 6),
        unit="Ω",
        meaning=LEAD_MEANING.format(pack=pack, to=to, ohm=1e3 * (total or size), more=more, watts=watts),
        check_next=LEAD_CHECK,
        evidence=(
            (
                f"Voltage lost for each ampere rose by {1e3 * size:.2f} mΩ ({1e3 * (size - half):.2f} to "
                f"{1e3 * (size + half):.2f} mΩ) since {since}; highest current seen {amps:.0f} A."
            ),
        ),
    )


def _excess_finding(seen: PackWitness, history: History, limits: Thresholds) -> Finding | None:
    """A path that is far more than its conductor, or far more than the other packs', from the first day."""
    lead = history.facts.lead
    own = seen.own if seen.own.value is not None else seen.path
    if (
        own.low is None
        or own.value is None
        or own.high is None
        or lead.loop_m is None
        or lead.area_mm2 is None
    ):
        return None
    copper = resistance_ohm(lead.loop_m, lead.area_mm2, 40.0)
    excess = (own.low - 2 * copper) * seen.worst_a**2
    if excess < limits["lead_excess_watch_w"]:
        return None
    more = f", where {lead.loop_m:g} m of {lead.area_mm2:g} mm² copper alone would be {1e3 * copper:.2f} mΩ"
    watts = own.value * seen.worst_a**2
    return Finding(
        kind="lead_resistance",
        pack=seen.pack,
        cell=None,
        since=seen.weeks[0].day if seen.weeks else history.days[0],
        severity="watch",
        confidence=0.75,
        value=round(own.value, 6),
        low=round(own.low, 6),
        high=round(own.high, 6),
        unit="Ω",
        meaning=LEAD_MEANING.format(
            pack=seen.pack, to=seen.witness, ohm=1e3 * own.value, more=more, watts=watts
        ),
        check_next=LEAD_CHECK,
        evidence=(f"{1e3 * own.value:.2f} mΩ from {own.basis}; highest current seen {seen.worst_a:.0f} A.",),
    )


def _difference_finding(one: LeadDifference, amps: float, limits: Thresholds) -> Finding | None:
    """Two packs' leads apart, growing or from the first day."""
    rise = _rise(one.weeks)
    if rise is not None:
        pack, to = (one.first, one.second) if rise[0] > 0 else (one.second, one.first)
        grown = _lead_finding(pack, "the busbar", None, (abs(rise[0]), rise[1], rise[2]), amps, limits)
        if grown is not None:
            return grown
    gap = one.difference
    if gap.value is None or gap.low is None or gap.high is None:
        return None
    least = 0.0 if gap.low <= 0 <= gap.high else min(abs(gap.low), abs(gap.high))
    if least < limits["lead_difference_watch_ohm"]:
        return None
    pack, to = (one.first, one.second) if gap.value > 0 else (one.second, one.first)
    size, half = abs(gap.value), 0.5 * (gap.high - gap.low)
    watts = size * amps**2
    more = f" more than that of pack {to}"
    return Finding(
        kind="lead_resistance",
        pack=pack,
        cell=None,
        since=one.weeks[0].day if one.weeks else "",
        severity="act" if watts >= 2 * limits["lead_heat_act_w"] else "watch",
        confidence=0.75,
        value=round(size, 6),
        low=round(size - half, 6),
        high=round(size + half, 6),
        unit="Ω",
        meaning=LEAD_MEANING.format(pack=pack, to="the busbar", ohm=1e3 * size, more=more, watts=watts),
        check_next=LEAD_CHECK,
        evidence=(
            (
                f"{1e3 * size:.2f} mΩ ({1e3 * (size - half):.2f} to {1e3 * (size + half):.2f} mΩ) more "
                f"than pack {to} "
                f"from {gap.basis}."
            ),
        ),
    )


def lead_findings(
    bank: Bank,
    limits: Thresholds = DEFAULT,
    known: Sequence[PackWitness] | None = None,
    shared: Sharing | None = None,
) -> tuple[Finding, ...]:
    """Return the findings about leads and joints, at most one a pack."""
    found: dict[str, Finding] = {}
    by_name = {h.facts.name: h for h in bank.packs}
    amps = {name: highest_current(h.digests) for name, h in by_name.items()}
    shared = sharing(bank) if shared is None else shared
    uneven = {f.pack for f in sharing_findings(bank, limits, shared)}
    for one in shared.leads:
        if uneven & {one.first, one.second}:
            continue  # told as uneven sharing, with the difference of the leads as evidence
        finding = _difference_finding(one, max(amps[one.first], amps[one.second]), limits)
        if finding is not None:
            found.setdefault(finding.pack, finding)
    for seen in witness(bank) if known is None else known:
        rise = _rise(seen.weeks)
        finding = (
            _lead_finding(seen.pack, seen.witness, seen.path.value, rise, seen.worst_a, limits)
            if rise
            else None
        )
        finding = finding or _excess_finding(seen, by_name[seen.pack], limits)
        if finding is not None:
            found.setdefault(finding.pack, finding)
    return tuple(found[name] for name in sorted(found))
