"""Digests and findings of many banks on Dask: by the very functions the logger uses.

One task is one bank's stretch of days, or what one bank's digests say. A worker opens the source by itself
and holds a day, or one bank's digests, at a time, so its memory does not grow with the fleet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar

from adapters.errors import BankbookError, ConfigError, SourceLost
from logger.extras import how_to_add
from logger.fleet.sources import DayRef, FleetSource, open_source

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.history import Bank

T = TypeVar("T")
R = TypeVar("R")
Progress = Callable[[int, int], None]

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
    """What a task gives back.

    Attributes
    ----------
    bank, pack : str
    days : int
        How many days were digested.
    digests : tuple of (str, (bytes, bytes))
        By day, as `analysis.digest.dumps` made them; empty once the source keeps them.
    peak_mb : float
        The worker's peak memory. [MB]
    unread : tuple of str
        Days that could not be read, each with the reason; the others are digested all the same.
    """

    bank: str
    pack: str
    days: int
    digests: tuple[tuple[str, tuple[bytes, bytes]], ...]
    peak_mb: float
    unread: tuple[str, ...] = ()


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
    before = None if task.before is None else task.before.day
    lead, _ = (None, "") if task.before is None else _read(source, task.bank, task.before)
    lead = None if lead is None else _tail(lead)
    out, unread = [], []
    for ref in task.days:
        table, why = _read(source, task.bank, ref)
        if table is None:
            unread.append(f"{task.bank} {task.pack} {ref.day}: {why}")
            lead, before = None, ref.day
            continue
        joined = lead if before == neighbour(ref.day, -1) else None
        frame = to_frame(task.pack, ref.day, day_bounds(ref.day, ZoneInfo(ref.zone)), table, joined)
        others = ((w.name, _read(source, task.bank, w)[0]) for w in witnesses if w.day == ref.day)
        seen = [to_witness(name, other) for name, other in others if other is not None]
        out.append((ref.day, digests.dumps(digests.digest(frame, facts, seen))))
        lead, before = _tail(table), ref.day
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return Made(task.bank, task.pack, len(out), tuple(out), peak, tuple(unread))


def _read(source: FleetSource, bank: str, ref: DayRef) -> tuple[pa.Table | None, str]:
    """Return a day, or None and why it cannot be read."""
    import pyarrow as pa

    try:
        return source.table(bank, ref), ""
    except (BankbookError, pa.ArrowException, OSError, ValueError) as error:
        return None, (str(error).splitlines() or [type(error).__name__])[0]


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


class Workers:
    """Dask workers, started when first needed: a local cluster, or those of a running scheduler.

    Parameters
    ----------
    scheduler : str, optional
        Address of a running Dask scheduler; a local cluster if not given.
    workers : int
        Processes of the local cluster.
    timeout_s : float
        How long to wait for the scheduler. [s]
    """

    def __init__(self, scheduler: str | None = None, workers: int = 2, timeout_s: float = 10.0) -> None:
        self._scheduler, self._workers, self._timeout_s = scheduler, workers, timeout_s
        self._open = ExitStack()
        self._client: Any = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.close()

    def map(self, function: Callable[[T], R], todo: Sequence[T]) -> Iterator[R]:
        """Yield the results as they come. A task whose worker dies goes to another one.

        Raises
        ------
        ConfigError
            If Dask is not installed.
        SourceLost
            If no scheduler answers, or workers died under the same task again and again.
        """
        try:
            from distributed import as_completed
            from distributed.scheduler import KilledWorker
        except ModuleNotFoundError as error:
            raise ConfigError("the fleet's engine is not installed", how_to_add("fleet")) from error
        if self._client is None:
            self._client = self._started()
        for future in as_completed(self._client.map(function, todo, pure=False, retries=1)):
            try:
                yield future.result()
            except KilledWorker as error:
                raise SourceLost(
                    "workers died under the same task again and again",
                    "look at the workers' memory and logs; what was computed so far is kept",
                ) from error
            future.release()

    def _started(self) -> Any:
        from distributed import Client, LocalCluster

        if self._scheduler is None:
            local = LocalCluster(
                n_workers=self._workers,
                threads_per_worker=1,
                dashboard_address="127.0.0.1:0",  # any free port: two desks do not warn of each other
                host="127.0.0.1",
                memory_limit=0,
            )
            return self._open.enter_context(Client(self._open.enter_context(local)))
        try:
            return self._open.enter_context(Client(self._scheduler, timeout=self._timeout_s))
        except (OSError, ValueError) as error:
            raise SourceLost(
                f"no Dask scheduler answers at {self._scheduler}: {error}",
                "start one with `dask scheduler`, and workers with `dask worker tcp://…`",
            ) from error


def compute(
    place: str,
    on: Workers,
    *,
    banks: Sequence[str] | None = None,
    keep: bool = False,
    progress: Progress | None = None,
) -> list[Made]:
    """Digest every day that has no digest of this code yet.

    Parameters
    ----------
    place : str
        Folder of exported days, or the central database's address.
    on : Workers
    banks : sequence of str, optional
        Only these.
    keep : bool
        Whether to add what was computed to the source, so that it need not be computed again; where the
        source cannot, the digests come back.
    progress : callable, optional
        Called with (tasks done, tasks).

    Returns
    -------
    list of Made
        What was computed now.

    Raises
    ------
    ConfigError
        If the source is not there.
    """
    from analysis.digest import VERSION

    source = open_source(place)
    todo = tasks(place, source, source.banks() if banks is None else banks, VERSION)
    made: list[Made] = []
    results: Iterable[Made] = on.map(run_task, todo) if todo else ()
    for done, one in enumerate(results, 1):
        kept = keep and bool(one.digests) and source.keep(one.bank, one.pack, one.digests)
        made.append(replace(one, digests=()) if kept else one)
        if progress is not None:
            progress(done, len(todo))
    return made


def bank_of(source: FleetSource, bank: str, made: Sequence[Made]) -> Bank:
    """Return one bank's histories from the digests the source has and those made now."""
    from analysis import digest as digests
    from analysis.history import Bank, History

    days = source.days(bank)
    newest = {(r.name, r.day, r.seq) for r in days if r.kind == "pack"}
    kept = {key: body for key, body in source.kept(bank, digests.VERSION).items() if key in newest}
    zone = next((r.zone for r in days), "UTC")
    histories = []
    for name, facts in source.packs(bank).items():
        bodies = [body for (pack, _day, _seq), body in kept.items() if pack == name]
        bodies += [body for m in made if (m.bank, m.pack) == (bank, name) for _, body in m.digests]
        histories.append(History.of(facts, [digests.loads(*body) for body in bodies]))
    return Bank(tuple(histories), zone)
