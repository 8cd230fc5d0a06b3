from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.cells.drift import MA_PER_AH_DAY, Drift, Line, _either, fit_cells, interval
from analysis.cells.offsets import GROUPS, OWN, Offsets
from analysis.cells.windows import scatter_by_group

RATED = 280.0
TOP, DOWN = GROUPS.index(("top", 1)), GROUPS.index(("bottom", -1))
CELLS = 8


def table(
    *,
    leak_ah_day: float = 0.0,
    onset: float = 0.0,
    deficit: float = 0.0,
    days: int = 60,
    bleed: float = 0.0,
    censor_ah: float | None = None,
    seed: int = 1,
) -> Offsets:
    """One top and one bottom window a day; cell 0 is the odd one, the others scatter."""
    rng = np.random.default_rng(seed)
    t = np.repeat(np.arange(float(days)), 2)
    group = np.tile([TOP, DOWN], days)
    depth = np.where(group == TOP, 0.0, 0.9)
    sigma = np.where(group == TOP, 0.06, 0.6)[:, None] * np.ones(CELLS)
    dq = sigma * rng.standard_normal((t.size, CELLS))
    dq[:, 0] += leak_ah_day * np.maximum(t - onset, 0.0) + deficit * depth
    taken = np.zeros((t.size, CELLS))
    taken[:, 0] = bleed * t
    dq[:, 0] += taken[:, 0]
    least, most = dq - 2.5 * sigma, dq + 2.5 * sigma
    if censor_ah is not None:
        lost = (group == TOP) & (dq[:, 0] > censor_ah)
        dq[lost, 0] = censor_ah + 2.0
        sigma[lost, 0] = 20.0
        least[lost, 0], most[lost, 0] = censor_ah, np.inf
        keep = group == TOP
        return Offsets(
            t[keep], tuple(f"d{int(x)}" for x in t[keep]), group[keep], depth[keep], dq[keep], sigma[keep],
            least[keep], most[keep], taken[keep],
        )  # fmt: skip
    return Offsets(t, tuple(f"d{int(x)}" for x in t), group, depth, dq, sigma, least, most, taken)


def fit(offsets: Offsets, *, corrected: bool = True) -> Drift:
    found = fit_cells(offsets, [0], scatter_by_group(offsets, RATED), RATED, corrected=corrected)[0]
    assert found is not None
    return found


def test_an_ordinary_cell_neither_drifts_nor_lacks() -> None:
    found = fit(table())
    low, high = interval(found.slope_ah_day, found.n - 4)
    assert low < 0 < high
    assert abs(found.slope_ah_day.value) * MA_PER_AH_DAY < 0.5
    assert abs(found.deficit_ah.value) < 2.0
    assert found.onset_day is None


def test_a_leak_is_its_slope() -> None:
    # 24 mA is 0.576 Ah a day, by hand
    found = fit(table(leak_ah_day=0.576))
    assert found.slope_ah_day.value * MA_PER_AH_DAY == pytest.approx(24.0, rel=0.05)
    assert found.offset_ah.value == pytest.approx(59 * 0.576, rel=0.05)


def test_the_onset_is_found_and_the_slope_is_that_after_it() -> None:
    found = fit(table(leak_ah_day=0.5, onset=35.0, days=80))
    assert found.onset_day is not None
    assert found.onset_low <= 36.0
    assert found.onset_high >= 34.0
    assert found.onset_day == pytest.approx(35.0, abs=4.0)
    assert found.slope_ah_day.value == pytest.approx(0.5, rel=0.1)


def test_a_deficit_shows_at_the_bottom_only() -> None:
    found = fit(table(deficit=14.0))
    assert found.deficit_ah.value == pytest.approx(14.0, abs=2.5)
    assert abs(found.offset_ah.value) < 0.5
    assert abs(found.slope_ah_day.value) * MA_PER_AH_DAY < 1.0


def test_balancing_is_taken_out_of_the_leak_but_not_of_what_shows() -> None:
    offsets = table(leak_ah_day=0.3, bleed=-0.2)
    assert fit(offsets).slope_ah_day.value == pytest.approx(0.3, rel=0.06)
    assert fit(offsets, corrected=False).slope_ah_day.value == pytest.approx(0.1, abs=0.02)


