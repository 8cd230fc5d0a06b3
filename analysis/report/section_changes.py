"""What changed: this week beside the week before and the first weeks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from analysis.estimate import Estimate, unknown
from analysis.history import Bank
from analysis.packs.cold import Cold, cold
from analysis.packs.efficiency import Efficiency, efficiency
from analysis.packs.throughput import Throughput, throughput
from analysis.report.dates import span_text
from analysis.report.numbers import say
from analysis.report.scope import Scope
from analysis.report.value import Block, Numbers, Row, Section, Statement


@dataclass(frozen=True, slots=True)
class PastPack:
    """One pack in an earlier time."""

    throughput: Throughput
    efficiency: Efficiency
    cold: Cold


@dataclass(frozen=True, slots=True)
class Past:
    """An earlier time to compare with: its days, its name, and what flowed."""

    name: str
    first: str
    last: str
    packs: tuple[PastPack, ...]


def past(bank: Bank, name: str, first: str, last: str) -> Past:
    """Compute what comparison needs of an earlier time; less than the whole health."""
    packs = [h.window(first, last) for h in bank.packs]
    made = tuple(
        PastPack(throughput(h), efficiency(h), cold(h, tuple(o for o in packs if o is not h))) for h in packs
    )
    return Past(name, first, last, made)


@dataclass(frozen=True, slots=True)
class _Quantity:
    key: str
    label: str
    pick: Callable[[PastPack], Estimate]
    per_day: bool = False


_QUANTITIES = (
    _Quantity("in", "Energy put in, each day", lambda p: p.throughput.wh_in, per_day=True),
    _Quantity("out", "Energy taken out, each day", lambda p: p.throughput.wh_out, per_day=True),
    _Quantity("round_trip", "Round-trip efficiency", lambda p: p.efficiency.round_trip),
    _Quantity("heater_on", "Heater on, each day", lambda p: p.cold.on_time),
    _Quantity("below_0", "Below freezing, each day", lambda p: p.cold.below_0, per_day=True),
)


def changes_section(scope: Scope, earlier: tuple[Past, ...], present: Past | None = None) -> Section:
    """The window and earlier times side by side, each pack for itself.

    Parameters
    ----------
    scope : Scope
    earlier : tuple of Past
        Newest first; those without readings are left out.
    present : Past, optional
        What to compare with them; the window itself if not given.
    """
    times = [present or _present(scope), *(p for p in earlier if any(_recorded(x) for x in p.packs))]
    if len(times) == 1:
        words = "There is nothing earlier to compare these days with."
        return Section("changes", "What changed", (Statement(words, "unknown"),))
    spans = "; ".join(f"{_low(t.name)}: {span_text(t.first, t.last)}" for t in times)
    blocks: list[Block] = [Statement(f"Compared are {spans}. Each is computed as in the sections below.")]
    for index, name in enumerate(scope.names):
        blocks.append(Statement(_words(times, index), "plain", f"Pack {name}"))
        blocks.append(_table(times, index, name))
    return Section("changes", "What changed", tuple(blocks))


def _present(scope: Scope) -> Past:
    packs = tuple(PastPack(p.throughput, p.efficiency, p.cold) for p in scope.health.packs)
    return Past("This week", scope.first, scope.last, packs)


def _recorded(pack: PastPack) -> bool:
    return pack.throughput.wh_in.value is not None


def _table(times: list[Past], index: int, name: str) -> Numbers:
    rows = (Row(f"{q.key}.{name}", q.label, tuple(_picked(q, t, index) for t in times)) for q in _QUANTITIES)
    kept = tuple(row for row in rows if any(e.value != 0 for e in row.values))  # no frost, no line about it
    return Numbers(tuple(t.name for t in times), kept, plain=True)


def _picked(q: _Quantity, time: Past, index: int) -> Estimate:
    e = q.pick(time.packs[index])
    if not q.per_day or e.value is None:
        return e
    days = max(e.n, 1)
    low = None if e.low is None else e.low / days
    high = None if e.high is None else e.high / days
    return Estimate(e.value / days, e.unit, low, high, e.basis, e.n, e.coverage, e.reason)


def difference(now: Estimate, then: Estimate) -> Estimate:
    """Now less then; the intervals are joined as if independent.

    Shared errors of one sensor cancel in part, so the interval errs on the wide side.
    """
    if now.value is None or then.value is None:
        return unknown(now.unit, now.reason or then.reason)
    value = now.value - then.value
    if None in (now.low, now.high, then.low, then.high):
        return Estimate(value, now.unit, reason="one of them has no interval")
    up = ((now.high or 0) - now.value) ** 2 + (then.value - (then.low or 0)) ** 2
    down = (now.value - (now.low or 0)) ** 2 + ((then.high or 0) - then.value) ** 2
    return Estimate(
        value, now.unit, value - down**0.5, value + up**0.5, f"{now.basis} less {then.basis}", now.n
    )


def _words(times: list[Past], index: int) -> str:
    """What differs from each earlier time by more than the uncertainty."""
    return " ".join(_against(times[0], then, index) for then in times[1:])


def changed(scope: Scope, earlier: tuple[Past, ...]) -> Statement:
    """What went up and what went down beyond the uncertainty, in one line for the whole bank."""
    now, told = _present(scope), []
    for then in earlier:
        if not any(_recorded(p) for p in then.packs):
            continue
        moved: dict[str, dict[str, list[str]]] = {"up": {}, "down": {}}
        for index, name in enumerate(scope.names):
            for q, d in _moved(now, then, index):
                way = moved["up" if (d.value or 0.0) > 0 else "down"]
                way.setdefault(_called(q), []).append(name)
        ways = [f"{way}: {_whose(what, len(scope.names))}" for way, what in moved.items() if what]
        told.append(f"Against the {_low(then.name)}, {'; '.join(ways) or 'nothing beyond the uncertainty'}.")
    return Statement(" ".join(told) or "There is nothing earlier to compare with.", "plain", "Changed")


def _whose(what: dict[str, list[str]], packs: int) -> str:
    return ", ".join(
        name if len(who) == packs else f"{name} (pack {', '.join(who)})" for name, who in what.items()
    )


def _low(text: str) -> str:
    return text[:1].lower() + text[1:]


def _called(q: _Quantity) -> str:
    return _low(q.label.removesuffix(", each day"))


def _moved(now: Past, then: Past, index: int) -> list[tuple[_Quantity, Estimate]]:
    """Quantities of a pack that differ by more than the uncertainty, with the difference."""
    pairs = [(q, difference(_picked(q, now, index), _picked(q, then, index))) for q in _QUANTITIES]
    return [
        (q, d)
        for q, d in pairs
        if d.value is not None and d.low is not None and d.high is not None and not d.low <= 0 <= d.high
    ]


def _against(now: Past, then: Past, index: int) -> str:
    told = [
        f"{_called(q)}: {say(_size(d))} {'more' if (d.value or 0.0) > 0 else 'less'}"
        f"{' each day' if q.label.endswith('each day') else ''}"
        for q, d in _moved(now, then, index)
    ]
    against = f"the {_low(then.name)}"
    if not told:
        return f"Nothing differs from {against} by more than the uncertainty of the measurement."
    return f"Against {against}, beyond the uncertainty: {'; '.join(told)}."


def _size(e: Estimate) -> Estimate:
    if (e.value or 0) >= 0:
        return e
    low = None if e.high is None else -e.high
    high = None if e.low is None else -e.low
    return Estimate(-(e.value or 0.0), e.unit, low, high)
