from __future__ import annotations

from analysis.facts import PackFacts
from analysis.history import Bank, History
from analysis.once import once

calls: list[tuple[object, ...]] = []


@once
def count(history: History | Bank, others: tuple[History, ...] = (), *, limit: object = 1) -> int:
    calls.append((history, others, limit))
    return len(calls)


def empty(name: str = "A") -> History:
    return History(PackFacts(name), ())


def test_the_same_question_is_computed_once() -> None:
    h = empty()
    assert count(h) == count(h)
    assert count(h, limit=2) == count(h, limit=2) != count(h)


def test_equal_but_different_histories_do_not_share() -> None:
    assert count(empty()) != count(empty())


def test_the_others_belong_to_the_question() -> None:
    h, a, b = empty(), empty("B"), empty("C")
    assert count(h, (a,)) == count(h, (a,))
    assert count(h, (a,)) != count(h, (b,))


def test_a_bank_is_known_by_its_packs() -> None:
    h, g = empty(), empty("B")
    assert count(Bank((h, g))) == count(Bank((h, g)))
    assert count(Bank((h, g))) != count(Bank((g, h)))


def test_what_cannot_be_hashed_is_computed_afresh() -> None:
    h = empty()
    assert count(h, limit=[1]) != count(h, limit=[1])


def test_a_window_that_cuts_nothing_is_the_history_itself() -> None:
    h = empty()
    assert h.window() is h
