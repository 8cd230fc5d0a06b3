"""The desk's report: which banks need a visit, in order, why, and what to take along."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from analysis.fleet import kit
from analysis.fleet.peers import ENOUGH, Place
from analysis.fleet.visits import RARE_Z, SILENT_DAYS, BankState, Reason, Visit
from analysis.report import words
from analysis.report.dates import humane, long_day
from analysis.report.value import Block, Report, Section, Statement, Table, Tone

FOOTER = (
    "Order by the gravity, certainty and nearness of what was found, then by distance from comparable banks. "
    "Estimates under the recorded conditions; a visit decides."
)
SHOWN = 3
"""Reasons told of one bank, notes only where there is nothing else; its own page tells all."""
LOAD = 5
"""Banks whose things are put on one list for the van."""

# What a compared quantity is called, its unit as shown, the factor to it, and decimals.
_QUANTITIES: Mapping[str, tuple[str, str, float, int]] = {
    "round_trip_efficiency_1": ("round-trip efficiency", "\u202f%", 100.0, 1),
    "capacity_share_1": ("usable capacity", "\u202f% of the rating", 100.0, 0),
    "heater_wh_a_day": ("heating", "\u202fWh a day", 1.0, 0),
    "worst_leak_ma": ("strongest leak of a cell", "\u202fmA", 1.0, 1),
    "worst_resistance_share_1": ("resistance of the worst cell above the others", "\u202f%", 100.0, 0),
}


def _plural(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _amount(quantity: str, value: float) -> str:
    _name, unit, factor, decimals = _QUANTITIES[quantity]
    return f"{value * factor:.{decimals}f}".replace("-", "\u2212") + unit


def _place_text(pack: str, p: Place) -> str:
    return (
        f"pack {pack} against {p.peers} comparable packs: {_QUANTITIES[p.quantity][0]} "
        f"{_amount(p.quantity, p.value)}, theirs {_amount(p.quantity, p.median)}"
    )


def reason_text(reason: Reason) -> str:
    """Put one reason into words, without a full stop."""
    if reason.place is not None:
        return _place_text(reason.pack, reason.place)
    if reason.finding is None:
        return f"nothing received for {reason.silent_days} days"
    f = reason.finding
    sign, grave = words.SEVERITY_WORDS[f.severity]
    text = f"{sign} {grave}: {words.headline(f)}, since {words.begin_text(f)}, {words.sureness(f.confidence)}"
    if f.forecast is not None and f.forecast.day is not None:
        text += f"; {f.forecast.what} about {long_day(f.forecast.day)}"
    return text


def _to_do(visit: Visit) -> str:
    """What to do about the weightiest reason."""
    first = visit.reasons[0]
    if first.finding is not None:
        return humane(first.finding.check_next)
    if first.place is not None:
        return (
            "Nothing was found wrong; read its own report beside that of a peer, and ask what is different."
        )
    return "Ring up: is the network there, does the logger have power? Then look on site."


def to_bring(visit: Visit) -> tuple[str, ...]:
    """What to take along, beside what is needed at every bank; each thing once."""
    things: dict[str, None] = {}
    for reason in visit.reasons:
        if reason.finding is not None and reason.finding.severity != "note":
            things.update(dict.fromkeys(kit.KIT[reason.finding.kind]))
        elif reason.silent_days:
            things.update(dict.fromkeys(kit.SILENT))
    return tuple(things)


def _short(states: Sequence[BankState], listed: Sequence[Visit], before: str) -> tuple[Block, ...]:
    if not states:
        return (Statement("No bank has sent anything yet.", "unknown"),)
    calling = [v for v in listed if v.calls]
    urgent = [v for v in calling if v.urgent]
    silent = [v for v in listed if v.silent_days]
    new = sum(len(v.new) for v in listed)
    out: list[Block] = []
    if calling:
        count = _plural(len(calling), "bank needs", "banks need")
        soon = f", {len(urgent)} of them soon" if urgent else "; nothing is urgent"
        tone: Tone = "act" if urgent else "watch"
        first = calling[0]
        why = humane(reason_text(first.reasons[0]))
        out.append(Statement(f"{count} a visit{soon}. First {first.bank}. {why}.", tone))
    else:
        out.append(Statement("Nothing calls for a visit.", "good"))
    counts = (
        _plural(len(states), "bank in all", "banks in all"),
        _plural(new, "finding is new", "findings are new")
        + (f" since {long_day(before)}" if before else ", as this is the first report"),
        _plural(len(silent), "bank is silent", "banks are silent"),
    )
    out.append(Statement(", ".join(counts) + "."))
    return tuple(out)


def _visits(listed: Sequence[Visit], hrefs: Mapping[str, str]) -> tuple[Block, ...]:
    calling = [v for v in listed if v.calls]
    if not calling:
        return (Statement("No bank.", "good"),)
    rows, links = [], []
    for order, v in enumerate(calling, 1):
        grave = [r for r in v.reasons if r.finding is None or r.finding.severity != "note"]
        shown = (grave or list(v.reasons))[:SHOWN]
        why = [humane(reason_text(r)) for r in shown]
        if len(v.reasons) > len(shown):
            why.append(
                f"and {len(v.reasons) - len(shown)} more" + (" on its own page" if v.bank in hrefs else "")
            )
        fresh = f" {_plural(len(v.new), 'finding is', 'findings are')} new." if v.new else ""
        rows.append((f"{order}. {v.bank}", ". ".join(_capital(w) for w in why) + "." + fresh, _to_do(v),
                     _capital("; ".join(to_bring(v))) or "\u2013"))  # fmt: skip
        links.append(hrefs.get(v.bank, ""))
    load = dict.fromkeys(thing for v in calling[:LOAD] for thing in to_bring(v))
    who = "the first bank" if len(calling) == 1 else f"the first {min(LOAD, len(calling))} banks"
    return (
        Table(("Bank", "Why", "What to do", "Bring"), tuple(rows), hrefs=tuple(links)),
        Statement(f"To load for {who}, beside {kit.ALWAYS}: {'; '.join(load) or 'nothing'}.", "plain"),
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _later(listed: Sequence[Visit], hrefs: Mapping[str, str]) -> tuple[Block, ...]:
    waiting = [v for v in listed if v.score > 0 and not v.calls]
    if not waiting:
        return (Statement("Nothing.", "good"),)
    rows = [(v.bank, _capital(humane(reason_text(v.reasons[0]))) + ".") for v in waiting]
    return (Table(("Bank", "What"), tuple(rows), hrefs=tuple(hrefs.get(v.bank, "") for v in waiting)),)


def _new(listed: Sequence[Visit], before: str) -> tuple[Block, ...]:
    rows = tuple(
        (v.bank, words.SEVERITY_WORDS[f.severity][1], words.headline(f), words.begin_text(f))
        for v in listed
        for f in v.new
    )
    if not rows:
        return (Statement("No finding is new.", "good"),)
    since = (
        f"Not in the report of {long_day(before)}." if before else "This is the first report: all are new."
    )
    return (Statement(since), Table(("Bank", "How grave", "What", "Since"), rows))


def _silent(states: Sequence[BankState], listed: Sequence[Visit]) -> tuple[Block, ...]:
    last = {s.bank: s.last_day for s in states}
    quiet = sorted((v for v in listed if v.silent_days), key=lambda v: -v.silent_days)
    if not quiet:
        return (Statement(f"Every bank was heard of within the last {SILENT_DAYS} days.", "good"),)
    rows = tuple((v.bank, long_day(last[v.bank]), f"{v.silent_days} days") for v in quiet)
    return (Table(("Bank", "Last day received", "Silent for"), rows),)


def _peers(states: Sequence[BankState], listed: Sequence[Visit]) -> tuple[Block, ...]:
    rows = [
        (
            v.bank,
            _capital(_QUANTITIES[r.place.quantity][0]) + f", pack {r.pack}",
            _amount(r.place.quantity, r.place.value),
            _amount(r.place.quantity, r.place.median),
            f"{abs(r.place.z):.0f} times the usual spread",
            str(r.place.peers),
        )
        for v in listed
        for r in v.reasons
        if r.place is not None
    ]
    about = (
        f"Compared are packs with as many cells and the same rating, of an age and climate as close as "
        f"{ENOUGH} peers allow. Listed are those worse than the middle of their peers by more than "
        f"{RARE_Z:g} times the usual spread (robust standard deviation)."
    )
    if not rows:
        packs = sum(len(s.packs) for s in states)
        if packs <= ENOUGH:
            return (Statement(f"{about} {packs} packs are too few to compare.", "unknown"),)
        return (Statement(f"{about} None is.", "good"),)
    head = ("Bank", "Quantity", "Its own", "Middle of the peers", "Distance", "Peers")
    return (Statement(about), Table(head, tuple(rows)))


def fleet_report(
    states: Sequence[BankState],
    listed: Sequence[Visit],
    today: str,
    hrefs: Mapping[str, str] | None = None,
    before: str = "",
) -> Report:
    """Compose the desk's report.

    Parameters
    ----------
    states : sequence of BankState
    listed : sequence of Visit
        As `analysis.fleet.visits.visits` ordered them.
    today : str
        Date of the report.
    hrefs : mapping of str to str, optional
        Where a bank's own report lies, relative to this one.
    before : str
        Date of the report before this one; "" if there was none.

    Returns
    -------
    Report
    """
    first = min((s.last_day for s in states if s.last_day), default=today)
    sections = (
        Section("short", "In short", _short(states, listed, before)),
        Section("visits", "Where to go, in order", _visits(listed, hrefs or {})),
        Section("new", "New findings", _new(listed, before)),
        Section("silent", "Silent banks", _silent(states, listed)),
        Section("peers", "Against their peers", _peers(states, listed)),
        Section("later", "Can wait until somebody is near", _later(listed, hrefs or {})),
    )
    return Report(
        kind="fleet",
        title="Where to go",
        subtitle=f"{_plural(len(states), 'bank', 'banks')}, {long_day(today)}",
        site="Fleet desk",
        timezone="each bank's own",
        first=first,
        last=today,
        sections=sections,
        footer=FOOTER,
    )


def fleet_json(
    states: Sequence[BankState], listed: Sequence[Visit], today: str, hrefs: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """Return everything the report is made of, ready for `json.dumps`; parameters as `fleet_report`."""
    by_bank = {s.bank: s for s in states}
    return {
        "kind": "fleet",
        "day": today,
        "banks": [
            {
                "bank": v.bank,
                "order": order,
                "calls": v.calls,
                "urgent": v.urgent,
                "score": round(v.score, 1),
                "reasons": [reason_text(r) for r in v.reasons],
                "bring": list(to_bring(v)),
                "silent_days": v.silent_days,
                "last_day": by_bank[v.bank].last_day,
                "findings": [asdict(f) | {"new": f in v.new} for f in by_bank[v.bank].findings],
                "outlying": [asdict(p) for p in v.outlying],
                "packs": [asdict(p) for p in by_bank[v.bank].packs],
                "own_report": (hrefs or {}).get(v.bank),
            }
            for order, v in enumerate(listed, 1)
        ],
    }
