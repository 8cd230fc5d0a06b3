from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from adapters.base import Subject
from logger.record.store_types import Stamped
from logger.recording.buffer import Buffer, Loss

A = Subject("A")


def reading(number: int, provisional: int | None = None) -> Stamped:
    return Stamped(A, number, {"pack_a": -number, "warnings": 2**32 - 1}, provisional)


def test_what_goes_in_comes_out() -> None:
    buffer = Buffer()
    buffer.put(reading(1))
    buffer.put(reading(2, provisional=3))
    assert buffer.head(10) == [reading(1), reading(2, provisional=3)]
    assert len(buffer) == 2


def test_the_newest_are_kept_and_the_loss_is_told_once() -> None:
    buffer = Buffer(limit=3)
    for number in range(1, 6):
        buffer.put(reading(number))
    assert [one.time_ms for one in buffer.head(9)] == [3, 4, 5]
    assert buffer.take_loss() == Loss(2, 1, 2)
    assert buffer.take_loss() is None
    assert (buffer.offered, buffer.dropped) == (5, 2)


@given(st.lists(st.one_of(st.just("put"), st.just("write"), st.just("late")), max_size=60), st.integers(1, 8))
def test_every_reading_is_stored_once_or_counted_as_lost(steps: list[str], limit: int) -> None:
    buffer, stored, number = Buffer(limit), [], 0
    for step in steps:
        if step == "put":
            number += 1
            buffer.put(reading(number))
            continue
        batch, dropped = buffer.head(5), buffer.dropped
        if step == "late":  # readings that come while the disk is busy
            for _ in range(limit):
                number += 1
                buffer.put(reading(number))
        stored += [one.time_ms for one in batch]
        buffer.done(batch, dropped)
    waiting = [one.time_ms for one in buffer.head(10**6)]
    assert len(set(stored)) == len(stored)
    assert not set(stored) & set(waiting)
    assert sorted(stored) == stored
    assert number - len(set(stored) | set(waiting)) <= buffer.dropped


def test_settling_moves_only_what_was_provisional() -> None:
    buffer = Buffer()
    buffer.put(reading(1, provisional=1))
    buffer.put(reading(2))
    buffer.settle(1000)
    assert [(one.time_ms, one.provisional) for one in buffer.head(9)] == [(1001, None), (2, None)]