def test_windows_that_only_give_a_lower_limit_do_not_hide_the_cell() -> None:
    # beyond 4 Ah the cell no longer reaches the knee: 8 days show the drift, 40 only that it is behind
    found = fit(table(leak_ah_day=0.5, onset=12.0, censor_ah=4.0))
    assert found.slope_ah_day.value == pytest.approx(0.5, rel=0.25)
    assert found.offset_ah.value > 4.0


def test_too_few_windows_are_no_fit() -> None:
    offsets = table(days=2)
    assert fit_cells(offsets, [0], scatter_by_group(offsets, RATED), RATED) == [None]


def test_intervals_hold_the_truth_nineteen_times_in_twenty() -> None:
    hits = 0
    for seed in range(60):
        found = fit(table(leak_ah_day=0.12, days=40, seed=seed))
        low, high = interval(found.slope_ah_day, found.n - 4)
        hits += low <= 0.12 <= high
    assert hits >= 54  # binomial(60, 0.95) is below 54 once in a hundred


def leaning(*, leak_ah_day: float, by: float, days: int = 90, seconds: float = 6.0) -> Offsets:
    """A leak whose top windows are exact up to 5 Ah, then vague; the bottom shows it too small by a part."""
    offsets = table(leak_ah_day=leak_ah_day, onset=30.0, days=days)
    top = offsets.group == TOP
    true = leak_ah_day * np.maximum(offsets.t_day - 30.0, 0.0)
    offsets.dq_ah[~top, 0] -= by * true[~top]
    lost = top & (true > seconds)
    rng = np.random.default_rng(3)
    offsets.sigma_ah[lost, 0] = rng.uniform(2.0, 20.0, int(lost.sum()))
    offsets.dq_ah[lost, 0] = rng.uniform(2.0, 30.0, int(lost.sum()))
    offsets.least_ah[lost, 0], offsets.most_ah[lost, 0] = 2.0, np.inf
    return offsets


@pytest.mark.parametrize("by", [0.0, 0.1, 0.2])
def test_exact_windows_at_the_top_outweigh_many_that_lean(by: float) -> None:
    # 0.6 Ah a day is 25 mA, by hand; the plateau alone would give as little as four fifths of it
    found = fit(leaning(leak_ah_day=0.6, by=by))
    low, high = interval(found.slope_ah_day, found.n - 4)
    assert low < 0.6 < high
    assert found.slope_ah_day.value == pytest.approx(0.6, rel=0.12)


def test_windows_at_the_end_of_the_search_only_say_at_least() -> None:
    # 1.5 Ah a day for 90 days is 135 Ah; the search ends at 36 % of 280 Ah, 101 Ah, where windows pile up
    offsets = table(leak_ah_day=1.5, days=90)
    offsets.dq_ah[:, 0] = np.minimum(offsets.dq_ah[:, 0], 100.8)
    offsets.least_ah[:, 0] = np.minimum(offsets.least_ah[:, 0], 78.4)
    found = fit(offsets)
    assert found.slope_ah_day.value == pytest.approx(1.5, rel=0.1)
    assert found.offset_ah.value == pytest.approx(133.5, rel=0.15)


def test_an_onset_leaves_the_slope_open_by_what_its_place_does() -> None:
    early = fit(table(leak_ah_day=0.5, onset=35.0, days=60))
    later = fit(table(leak_ah_day=0.5, onset=50.0, days=60))
    assert later.slope_ah_day.sd > early.slope_ah_day.sd


def test_a_leak_that_grew_is_its_present_size_since_its_beginning() -> None:
    # 0.2 Ah a day from day 25, 0.8 Ah a day from day 60 on: 35 × 0.2 + 39 × 0.8 = 38.2 Ah at day 99, by hand
    offsets = table(days=100)
    t = offsets.t_day
    offsets.dq_ah[:, 0] += 0.2 * np.clip(t - 25.0, 0.0, 35.0) + 0.8 * np.maximum(t - 60.0, 0.0)
    found = fit(offsets)
    assert found.slope_ah_day.value == pytest.approx(0.8, rel=0.1)
    assert found.offset_ah.value == pytest.approx(38.2, rel=0.1)
    assert found.onset_day is not None
    assert found.onset_day == pytest.approx(25.0, abs=8.0)


