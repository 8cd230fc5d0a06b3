"""Capacity and fade on a made-up pack used from full to empty, whose capacity is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Literal

import numpy as np
import pytest

from analysis.daily.anchors import Anchor
from analysis.day import Mark
from analysis.digest import digest
from analysis.facts import PackFacts, WarrantyTerms
from analysis.finding import Finding
from analysis.frame import F64, Frame
from analysis.history import History, PlacedAnchor
from analysis.packs.capacity import Pair, _runs, alike, capacity, low_soc, present
from analysis.packs.closure import Zero
from analysis.packs.fade import fade
from analysis.packs.fade_line import YEAR_S, fade_line
from analysis.packs.findings_life import beside_cells, fade_findings, gap_findings
from tests.analysis import made
from tests.analysis.holding import holds, number


def used_through(pack: made.Pack, *, down_to: float = 0.012, amps: float = 45.0) -> F64:
    """A day's current: down to almost empty until noon, up to full in a taper after it."""
    n = round(86400 / pack.period_s)
    hour = np.arange(n) * pack.period_s / 3600
    out = (pack.soc - down_to) * pack.rated_ah
    current = np.where(hour < out / amps, -amps, 0.0)
    missing, done = (1.0 - down_to) * pack.rated_ah, 0.0
    for i in np.nonzero(hour > 12)[0]:
        left = missing - done
        rate = 60.0 * min(1.0, left / (0.015 * pack.rated_ah))
        if rate < 1.0:
            break
        current[i] = rate / (1 - pack.loss)
        done += rate * pack.period_s / 3600
    return current


def history_of(days: int, *, rated: float, offset_a: float) -> History:
    pack = made.Pack(rated_ah=rated, soc=0.995, r_ohm=0.3e-3, offset_a=offset_a)
    facts = PackFacts("A", rated_ah=280.0)
    frames: list[Frame] = []
    for k in range(days):
        frame = pack.frame(k, used_through(pack))
        frames.append(made.with_lead(frame, frames[-1]) if frames else frame)
    return History.of(facts, [digest(f, facts) for f in frames])


@pytest.fixture(scope="module")
def through() -> History:
    return history_of(6, rated=268.0, offset_a=0.12)


def test_capacity_is_the_packs_own(through: History) -> None:
    result = capacity(through)
    assert result.usable.value == pytest.approx(268.0, rel=0.015)
    assert holds(result.usable, 268.0)
    assert result.of_rated.value == pytest.approx(268 / 280, rel=0.015)
    assert result.temp_c.value == pytest.approx(15.0)
    assert {p.direction for p in result.pairs} == {"charge", "discharge"}


def test_the_offset_is_taken_out_and_shown(through: History) -> None:
    used = capacity(through).offset_used
    assert used.offset_a == pytest.approx(0.12, abs=0.06)


def test_no_pair_no_capacity() -> None:
    pack = made.Pack()
    facts = PackFacts("A")
    history = History.of(facts, [digest(f, facts) for f in made.frames(pack, 2, depth=0.3)])
    result = capacity(history)
    assert result.usable.value is None
    assert "captest" in result.usable.reason or "never seen full" in result.usable.reason
    assert capacity(History.of(facts, [])).usable.value is None
    assert not fade_findings(history)


def made_pair(day: float, value: float, temp: float = 20.0, direction: str = "discharge") -> Pair:
    start = date(2024, 1, 1)
    return Pair(
        (start + timedelta(days=int(day))).isoformat(), 1.704e9 + day * 86400, direction, 0.97, 0.005,
        0.97 * value, 0.5, 8.0, 3.0, temp, value, value - 5, value + 5,
    )  # fmt: skip


