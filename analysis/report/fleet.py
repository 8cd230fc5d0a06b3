"""The desk's report: which banks need a visit, in order, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analysis.fleet.peers import ENOUGH
from analysis.fleet.visits import RARE_Z, SILENT_DAYS, BankState, Visit
from analysis.report.value import Block, Report, Section, Statement, Table

FOOTER = (
    "Order by the gravity, certainty and nearness of what was found, then by distance from comparable banks. "
    "Estimates under the recorded conditions; a visit decides."
)


def _plural(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _short(states: Sequence[BankState], listed: Sequence[Visit]) -> tuple[Block, ...]:
    calling = [v for v in listed if v.score > 0]
    act = [v for v in listed if any(r.startswith("act:") for r in v.reasons)]
    silent = [v for v in listed if v.silent_days]
    new = sum(len(v.new) for v in listed)
    out: list[Block] = []
    if not states:
        return (Statement("No bank has sent anything yet.", "unknown"),)
    if act:
        count = _plural(len(act), "bank needs", "banks need")
        out.append(Statement(f"{count} somebody soon; {act[0].bank} first: {act[0].reasons[0]}.", "act"))
    elif calling:
        out.append(
            Statement(f"Nothing is urgent. {calling[0].bank} first: {calling[0].reasons[0]}.", "watch")
        )
    else:
        out.append(Statement("Nothing calls for a visit.", "good"))
    counts = (
        f"{_plural(len(states), 'bank', 'banks')} in all",
        f"{_plural(new, 'finding is', 'findings are')} new since the last report",
        f"{_plural(len(silent), 'bank is', 'banks are')} silent",
    )
    out.append(Statement(", ".join(counts) + "."))
    return tuple(out)


def _list(listed: Sequence[Visit], hrefs: Mapping[str, str]) -> Table:
    rows = []
    links = []
    for order, v in enumerate((v for v in listed if v.score > 0), 1):
        fresh = f" ({_plural(len(v.new), 'finding', 'findings')} new)" if v.new else ""
        more = f"; and {len(v.reasons) - 3} more" if len(v.reasons) > 3 else ""
        rows.append((v.bank, str(order), "; ".join(v.reasons[:3]) + more + fresh))
        links.append(hrefs.get(v.bank, ""))
    return Table(("Bank", "Order", "Why"), tuple(rows), hrefs=tuple(links))


def _new(listed: Sequence[Visit]) -> tuple[Block, ...]:
    rows = tuple(
        (
            v.bank,
            f.severity,
            f.kind.replace("_", " "),
            f"pack {f.pack}" + (f" cell {f.cell}" if f.cell else ""),
            f.began,
        )
        for v in listed
        for f in v.new
    )
    if not rows:
        return (Statement("No finding is new since the last report.", "good"),)
    return (Table(("Bank", "How grave", "What", "Where", "Since"), rows),)


def _silent(states: Sequence[BankState], listed: Sequence[Visit]) -> tuple[Block, ...]:
    last = {s.bank: s.last_day for s in states}
    quiet = sorted((v for v in listed if v.silent_days), key=lambda v: -v.silent_days)
    if not quiet:
        return (Statement(f"Every bank was heard of within the last {SILENT_DAYS} days.", "good"),)
    rows = tuple((v.bank, last[v.bank], f"{v.silent_days} days") for v in quiet)
    return (Table(("Bank", "Last day received", "Silent for"), rows),)


def _peers(states: Sequence[BankState], listed: Sequence[Visit]) -> tuple[Block, ...]:
    rows = [
        (
            v.bank,
            p.quantity.replace("_", " "),
            f"{p.value:.3g}",
            f"{p.median:.3g} ± {p.spread:.2g}",
            f"{p.z:+.1f}",
            str(p.peers),
        )
        for v in listed
        for p in v.outlying
    ]
    about = (
        f"Compared are packs with as many cells and the same rating, and of an age and climate as close as "
        f"{ENOUGH} peers allow. Listed are those more than {RARE_Z:g} robust standard deviations on the "
        "bad side."
    )
    if not rows:
        packs = sum(len(s.packs) for s in states)
        if packs <= ENOUGH:
            return (Statement(f"{about} {packs} packs are too few to compare.", "unknown"),)
        return (Statement(f"{about} None is.", "good"),)
    head = ("Bank", "Quantity, unit last", "Its value", "Peers' median ± spread", "Distance", "Peers")
    return (Statement(about), Table(head, tuple(rows)))


def fleet_report(
    states: Sequence[BankState], listed: Sequence[Visit], today: str, hrefs: Mapping[str, str] | None = None
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

    Returns
    -------
    Report
    """
    first = min((s.last_day for s in states if s.last_day), default=today)
    sections = (
        Section("short", "In short", _short(states, listed)),
        Section("visits", "Where to go, in order", (_list(listed, hrefs or {}),)),
        Section("new", "New since the last report", _new(listed)),
        Section("peers", "Against their peers", _peers(states, listed)),
        Section("silent", "Silent banks", _silent(states, listed)),
    )
    return Report(
        kind="fleet",
        title="The fleet",
        subtitle=f"{_plural(len(states), 'bank', 'banks')}, {today}",
        site="",
        timezone="UTC",
        first=first,
        last=today,
        sections=sections,
        footer=FOOTER,
    )
