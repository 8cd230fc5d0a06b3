"""A Dask scheduler and workers of their own, as on other machines: used, killed, and not there."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from adapters.errors import SourceLost
from analysis import digest as digests
from logger.fleet.compute import Workers, bank_of, compute
from logger.fleet.sources import open_source
from logger.record.export import export_parquet
from logger.record.store import Store
from tests.logger.fleet.centre import make_bank
from tests.orchard import free_port

DASK = (sys.executable, "-m", "dask")


def _until(done: Path, process: subprocess.Popen[bytes]) -> str:
    while not done.exists() or not done.read_text():
        assert process.poll() is None, "the scheduler ended"
        time.sleep(0.05)
    return str(json.loads(done.read_text())["address"])


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and two workers in processes of their own: (address, the workers)."""
    about = tmp_path / "scheduler.json"
    quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    scheduler = subprocess.Popen(
        [
            *DASK,
            "scheduler",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
            "--no-dashboard",
            "--scheduler-file",
            about,
        ],
        **quiet,
    )
    workers: list[subprocess.Popen[bytes]] = []
    try:
        address = _until(about, scheduler)
        command = [*DASK, "worker", address, "--no-nanny", "--nthreads", "1", "--no-dashboard"]
        workers = [subprocess.Popen(command, **quiet) for _ in range(2)]
        yield address, workers
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()


@pytest.fixture
def days(tmp_path: Path) -> Path:
    for name in ("hill", "mill"):
        with Store.open(make_bank(tmp_path / f"{name}.db", days=6, seed=len(name))) as store:
            export_parquet(store, tmp_path / "days", site=name)
    return tmp_path / "days"


def test_a_killed_worker_costs_nothing_but_time(
    cluster: tuple[str, list[subprocess.Popen[bytes]]], days: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    address, workers = cluster
    monkeypatch.setattr("logger.fleet.compute.STRETCH", 1)  # 12 tasks
    killed: list[bool] = []

    def kill(done: int, _of: int) -> None:
        if done == 2 and not killed:
            os.kill(workers[0].pid, signal.SIGKILL)
            killed.append(True)

    with Workers(address) as on:
        made = compute(str(days), on, keep=True, progress=kill)
    assert killed
    assert sum(m.days for m in made) == 12
    source = open_source(str(days))
    with Store.open(days.parent / "hill.db") as store:
        ours = store.digests("A")
    assert list(bank_of(source, "hill", []).packs[0].digests) == ours
    assert len(source.have("mill", digests.VERSION)) == 6


def test_no_scheduler_there(tmp_path: Path) -> None:
    with Store.open(make_bank(tmp_path / "one.db", days=1)) as store:
        export_parquet(store, tmp_path / "days", site="one")
    with (
        Workers(f"tcp://127.0.0.1:{free_port()}", timeout_s=1) as on,
        pytest.raises(SourceLost, match="no Dask scheduler answers"),
    ):
        compute(str(tmp_path / "days"), on)
