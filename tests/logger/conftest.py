"""An empty record, a small disk, and clocks that stand until a test moves them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.facts import PackFacts
from logger.record.store import Store
from tests.logger.made import VIENNA, FakeTime
from tests.logger.small_disk import mounted


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """Where a test's record may stand."""
    return tmp_path / "bank.db"


@pytest.fixture
def store(record: Path) -> Iterator[Store]:
    """Return an open, empty record of Vienna with packs A and B."""
    opened = Store.open(record, write=True, timezone=VIENNA)
    opened.ensure_pack("A", PackFacts("A", n_cells=4))
    opened.ensure_pack("B", PackFacts("B", n_cells=4))
    yield opened
    opened.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A filesystem of one MiB of its own."""
    with mounted(tmp_path / "disk") as place:
        yield place


@pytest.fixture
def clocks() -> FakeTime:
    """Clocks that stand until moved."""
    return FakeTime()
