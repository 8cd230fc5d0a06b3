"""Digests of many banks on Dask: the digest of a day is the very function the logger uses.

One task is one bank's stretch of days. A worker opens the source by itself and holds a day at a time, so
its memory does not grow with the fleet; only digests travel back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from adapters.errors import ConfigError
from logger.fleet.sources import DayRef, FleetSource, open_source

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.history import Bank

STRETCH = 60
"""Days of one pack in a task: long enough to hide the task's cost, short enough to share the work out. [d]"""


@dataclass(frozen=True, slots=True)
class Task:
    """Days of one pack to digest, in order; `before` is the day whose end leads in."""

    place: str
    bank: str
    pack: str
    days: tuple[DayRef, ...]
    before: DayRef | None


@dataclass(frozen=True, slots=True)
class Made:
    """What a task gives back: digests as `analysis.digest.dumps` made them, by day, and the worker's peak."""

    bank: str
    pack: str
    digests: tuple[tuple[str, tuple[bytes, bytes]], ...]
    peak_mb: float


def _tail(table: pa.Table) -> pa.Table:
    import pyarrow.compute as pc

    from logger.record.sealing import LEAD_MS

    last = table.column("time_ms")[-1].as_py() if table.num_rows else 0
    return table.filter(pc.greater(table["time_ms"], last - LEAD_MS))


def run_task(task: Task) -> Made:
    """Digest the days of one task. Runs in a worker."""
    import resource
    from zoneinfo import ZoneInfo

    from analysis import digest as digests
    from logger.record.days import day_bounds, neighbour
    from logger.record.store_frames import to_frame, to_witness

    source = open_source(task.place)
    facts = source.packs(task.bank)[task.pack]
    witnesses = [r for r in source.days(task.bank) if r.kind == "witness"]
    lead = None if task.before is None else _tail(source.table(task.bank, task.before))
    before = None if task.before is None else task.before.day
    out = []
    for ref in task.days:
        table = source.table(task.bank, ref)
        joined = lead if before == neighbour(ref.day, -1) else None
        frame = to_frame(task.pack, ref.day, day_bounds(ref.day, ZoneInfo(ref.zone)), table, joined)
        seen = [to_witness(w.name, source.table(task.bank, w)) for w in witnesses if w.day == ref.day]
        out.append((ref.day, digests.dumps(digests.digest(frame, facts, seen))))
        lead, before = _tail(table), ref.day
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return Made(task.bank, task.pack, tuple(out), peak)


def tasks(place: str, source: FleetSource, banks: Sequence[str], version: int) -> list[Task]:
    """Return what is to be computed.

    Parameters
    ----------
    place : str
        Folder or URL, for the workers.
    source : FleetSource
    banks : sequence of str
    version : int
        `analysis.digest.VERSION`; digests of it that are there already are left out.
    """
    todo = []
    for bank in banks:
        have = source.have(bank, version)
        by_pack: dict[str, list[DayRef]] = {}
        for ref in source.days(bank):
            if ref.kind == "pack":
                by_pack.setdefault(ref.name, []).append(ref)
        for pack, refs in by_pack.items():
            missing = [(i, r) for i, r in enumerate(refs) if (pack, r.day, r.seq) not in have]
            for start in range(0, len(missing), STRETCH):
                part = missing[start : start + STRETCH]
                first = part[0][0]
                before = refs[first - 1] if first else None
                todo.append(Task(place, bank, pack, tuple(r for _, r in part), before))
    return todo


@contextmanager
def _client(scheduler: str | None, workers: int) -> Iterator[Any]:
    try:
        from distributed import Client, LocalCluster
    except ModuleNotFoundError as error:
        raise ConfigError("the fleet's engine is not installed", "pip install 'bankbook[fleet]'") from error
    if scheduler is not None:
        with Client(scheduler, timeout="10s") as client:
            yield client
        return
    with (
        LocalCluster(
            n_workers=workers, threads_per_worker=1, dashboard_address=None, host="127.0.0.1", memory_limit=0
        ) as cluster,
        Client(cluster) as client,
    ):
        yield client


def compute(
    place: str,
    *,
    banks: Sequence[str] | None = None,
    scheduler: str | None = None,
    workers: int = 2,
    keep: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> list[Made]:
    """Digest every day that has no digest of this code yet.

    Parameters
    ----------
    place : str
        Folder of exported days, or the central database's address.
    banks : sequence of str, optional
        Only these.
    scheduler : str, optional
        Address of a running Dask scheduler; a local cluster if not given.
    workers : int
        Processes of the local cluster.
    keep : bool
        Whether to add what was computed to the source, so that it need not be computed again.
    progress : callable, optional
        Called with (tasks done, tasks).

    Returns
    -------
    list of Made
        What was computed now.

    Raises
    ------
    ConfigError
        If the source is not there, or Dask is not installed.
    """
    from analysis.digest import VERSION

    source = open_source(place)
    todo = tasks(place, source, source.banks() if banks is None else banks, VERSION)
    made: list[Made] = []
    if not todo:
        return made
    with _client(scheduler, workers) as client:
        from distributed import as_completed

        for done, future in enumerate(as_completed(client.map(run_task, todo, pure=False, retries=1)), 1):
            made.append(future.result())
            future.release()
            if keep:
                source.keep(made[-1].bank, made[-1].pack, made[-1].digests)
            if progress is not None:
                progress(done, len(todo))
    return made


def bank_of(source: FleetSource, bank: str, made: Sequence[Made]) -> Bank:
    """Return one bank's histories from the digests the source has and those made now."""
    from analysis import digest as digests
    from analysis.history import Bank, History

    kept = source.kept(bank, digests.VERSION)
    zone = next((r.zone for r in source.days(bank)), "UTC")
    histories = []
    for name, facts in source.packs(bank).items():
        bodies = [body for (pack, _day, _seq), body in kept.items() if pack == name]
        bodies += [body for m in made if (m.bank, m.pack) == (bank, name) for _, body in m.digests]
        histories.append(History.of(facts, [digests.loads(*body) for body in bodies]))
    return Bank(tuple(histories), zone)