def test_slope_and_temperature_are_told_apart() -> None:
    """Two years at −7 Ah a year and +0.8 Ah/K, 10 to 24 °C with the seasons."""
    rng = np.random.default_rng(5)
    days = np.arange(0, 720, 12.0)
    temps = 17 - 7 * np.cos(2 * np.pi * days / 365)
    found = [
        made_pair(d, 280 - 7 * d / 365.2425 + 0.8 * (t - 17) + rng.normal(0, 1.5), t)
        for d, t in zip(days, temps, strict=True)
    ]
    line = fade_line(found)
    assert line is not None
    assert line.slope == pytest.approx(-7, abs=1.0)
    assert abs(line.slope + 7) < line.q95 * line.u_slope + 0.3
    assert line.kelvin == pytest.approx(0.8, abs=0.2)


def test_interval_of_the_slope_holds_the_truth() -> None:
    held = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        days = np.sort(rng.uniform(0, 400, 40))
        line = fade_line([made_pair(d, 280 - 6 * d / 365.2425 + rng.normal(0, 2)) for d in days])
        assert line is not None
        held += abs(line.slope + 6) < line.q95 * line.u_slope
    assert held >= 54


def test_a_cell_that_ends_the_runs_is_no_loss_by_age() -> None:
    lost = Finding("capacity_fade", "A", None, "2025-10-01", "watch", 0.85, -0.17, -0.19, -0.15, "1",
                   "lost", "test", evidence=("206 Ah from 40 runs.",))  # fmt: skip
    leak = Finding(
        "self_discharge", "A", 4, "2025-10-01", "watch", 0.9, 20.0, 15.0, 25.0, "mA", "leaks", "look"
    )
    (told,) = beside_cells([lost], [leak])
    assert told == replace(leak, evidence=told.evidence)
    assert "cannot be told" in told.evidence[-1]
    noted = replace(leak, severity="note")
    assert beside_cells([lost], [noted]) == [noted, lost]
    assert beside_cells([], [leak]) == [leak]


def test_runs_that_say_something_quite_different_are_left_out() -> None:
    # Six runs near 240 Ah and two in which a loaded cell was taken for empty.
    found = [made_pair(d, c) for d, c in enumerate((241, 239, 166, 240, 242, 194, 238, 240))]
    assert [p.capacity_ah for p in alike(found)] == [241, 239, 240, 242, 238, 240]
    assert alike(found[:3]) == found[:3]


def placed(hour: float, kind: Literal["full", "low"], ah: float, *, min_v: float = 2.79) -> PlacedAnchor:
    mark = Mark(3600 * hour, max(ah, 0.0), max(-ah, 0.0), 0, 0, 3600 * hour)
    quality: Literal["taper", "knee"] = "taper" if kind == "full" else "knee"
    level = 3.47 if kind == "full" else 2.80
    return PlacedAnchor(0, "d", Anchor(kind, mark, quality, level, 3.0, 3.0, min_v, 0.0, 20.0), mark)


def test_what_was_drawn_beyond_the_trip_begins_no_run() -> None:
    # down to the knee, drained further by what the sensor does not see, up again: only the way down counts
    full, knee = placed(0, "full", 0.0), placed(6, "low", -270.0)
    drained, later = placed(16, "low", -271.0, min_v=1.5), placed(20, "low", -270.5, min_v=2.7)
    again, once_more = placed(30, "full", 20.0), placed(36, "low", -250.0)
    assert _runs((full, knee, drained, later, again, once_more)) == [(full, knee), (again, once_more)]
    assert _runs((full, knee, again, once_more)) == [(full, knee), (knee, again), (again, once_more)]


def test_a_cold_run_at_a_heavy_load_says_less() -> None:
    # Slow polarisation: 1.6 % of charge for 1 C at 25 °C, e^(4000 × (1/275.15 − 1/298.15)) = 3.07 at 2 °C.
    warm = Anchor("low", Mark(0.0, 0, 0, 0, 0, 0), "knee", 3.10, 3.1, 3.1, 3.1, -84.0, 25.0)
    soc, unsure = low_soc(warm, 280.0)
    assert soc == pytest.approx(0.060 + 0.016 * 0.3)
    assert unsure == pytest.approx(0.8 * 0.016 * 0.3)
    assert low_soc(replace(warm, temp_c=2.0), 280.0)[1] == pytest.approx(3.07 * unsure, rel=0.01)


