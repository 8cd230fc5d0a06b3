"""Laws of the latch; nothing outside to compare with, so the expected values are counted by hand."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from logger.alerts.latch import Latch


def test_goes_up_after_the_hold_and_not_before() -> None:
    latch = Latch(hold_s=5, release_s=10)
    assert latch.update(100.0, over=True, clear=False) is None
    assert latch.update(104.9, over=True, clear=False) is None
    assert latch.update(105.0, over=True, clear=False) == "raised"
    assert latch.up


def test_a_dip_restarts_the_hold() -> None:
    latch = Latch(hold_s=5, release_s=10)
    latch.update(0.0, over=True, clear=False)
    latch.update(4.0, over=False, clear=False)
    assert latch.update(6.0, over=True, clear=False) is None
    assert latch.update(11.0, over=True, clear=False) == "raised"


def test_between_the_thresholds_it_stays_up() -> None:
    latch = Latch(hold_s=0, release_s=10)
    assert latch.update(0.0, over=True, clear=False) == "raised"
    for second in range(1, 100):
        assert latch.update(float(second), over=False, clear=False) is None
    assert latch.up
    assert latch.update(100.0, over=False, clear=True) is None
    assert latch.update(110.0, over=False, clear=True) == "cleared"
    assert not latch.up


def test_a_clock_that_steps_back_restarts_the_hold() -> None:
    latch = Latch(hold_s=5, release_s=5)
    latch.update(1000.0, over=True, clear=False)
    assert latch.update(10.0, over=True, clear=False) is None
    assert latch.update(15.0, over=True, clear=False) == "raised"


@given(st.lists(st.tuples(st.floats(0, 20), st.sampled_from(["over", "clear", "between"])), max_size=80))
def test_raised_and_cleared_alternate(steps: list[tuple[float, str]]) -> None:
    latch, now, seen = Latch(hold_s=3, release_s=7), 0.0, []
    for wait, what in steps:
        now += wait
        change = latch.update(now, over=what == "over", clear=what == "clear")
        if change:
            seen.append(change)
    assert seen == ["raised" if i % 2 == 0 else "cleared" for i in range(len(seen))]