def test_windows_that_slid_back_to_the_others_do_not_halve_a_leak() -> None:
    # every third window off the top shows a third of the offset, as sharp as the right ones
    offsets = table(leak_ah_day=0.5, days=90)
    slid = np.flatnonzero(offsets.group == DOWN)[::3]
    offsets.dq_ah[slid, 0] /= 3.0
    beyond = (offsets.group == TOP) & (offsets.t_day > 8.0)  # 4 Ah behind: out of the knee
    offsets.sigma_ah[beyond, 0] = 28.0
    offsets.least_ah[beyond, 0], offsets.most_ah[beyond, 0] = 3.5, np.inf
    found = fit(offsets)
    low, high = interval(found.slope_ah_day, found.n - 4)
    assert low < 0.5 < high
    assert found.slope_ah_day.value == pytest.approx(0.5, rel=0.12)


def test_a_deficit_is_no_larger_than_the_cells_own_charge_leaves() -> None:
    # the plateau is carried on to 90 Ah; six runs down to its own knee left 30 Ah of the rated charge
    plain = table(deficit=90.0, days=40)
    rows = np.arange(0, 60, 10)
    own = Offsets(
        np.append(plain.t_day, plain.t_day[rows]),
        plain.day + tuple(plain.day[i] for i in rows),
        np.append(plain.group, np.full(rows.size, OWN)),
        np.append(plain.depth, np.ones(rows.size)),
        *(
            np.vstack((values, np.where(np.arange(CELLS) == 0, fill, np.nan)[None].repeat(rows.size, axis=0)))
            for values, fill in (
                (plain.dq_ah, 30.0),
                (plain.sigma_ah, 2.0),
                (plain.least_ah, np.nan),
                (plain.most_ah, np.nan),
                (plain.bleed_ah, 0.0),
            )
        ),
    )
    found = fit(own)
    assert found.deficit_ah.value == pytest.approx(30.0, abs=6.0)
    assert found.deficit_ah.sd > 0.05 * RATED - 0.1  # what the rated charge may be wrong by


@pytest.mark.parametrize("early", [True, False])
def test_lost_lithium_is_told_from_a_small_cell(*, early: bool) -> None:
    # graphite's steps move by all that is lost, wherever they lie (from memory); a small cell's in proportion
    plain = table(days=60)
    rng = np.random.default_rng(7)
    depth = np.where(plain.group == TOP, 0.0, np.tile([0.27, 0.27, 0.75], 40))
    dq = plain.dq_ah.copy()
    dq[:, 0] += np.where(plain.group == TOP, 0.0, 28.0 if early else 28.0 * depth)
    dq[plain.group == DOWN] += rng.normal(0.0, 0.8, (60, CELLS))
    group = np.where(depth == 0.27, GROUPS.index(("middle", -1)), plain.group)
    found = fit(replace(plain, dq_ah=dq, depth=depth, group=group, least_ah=dq - 3.0, most_ah=dq + 3.0))
    low, high = interval(found.deficit_ah, found.n - 4)
    assert low < 28.0 < high
    assert found.deficit_ah.value == pytest.approx(28.0, abs=7.0)


def with_middle(middle_ah: float, bottom_ah: float, *, vague_top: bool = False) -> Offsets:
    """Cell 0 stands level at the top, and tells so much at the plateau's steps and on the way down."""
    plain = table(days=40)
    place = np.arange(plain.t_day.size)
    middle = (plain.group == DOWN) & (place % 4 == 1)
    group = np.where(middle, GROUPS.index(("middle", -1)), plain.group)
    depth = np.where(group == TOP, 0.04, np.where(middle, 0.35, 0.85))
    dq, sigma = plain.dq_ah.copy(), plain.sigma_ah.copy()
    dq[:, 0] += np.where(group == TOP, 0.0, np.where(middle, middle_ah, bottom_ah))
    if vague_top:
        sigma[group == TOP, 0] = 0.9
    return replace(plain, group=group, depth=depth, dq_ah=dq, sigma_ah=sigma)


def test_the_upper_knee_shows_nothing_of_lost_lithium_however_vague() -> None:
    # the charge ends where the cathode is empty: such cells meet there, as 4 % below it
    found = fit(with_middle(18.0, 18.0, vague_top=True))
    low, high = interval(found.deficit_ah, found.n - 4)
    assert low < 18.0 < high
    assert found.deficit_ah.value == pytest.approx(18.0, rel=0.1)


def test_kinds_of_window_that_contradict_each_other_leave_a_deficit_open() -> None:
    agreed, apart = fit(with_middle(10.0, 10.0)), fit(with_middle(13.0, -2.0))
    low, high = interval(apart.deficit_ah, apart.n - 4)
    assert low < -2.0
    assert high > 13.0
    assert apart.deficit_ah.sd > 2.5 * agreed.deficit_ah.sd


