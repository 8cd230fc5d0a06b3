import numpy as np
import pytest

from analysis.daily.hygiene import clean
from analysis.daily.runs import Run, observe_runs, rest_current, stitched
from analysis.frame import F64
from tests.analysis import made


def runs_of(current: F64) -> tuple[Run, ...]:
    return observe_runs(clean(made.Pack().frame(0, current), made.FACTS))


def hours(*parts: tuple[float, float]) -> F64:
    """A day from (hours, current) pieces, every 10 s."""
    return np.concatenate([np.full(round(h * 360), float(a)) for h, a in parts])


def test_a_day_in_three_runs() -> None:
    runs = runs_of(hours((8, -10), (6, 20), (10, 0)))
    assert [r.kind for r in runs] == ["discharge", "charge", "rest"]
    assert runs[0].open_start
    assert not runs[0].open_end
    assert runs[2].open_end
    assert runs[1].end.ah - runs[1].start.ah == pytest.approx(120, abs=0.5)  # 6 h × 20 A: hand calculation
    assert runs[1].mean_a == pytest.approx(20, abs=0.05)


def test_a_short_break_belongs_to_the_run_around_it() -> None:
    assert [r.kind for r in runs_of(hours((5, 20), (0.05, 0), (18.95, 20)))] == ["charge"]


def test_a_gap_opens_both_ends() -> None:
    pack = made.Pack()
    frame = pack.frame(0, hours((24, 10)))
    keep = np.ones(8640, dtype=bool)
    keep[3000:4000] = False
    cut = frame.only(keep)
    runs = observe_runs(clean(cut, made.FACTS))
    assert [(r.kind, r.open_start, r.open_end) for r in runs] == [
        ("charge", True, True),
        ("charge", True, True),
    ]


@pytest.mark.parametrize("n", [0, 1])
def test_too_little_for_a_run(n: int) -> None:
    assert runs_of(np.zeros(n)) == ()


def test_stitched_runs_from_the_first_start_to_the_second_end() -> None:
    a, b = runs_of(hours((12, 20), (12, -10)))
    joined = stitched(a, b)
    assert (joined.start, joined.end) == (a.start, b.end)
    assert joined.mean_a == pytest.approx(5, abs=0.1)


def test_the_rest_current_follows_the_capacity() -> None:
    assert rest_current(280.0) == pytest.approx(1.4)
    assert rest_current(20.0) == pytest.approx(0.3)
