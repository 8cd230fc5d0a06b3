from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.estimate import Estimate, unknown
from analysis.report import numbers
from analysis.report.numbers import Units
from analysis.report.value import Numbers, Report, Row, Section


@pytest.mark.parametrize(
    ("half", "places"),
    # JCGM 100:2008 (GUM), 7.2.6: an uncertainty is given to at most two significant digits, the value to
    # the same place. Worked by hand: 0.43 → 0.4, 0.14 → 0.14, 2.5 → 2.5, 3.4 → 3, 12 → 12.
    [
        (0.43, 1),
        (0.14, 2),
        (2.5, 1),
        (3.4, 0),
        (12.0, 0),
        (0.0026, 4),
        (0.0, 1),
        (math.nan, 1),
        (math.inf, 1),
    ],
)
def test_digits_follow_the_interval(half: float, places: int) -> None:
    assert numbers.decimals_for(half) == places


@given(st.floats(1e-4, 10))
def test_the_last_digit_is_never_finer_than_a_tenth_of_the_interval(half: float) -> None:
    step = 10.0 ** -numbers.decimals_for(half)
    assert step >= half / 31  # two digits at most, from 1.0 up to 2.95 of them


def test_fractions_are_shown_in_per_cent_and_watt_hours_in_kilowatt_hours() -> None:
    assert numbers.value_text(Estimate(0.984, "1", 0.979, 0.989)) == "98.4\u202f%"
    assert numbers.value_text(Estimate(65_812.0, "Wh", 64_700.0, 66_900.0)) == "65.8\u202fkWh"
    assert numbers.interval_text(Estimate(65_812.0, "Wh", 64_700.0, 66_900.0)) == "64.7 to 66.9"


def test_celsius_becomes_fahrenheit_only_when_asked() -> None:
    e = Estimate(-40.0, "°C", -41.0, -39.0)  # −40 °C is −40 °F; 1 K is 1.8 °F: by definition
    assert numbers.value_text(e) == "−40.0\u202f°C"
    assert numbers.value_text(e, Units("°F")) == "−40.0\u202f°F"
    assert numbers.interval_text(e, Units("°F")) == "−41.8 to −38.2"


def test_short_times_and_small_voltages_take_the_smaller_unit() -> None:
    assert numbers.value_text(Estimate(0.362, "h", 0.355, 0.369)) == "22\u202fmin"
    assert numbers.value_text(Estimate(7200.0, "s", 7000.0, 7400.0)) == "2.00\u202fh"
    assert numbers.value_text(Estimate(-0.021, "V", -0.024, -0.018)) == "−21\u202fmV"


def test_minus_zero_is_never_written() -> None:
    assert numbers.plain(-0.04, 1) == "0.0"
    assert numbers.plain(-0.06, 1) == "−0.1"


def test_an_unknown_number_shows_its_reason_instead_of_an_interval() -> None:
    e = unknown("Ah", "no run reached the low knee since 2026-01-05")
    assert numbers.value_text(e) == "–"
    assert numbers.interval_text(e) == "no run reached the low knee since 5 Jan 2026"
    assert numbers.say(e) == "not known"


def test_a_counted_number_says_that_it_was_counted() -> None:
    assert numbers.interval_text(Estimate(3.0, "", 3.0, 3.0)) == "counted"


def test_the_basis_tells_when_part_of_the_time_is_missing() -> None:
    assert (
        numbers.basis_text(Estimate(1.0, "Ah", 0.9, 1.1, "7 days", 7, 0.939))
        == "7 days; 93\u202f% of the time recorded"
    )
    assert numbers.basis_text(Estimate(1.0, "Ah", 0.9, 1.1, "7 days", 7, 1.0)) == "7 days"


def _block(*bases: tuple[str, str]) -> Numbers:
    rows = tuple(
        Row(f"k{i}", "x", (Estimate(1, "Ah", 0, 2, a), Estimate(1, "Ah", 0, 2, b)))
        for i, (a, b) in enumerate(bases)
    )
    return Numbers(("A", "B"), rows)


def test_a_basis_that_all_share_is_said_once() -> None:
    assert numbers.bases(_block(("7 days", "7 days"), ("7 days", "7 days"))).block == "7 days"
    one = numbers.bases(_block(("7 days", "7 days"), ("9 runs", "8 runs")))
    assert (one.block, one.rows, one.values) == ("", ("7 days", ""), (("", ""), ("9 runs", "8 runs")))
    columns = numbers.bases(_block(("7 days", "6 days"), ("7 days", "6 days"), ("7 days", "6 days")))
    assert columns.block == "A: 7 days; B: 6 days"


def test_json_holds_every_number_with_everything_that_belongs_to_it() -> None:
    block = Numbers(
        ("A", "B"),
        (Row("in", "Energy", (Estimate(1.0, "Wh", 0.5, 1.5, "7 days", 7, 0.9), unknown("Wh", "why"))),),
    )
    report = Report(
        "week", "t", "s", "site", "UTC", "2026-01-05", "2026-01-11", (Section("energy", "E", (block,)),)
    )
    made = json.loads(json.dumps(numbers.as_json(report), allow_nan=False))
    assert made["numbers"]["energy"]["in"]["A"] == {
        "value": 1.0, "unit": "Wh", "low": 0.5, "high": 1.5, "basis": "7 days", "n": 7, "coverage": 0.9,
        "reason": "",
    }  # fmt: skip
    assert made["numbers"]["energy"]["in"]["B"]["reason"] == "why"


@pytest.mark.parametrize(
    ("area", "gauge"),
    # Areas of ASTM B258 gauges as printed in NEC chapter 9, table 8, in mm² (from memory): 4 AWG 21.15,
    # 2 AWG 33.62, 1/0 53.49, 2/0 67.43, 4/0 107.2.
    [(21.15, "4 AWG"), (33.62, "2 AWG"), (53.49, "1/0 AWG"), (67.43, "2/0 AWG"), (107.2, "4/0 AWG")],
)
def test_wires_are_named_by_gauge_when_asked(area: float, gauge: str) -> None:
    assert numbers.wire_text(area, Units("°C", "AWG")) == gauge
    assert numbers.wire_text(area).endswith("mm²")


def test_a_reason_shared_by_all_packs_is_said_once() -> None:
    same, other = unknown("Ah", "never full"), unknown("Ah", "no cells")
    assert numbers.same_reason((same, same)) == "never full"
    assert numbers.same_reason((same, other)) == ""
    assert numbers.same_reason((same, Estimate(1.0, "Ah"))) == ""


def test_a_block_said_in_words_is_silent_only_while_nothing_in_it_is_known() -> None:
    empty = Numbers(("A",), (Row("k", "Usable", (unknown("Ah", "never full"),)),), said=True)
    assert numbers.is_silent(empty)
    assert not numbers.is_silent(replace(empty, said=False))
    assert not numbers.is_silent(replace(empty, rows=(Row("k", "Usable", (Estimate(1.0, "Ah"),)),)))


def test_no_time_at_all_is_shown_in_minutes_like_its_neighbours() -> None:
    assert numbers.value_text(Estimate(0.0, "h", 0.0, 0.0)) == "0\u202fmin"
