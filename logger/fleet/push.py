"""Send a bank's sealed days, digests, findings and report numbers to the central database.

Each day goes in a transaction of its own, so a cut line costs at most the day in flight; the next push
starts where the centre's chain ends. What the centre already has is never sent, changed or removed.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, Table, func, insert, select

from adapters.errors import StoreDamaged, StoreError
from logger.fleet import address, central, summary
from logger.record import sealing_index
from logger.record.chain import ORIGIN, fingerprint, link
from logger.record.store import Store
from logger.record.store_results import dated
from logger.record.store_types import SealedDay

if TYPE_CHECKING:
    from analysis.finding import Finding
    from analysis.fleet.peers import PackSummary

AT_ONCE = 200
"""Digests in one transaction."""
REPORTS = frozenset(("week", "checkup", "captest"))
"""Reports whose numbers are sent. The commissioning check is no numbers: it names the site and what packs say
they are, and stays at the bank."""


@dataclass(frozen=True, slots=True)
class Pushed:
    """What one push did.

    Attributes
    ----------
    bank : str
        Name the bank has at the centre.
    days, known : int
        Sealed days sent now, and those the centre had before.
    digests, findings, reports : int
        Sent now.
    """

    bank: str
    days: int
    known: int
    digests: int
    findings: int
    reports: int


class Conflict(StoreDamaged):
    """The centre and this record tell two stories of one bank. Nothing is sent."""


def pseudonym(store: Store) -> str:
    """Return a stable name for a bank that says nothing of the site.

    Raises
    ------
    StoreError
        If no day is sealed yet: the name is drawn from the first one.
    """
    with store.reading() as conn:
        first = next(sealing_index.all_sealed(conn), None)
    if first is None:
        raise StoreError(
            "no day is sealed yet, so the bank has no pseudonym", "push after the first midnight"
        )
    return "bank-" + sha256(b"bankbook pseudonym\n" + first.chain.encode()).hexdigest()[:12]


def push(
    store: Store, engine: Engine, bank: str, now_ms: int, progress: Callable[[int, int], None] | None = None
) -> Pushed:
    """Send what the centre does not have.

    Parameters
    ----------
    store : Store
        The record; it may be in use by a logger.
    engine : Engine
        The centre; see `logger.fleet.address.connect`.
    bank : str
        The bank's name there.
    now_ms : int
        The time of this push. [ms UTC]
    progress : callable, optional
        Called with (days done, days to send).

    Raises
    ------
    Conflict
        If the centre's chain of this bank is not the beginning of this record's.
    SourceLost
        If the line is cut; push again, it goes on where it stopped.
    StoreError
        If the centre refuses a day; its words are in the message.
    """
    with address.speaking(engine):
        with engine.connect() as remote:
            central.require(remote, address.place(engine))
            head = _head(remote, bank)
        with store.reading() as conn:
            rows = list(sealing_index.all_sealed(conn))
            packs = {s.name: s.zone for s in rows if s.kind == "pack"}
        known = _agree(rows, head, bank)
        for done, row in enumerate(rows[known:]):
            if progress is not None:
                progress(done, len(rows) - known)
            _send_day(store, engine, bank, row)
        digests = _send_digests(store, engine, bank, packs)
        found, said = _thoughts(store, bank, now_ms)
        with engine.begin() as remote:
            _send_packs(store, remote, bank, packs, now_ms)
            findings = _send_findings(remote, bank, now_ms, found)
            reports = _send_reports(store, remote, bank)
            _send_summary(remote, bank, now_ms, said)
    return Pushed(bank, len(rows) - known, known, digests, findings, reports)


def _head(remote: Connection, bank: str) -> tuple[int, str]:
    d = central.day
    row = remote.execute(
        select(d.c.seq, d.c.chain).where(d.c.bank == bank).order_by(d.c.seq.desc()).limit(1)
    ).first()
    return (0, ORIGIN) if row is None else (int(row.seq), str(row.chain))


def _agree(rows: Sequence[SealedDay], head: tuple[int, str], bank: str) -> int:
    """Return how many days the centre has, after checking that they are the first of ours."""
    seq, theirs = head
    if seq == 0:
        return 0
    if len(rows) < seq:
        raise Conflict(
            f"the centre has {seq} sealed days of {bank!r} ending in {theirs}, "
            f"this record {len(rows)} ending in {rows[-1].chain if rows else ORIGIN}",
            "push from the record that sent them, or under another name with --as",
        )
    ours = rows[seq - 1].chain
    if ours != theirs:
        raise Conflict(
            f"day {seq} of the chain of {bank!r} is {theirs} at the centre and {ours} here",
            "run `bankbook verify` here; push under another name with --as if this is another bank",
        )
    return seq


def _send_day(store: Store, engine: Engine, bank: str, row: SealedDay) -> None:
    with store.reading() as conn:
        blob = sealing_index.sealed_blob(conn, row.seq)
    record = sealing_index.record_of(row)
    if fingerprint(blob) != row.sha256:
        raise StoreDamaged(
            f"{row.name} {row.day} was changed: hash {row.sha256} kept, {fingerprint(blob)} computed",
            "run `bankbook verify`; nothing of it was sent",
        )
    with engine.begin() as remote:
        _seq, before = _head(remote, bank)
        if link(before, record.line()) != row.chain:
            raise Conflict(
                f"chain of {bank!r} breaks at day {row.seq}: {row.chain} here, "
                f"{link(before, record.line())} computed from the centre",
                "run `bankbook verify` here",
            )
        remote.execute(
            insert(central.day).values(
                bank=bank, seq=row.seq, kind=row.kind, name=row.name, day=row.day, revision=row.revision,
                zone=row.zone, row_count=row.row_count, last_ms=row.last_ms, sealed_ms=row.sealed_ms,
                sha256=row.sha256, record=record.line().decode(), chain=row.chain, blob=blob,
            )
        )  # fmt: skip


def _known(remote: Connection, table: Table, bank: str, keys: Sequence[str]) -> set[tuple[Any, ...]]:
    query = select(*(table.c[k] for k in keys)).where(table.c.bank == bank)
    return {tuple(row) for row in remote.execute(query)}


def _send_digests(store: Store, engine: Engine, bank: str, packs: dict[str, str]) -> int:
    """Send the digests kept here; a cut line costs at most `AT_ONCE` of them."""
    with engine.connect() as remote:
        known = _known(remote, central.digest, bank, ("pack", "day", "seq", "version", "facts"))
    rows: list[dict[str, Any]] = []
    with store.reading() as conn:
        for name in packs:
            rows += [
                {"bank": bank, "pack": name}
                | asdict(k)
                | {"core": zlib.compress(k.core, 6), "detail": zlib.compress(k.detail or b"", 6)}
                for k in sealing_index.kept_digests(conn, name, None, None, detail_from="").values()
                if (name, k.day, k.seq, k.version, k.facts) not in known
            ]
    for start in range(0, len(rows), AT_ONCE):
        with engine.begin() as remote:
            remote.execute(insert(central.digest), rows[start : start + AT_ONCE])
    return len(rows)


def _thoughts(store: Store, bank: str, now_ms: int) -> tuple[tuple[Finding, ...], tuple[PackSummary, ...]]:
    """Return what stands now, and the few numbers the desk compares, from the days sent.

    Made here and now: a record that only ever took files has no nightly analysis to rely on.
    """
    from analysis.findings import findings
    from analysis.history import LOOK_BACK_DAYS, Bank, History

    names = [s.name for s in store.subjects() if s.kind == "pack"]
    since = (date.fromtimestamp(now_ms / 1000) - timedelta(days=LOOK_BACK_DAYS)).isoformat()
    packs = tuple(History.of(store.facts(n), store.digests(n, detail_from=since)) for n in names)
    whole = Bank(packs, store.zone.key)
    kept = {(f.pack, f.kind, f.cell): f for f in store.findings()}
    found = tuple(
        dated(f, kept[f.pack, f.kind, f.cell]) if (f.pack, f.kind, f.cell) in kept else f
        for f in findings(whole)
    )
    return found, summary.summarise(bank, whole)


def _send_packs(store: Store, remote: Connection, bank: str, packs: dict[str, str], now_ms: int) -> None:
    p = central.pack
    for name, zone in packs.items():
        facts = json.dumps(asdict(store.facts(name)), sort_keys=True)
        last = remote.execute(
            select(p.c.facts).where(p.c.bank == bank, p.c.name == name).order_by(p.c.sent_ms.desc()).limit(1)
        ).scalar()
        if last != facts:
            row = {"bank": bank, "name": name, "sent_ms": now_ms, "zone": zone, "facts": facts}
            remote.execute(insert(p), [row])


def _send_findings(remote: Connection, bank: str, now_ms: int, found: Sequence[Finding]) -> int:
    f = central.finding
    bodies = [json.dumps(asdict(one), ensure_ascii=False, sort_keys=True) for one in found]
    newest = select(func.max(f.c.sent_ms)).where(f.c.bank == bank).scalar_subquery()
    before = list(
        remote.execute(
            select(f.c.body).where(f.c.bank == bank, f.c.sent_ms == newest).order_by(f.c.number)
        ).scalars()
    )
    now = bodies or ["null"]
    if before == now:
        return 0
    remote.execute(
        insert(f), [{"bank": bank, "sent_ms": now_ms, "number": i, "body": b} for i, b in enumerate(now)]
    )
    return len(bodies)


def _send_reports(store: Store, remote: Connection, bank: str) -> int:
    keys = ("kind", "last_day", "made_ms")
    known = _known(remote, central.report, bank, keys)
    rows = [
        {"bank": bank, "numbers": json.dumps(_under(bank, json.loads(r["numbers"])), ensure_ascii=False)}
        | {k: r[k] for k in ("kind", "first_day", "last_day", "made_ms")}
        for r in store.reports()
        if r["kind"] in REPORTS and tuple(r[k] for k in keys) not in known
    ]
    if rows:
        remote.execute(insert(central.report), rows)
    return len(rows)


def _under(bank: str, value: Any) -> Any:
    """Return a report's JSON with the site under the bank's name at the centre, and no serial numbers."""
    if isinstance(value, dict):
        return {
            k: bank if k == "site" else _under(bank, v) for k, v in value.items() if "serial" not in k.lower()
        }
    return [_under(bank, v) for v in value] if isinstance(value, list) else value


def _send_summary(remote: Connection, bank: str, now_ms: int, packs: Sequence[PackSummary]) -> None:
    """Send the few numbers the desk compares, if they changed."""
    text = summary.dumps(packs)
    r = central.report
    mine = select(r.c.numbers).where(r.c.bank == bank, r.c.kind == summary.KIND)
    if remote.execute(mine.order_by(r.c.made_ms.desc()).limit(1)).scalar() == text:
        return
    day = date.fromtimestamp(now_ms / 1000).isoformat()
    row = {"bank": bank, "kind": summary.KIND, "first_day": day, "last_day": day, "made_ms": now_ms}
    remote.execute(insert(r), [row | {"numbers": text}])