def test_a_year_is_needed_for_a_yearly_rate(through: History) -> None:
    known = capacity(through)
    short = [made_pair(d, 280 - 20 * d / 365.2425) for d in range(0, 200, 8)]
    course = fade(through, replace(known, pairs=tuple(short)))
    assert course.per_year.value is None
    assert "12 are needed" in course.per_year.reason
    assert course.change.value == pytest.approx(-20 * 192 / 365.2425 / 280, rel=0.05)
    long = tuple(made_pair(d, 280 - 20 * d / 365.2425) for d in range(0, 500, 8))
    course = fade(through, replace(known, pairs=long))
    assert course.per_year.value == pytest.approx(-20 / 280, rel=0.02)
    assert course.ahead.value is not None
    # no further than what was observed: 496 days on
    assert date.fromisoformat(course.ahead_day) - date.fromisoformat(long[-1].day) <= timedelta(days=497)
    assert number(course.calendar) + number(course.cycle) == pytest.approx(-number(course.change))


def test_the_users_figure_is_compared_in_safe_words(through: History) -> None:
    terms = WarrantyTerms(
        start_day="2024-01-01", years=10, capacity_fraction=0.7, throughput_wh=30e6, cycles=6000
    )
    history = History(replace(through.facts, warranty=terms), through.digests)
    promises = fade(history).promises
    assert len(promises) == 3
    words = " ".join(p.words for p in promises)
    assert "you entered" in words
    assert "a test by the method in your terms decides" in words
    assert not any(bad in words for bad in ("breach", "defective", "proves"))


def test_fast_fade_is_a_finding_and_slow_is_not(through: History) -> None:
    known = capacity(through)
    for per_year, severity in ((4.0, None), (22.0, "watch"), (45.0, "act")):
        pairs = tuple(made_pair(d, 280 - per_year * d / 365.2425) for d in range(0, 500, 8))
        found = fade_findings(through, usable=known, course=fade(through, replace(known, pairs=pairs)))
        assert [f.severity for f in found] == ([] if severity is None else [severity])


def test_gaps(through: History) -> None:
    assert not gap_findings(through)
    holes = History(through.facts, (through.digests[0], *through.digests[4:]))
    (finding,) = gap_findings(holes)
    assert finding.severity == "watch"
    assert finding.value == pytest.approx(72, abs=1)


def test_years_are_years() -> None:
    assert pytest.approx(365.2425) == YEAR_S / 86400


def test_a_capacity_that_falls_fast_is_that_of_the_last_days() -> None:
    # A cell leaks: 2 Ah a day for five weeks. The capacity is what the pack gave at the end, not the mean.
    rng = np.random.default_rng(3)
    zero = Zero(0.0, 0.02, "made")
    falling = present([made_pair(d, 260 - 2.0 * d + rng.normal(0, 1.0)) for d in range(36)], zero)
    assert holds(falling, 190.0)
    assert number(falling) == pytest.approx(190.0, rel=0.01)
    # The same scatter about a level is no trend: all runs speak.
    level = present([made_pair(d, 260 + rng.normal(0, 1.0)) for d in range(36)], zero)
    assert level.n == 36
    assert holds(level, 260.0)


def test_few_runs_that_fall_fast_are_no_mean() -> None:
    # 48 Ah in a month over six runs: the last says 188 Ah, their mean 212
    days = (0.0, 2.0, 2.5, 20.0, 25.0, 31.0)
    rng = np.random.default_rng(5)
    falling = present([made_pair(d, 236 - 48 * d / 31 + rng.normal(0, 1.0)) for d in days], Zero(0, 0.02, ""))
    assert holds(falling, 188.0)
    assert number(falling) == pytest.approx(188.0, rel=0.03)