def test_a_plateau_alone_does_not_tell_a_small_cell_from_one_of_other_graphite() -> None:
    # two graphites set the steps of one pack's cells 4.6 % of the rated charge apart (simulated), sizes alike
    both = with_middle(0.046 * RATED, 0.046 * RATED)
    rows = np.flatnonzero(both.group != DOWN)
    plateau = replace(
        both,
        **{k: getattr(both, k)[rows] for k in ("t_day", "group", "depth", "dq_ah", "sigma_ah", "least_ah")},
        most_ah=both.most_ah[rows],
        bleed_ah=both.bleed_ah[rows],
        day=tuple(both.day[i] for i in rows),
    )
    alone, told = fit(plateau), fit(both)
    low, _ = interval(Line(alone.deficit_ah.value, math.hypot(alone.deficit_ah.sd, alone.unlike_ah)), 60)
    assert low < 0.2 * 0.046 * RATED
    assert told.unlike_ah == 0.0
    assert interval(told.deficit_ah, 60)[0] > 0.5 * 0.046 * RATED  # the way down tells


def test_a_change_of_a_drift_does_not_pose_as_the_shape_of_a_deficit() -> None:
    even = fit(table(deficit=14.0))
    other = replace(even, deficit_ah=Line(5.0, even.deficit_ah.sd), onset_loss=even.onset_loss - 40.0)
    assert _either(even, other).deficit_ah.value == 5.0
    bent = replace(other, onset_day=10.0, bend_day=25.0)  # fits better by its change alone
    assert _either(even, bent).deficit_ah.value == even.deficit_ah.value
    assert _either(even, bent).onset_day is None


def grown(leak_ah_day: float, *, begin: float, days: int) -> Offsets:
    """A drift that grows evenly from nothing on day `begin` to so much on the last one."""
    offsets = table(days=days)
    since = np.maximum(offsets.t_day - begin, 0.0)
    more = np.zeros_like(offsets.dq_ah)
    more[:, 0] = leak_ah_day * since**2 / (2 * (days - 1 - begin))
    return replace(
        offsets,
        dq_ah=offsets.dq_ah + more,
        least_ah=offsets.least_ah + more,
        most_ah=offsets.most_ah + more,
    )


def test_a_leak_that_grows_is_told_as_it_is_now() -> None:
    # 1.44 Ah a day are 60 mA; in the mean it was 30 mA
    found = fit(grown(1.44, begin=5.0, days=65))
    assert found.ramp
    assert found.slope_ah_day.value * MA_PER_AH_DAY == pytest.approx(60.0, rel=0.1)
    assert found.offset_ah.value == pytest.approx(1.44 * 59 / 2, rel=0.05)


def test_a_steady_leak_is_not_said_to_grow() -> None:
    found = fit(table(leak_ah_day=0.8, onset=20.0, days=80))
    assert not found.ramp
    assert found.slope_ah_day.value == pytest.approx(0.8, rel=0.08)


def test_a_leak_after_a_long_calm_began_when_it_began() -> None:
    # 22 mA for the last 60 of 200 days, beside a whisper of balancing all along
    offsets = table(leak_ah_day=0.53, onset=140.0, days=200)
    found = fit(offsets)
    assert found.onset_day is not None
    assert found.onset_day == pytest.approx(140.0, abs=8.0)


def test_a_leak_that_grew_to_its_size_may_have_begun_before_it_shows() -> None:
    # grows evenly over days 10 to 30 and stays: by hand, the offset follows the integral of the leak
    offsets = table(days=70)
    t = offsets.t_day
    growing = np.clip(t - 10.0, 0.0, 20.0)
    dq = offsets.dq_ah.copy()
    dq[:, 0] += 1.0 * (growing**2 / 40.0 + np.maximum(t - 30.0, 0.0))
    slow = fit(replace(offsets, dq_ah=dq, least_ah=dq - 1.0, most_ah=dq + 1.0))
    assert slow.onset_day is not None
    assert slow.onset_low <= 10.5
    assert slow.slope_ah_day.value == pytest.approx(1.0, rel=0.15)
    at_once = fit(table(leak_ah_day=1.0, onset=20.0, days=70))
    assert at_once.onset_low <= 20.0 <= at_once.onset_high + 0.5
    assert at_once.onset_low > 12.0
