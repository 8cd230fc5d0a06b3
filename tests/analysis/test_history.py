from dataclasses import replace
from typing import TypeAlias

import numpy as np
import pytest

from analysis.digest import digest, dumps, loads
from analysis.frame import F64, Frame
from analysis.history import History
from analysis.packs.throughput import charge_times, depth_histogram, throughput
from analysis.stats.rainflow import closed_cycles, half_cycles
from tests.analysis import made
from tests.analysis.holding import holds, number

Week: TypeAlias = tuple[list[Frame], History]


@pytest.fixture(scope="module")
def week() -> Week:
    """Frames and digests of seven days at half a minute."""
    frames = list(made.frames(made.Pack(period_s=30.0), 7))
    return frames, History.of(made.FACTS, [digest(f, made.FACTS) for f in frames])


def whole_count(frames: list[Frame]) -> F64:
    """The count over the raw data of all days in one."""
    current = np.concatenate([f.pack_a[f.lead :] for f in frames]).astype(float)
    charge = np.concatenate(([0.0], np.cumsum(0.5 * (current[1:] + current[:-1])) * 30.0 / 3600))
    count = closed_cycles(charge)
    return np.sort(np.concatenate([count.ranges, half_cycles(count.residual)[0]]))


def test_rainflow_of_the_days_is_that_of_the_raw_data(week: Week) -> None:
    frames, history = week
    raw = whole_count(frames)
    rated = history.facts.rated_ah
    bins, deepest = depth_histogram(history)
    assert deepest * rated == pytest.approx(raw.max(), rel=1e-4)
    for b in bins[1:]:
        high = np.inf if b.high is None else b.high * rated
        inside = ((raw >= b.low * rated) & (raw < high)).sum()
        assert b.cycles + 0.5 * b.open_halves == pytest.approx(inside)


def test_sums_are_those_of_the_raw_data(week: Week) -> None:
    frames, history = week
    current = np.concatenate([f.pack_a[f.lead :] for f in frames]).astype(float)
    net = np.trapezoid(current) * 30.0 / 3600
    assert history.whole().ah == pytest.approx(net, rel=1e-5)
    assert history.whole().covered_s == pytest.approx(7 * 86400 - 30)


def test_between_adds_up(week: Week) -> None:
    _, history = week
    fulls = history.anchors("full")
    assert len(fulls) == 7
    a, b, c = fulls[0], fulls[3], fulls[6]
    ab = history.between(a.index, a.anchor.mark, b.index, b.anchor.mark)
    bc = history.between(b.index, b.anchor.mark, c.index, c.anchor.mark)
    ac = history.between(a.index, a.anchor.mark, c.index, c.anchor.mark)
    assert ab.ah_in + bc.ah_in == pytest.approx(ac.ah_in)
    assert ab.elapsed_s + bc.elapsed_s == pytest.approx(ac.elapsed_s)
    assert ac.uncovered_s == pytest.approx(0, abs=1)


def test_runs_are_stitched_at_midnight(week: Week) -> None:
    _, history = week
    lasting = [r for r in history.runs if r.kind == "discharge"]
    assert len(lasting) == 8  # seven nights, the first and the last of them cut by the record
    assert all((r.end.time_s - r.start.time_s) / 3600 == pytest.approx(14, abs=0.2) for r in lasting[1:-1])


def test_a_missing_day_is_time_uncovered(week: Week) -> None:
    _, history = week
    holed = History(history.facts, history.digests[:2] + history.digests[3:])
    assert holed.whole().uncovered_s == pytest.approx(86400, abs=60)
    a, b = holed.anchors("full")[1], holed.anchors("full")[2]
    assert holed.between(a.index, a.anchor.mark, b.index, b.anchor.mark).uncovered_s > 86000


def test_order_does_not_matter_and_the_later_of_one_day_counts(week: Week) -> None:
    _, history = week
    late = replace(history.digests[2], n_cells=3)
    again = History.of(history.facts, [*reversed(history.digests), late])
    assert again.days == history.days
    assert again.digests[2].n_cells == 3


def test_window_takes_the_days_asked_for(week: Week) -> None:
    _, history = week
    assert history.window(history.days[2], history.days[4]).days == history.days[2:5]
    assert history.window("2030-01-01").digests == ()


def test_digests_come_back_from_bytes(week: Week) -> None:
    _, history = week
    for kept in history.digests:
        assert loads(*dumps(kept)) == kept
        assert loads(dumps(kept)[0]).runs == ()
    with pytest.raises(ValueError, match="another version"):
        loads(b"[12,null]")


def test_throughput_of_the_week(week: Week) -> None:
    frames, history = week
    result = throughput(history)
    current = np.concatenate([f.pack_a[f.lead :] for f in frames]).astype(float)
    out = np.clip(-current, 0, None).sum() * 30 / 3600
    assert result.ah_out.value == pytest.approx(out, rel=1e-3)
    assert result.efc_dis.value == pytest.approx(out / 280, rel=1e-3)
    assert holds(result.efc_ah, number(result.efc_ah))
    assert result.ah_out.coverage == pytest.approx(1, abs=1e-3)


def test_equivalent_full_cycles_by_definition() -> None:
    # a night from 100 % to 20 % and back is 0.8 of a full cycle, six of them 4.8: trade practice
    current = np.concatenate((np.full(4320, -0.8 * 280 / 12), np.full(4320, 0.8 * 280 / 12)))
    pack = made.Pack(soc=1.0, noise_a=0.0)
    history = History.of(made.FACTS, [digest(pack.frame(i, current), made.FACTS) for i in range(6)])
    result = throughput(history)
    assert result.efc_ah.value == pytest.approx(4.8, rel=2e-3)
    assert result.efc_dis.value == pytest.approx(4.8, rel=2e-3)


def test_state_of_charge_times_from_full(week: Week) -> None:
    _, history = week
    times = charge_times(history)
    assert sum(t.seconds for t in times) == pytest.approx(7 * 86400, rel=1e-3)
    used = [t for t in times if t.seconds > 600]
    assert used[0].low == pytest.approx(0.2, abs=0.03)  # the first night goes from 50 to 20 %


def test_nothing_recorded() -> None:
    empty = History.of(made.FACTS, [])
    assert empty.whole().elapsed_s == 0
    assert empty.anchors() == ()
    assert empty.runs == ()
    assert charge_times(empty) == ()
    result = throughput(empty)
    assert result.ah_in.value is None
    assert result.ah_in.reason


def test_the_recent_past_is_four_hundred_days_of_the_calendar(week: Week) -> None:
    """400 days, the last one included: from 2025-02-01 to 2026-03-07 (counted by hand)."""
    one = week[1].digests[0]
    days = ("2025-01-31", "2025-02-01", "2025-12-24", "2026-03-07")
    history = History.of(week[1].facts, [replace(one, day=day) for day in days])
    assert history.recent.days == days[1:]
    assert history.recent is history.recent
    assert history.recent.recent is history.recent
    assert week[1].recent is week[1]
