from __future__ import annotations

import pytest

from analysis.thresholds import DEFAULT, TABLE, Thresholds


def test_every_limit_has_unit_meaning_and_source() -> None:
    assert all(t.unit and t.meaning and t.source for t in TABLE)
    assert len({t.name for t in TABLE}) == len(TABLE)


def test_the_user_may_change_one() -> None:
    mine = Thresholds.of({"leak_watch_ma": 8.0})
    assert mine["leak_watch_ma"] == 8.0
    assert mine["leak_note_ma"] == DEFAULT["leak_note_ma"]


def test_an_unknown_name_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="leek_watch"):
        Thresholds.of({"leek_watch": 1.0})
