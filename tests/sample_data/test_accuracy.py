import datetime as dt
from dataclasses import dataclass, replace

import pytest

from sample_data.accuracy import Review, is_false, judge
from sample_data.accuracy_table import confusion, summary, table
from sample_data.bank import Fault, with_faults
from sample_data.faults import Case
from sample_data.history import DayTruth, PackTruth, TripTruth
from sample_data.orchard import ORCHARD

LEAK = Fault("self_discharge", "B", 11, 0.022, onset_day=5)
FIRST = dt.date(2025, 11, 1)
CASE = Case("leak", with_faults(ORCHARD, LEAK), FIRST, 40)


@dataclass(frozen=True)
class Expected:
    day: str | None
    earliest: str | None
    latest: str | None


@dataclass(frozen=True)
class Said:
    kind: str
    pack: str
    cell: int | None
    severity: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = "mA"
    confidence: float = 0.9
    forecast: Expected | None = None


ZEROS = (0.0,) * 16
LEAKS = tuple(0.024 if i == 10 else 0.002 for i in range(16))
PACK = PackTruth((283.0,) * 16, LEAKS, ZEROS, ZEROS, *([0.0] * 11))
TRUTH = DayTruth({"A": PACK, "B": PACK}, (), 0.0, 0.0, full=True)


def day(number: int) -> dt.date:
    return FIRST + dt.timedelta(days=number)


def test_found_with_cause_size_and_lead() -> None:
    soon = Expected("2025-12-08", "2025-12-01", "2025-12-20")
    hit = Said("self_discharge", "B", 11, "watch", 21.0, 18.0, 24.0, forecast=soon)
    trips = [TripTruth(dt.datetime(2025, 12, 10, 6, tzinfo=dt.UTC).timestamp(), "B", 11, "low")]
    verdict = judge(
        CASE,
        LEAK,
        [Review(day(7), (), TRUTH), Review(day(14), (hit,), TRUTH), Review(day(39), (), TRUTH)],
        trips,
    )
    assert verdict.found == day(14)
    assert (verdict.delay_d, verdict.lead_d) == (9, 25)
    assert verdict.right
    assert verdict.covered
    assert verdict.truth == pytest.approx(22.0)
    assert verdict.forecast
    assert verdict.false == ()
    assert "1 of 1" in summary([verdict])
    assert "self_discharge" in confusion([verdict])
    assert "leak" in table([verdict])


def test_a_wrong_cause_at_the_right_cell_is_found_but_not_right() -> None:
    wrong = Said("low_capacity", "B", 11, "act", 10, 8, 12, "Ah")
    verdict = judge(CASE, LEAK, [Review(day(39), (wrong,), TRUTH)], [])
    assert verdict.found
    assert not verdict.right
    assert verdict.covered is None


def test_what_is_false_and_what_follows_from_the_fault() -> None:
    assert is_false(CASE, Said("self_discharge", "A", 3, "watch"))
    assert is_false(CASE, Said("heater_fault", "B", None, "act"))
    assert not is_false(CASE, Said("self_discharge", "A", 3, "note"))
    assert not is_false(CASE, Said("balancing_behind", "B", None, "watch"))
    assert not is_false(CASE, Said("self_discharge", "B", 11, "act"))


def test_what_adds_up_over_the_days_is_judged_by_the_days() -> None:
    # A gap of five days and 12.9 h of the telemetry's own gaps are 132.9 h that are missing.
    gap = Fault("data_gap", "bank", None, 5.0)
    case = replace(CASE, scenario=with_faults(CASE.scenario, gap))
    said = Said("data_gap", "A", None, "watch", 132.9, 132.0, 134.0, "h")
    verdict = judge(case, gap, [Review(day(30), (said,), TRUTH, missing_h={"A": 132.5})], [])
    assert verdict.truth == pytest.approx(132.5)
    assert verdict.covered
    # Cell 3 of pack A falls behind by 0.24 Ah in ten days more than the median cell: 1 mA.
    later = DayTruth(
        {"A": replace(PACK, charge_ah=(0, 0, -0.24, *(0,) * 13)), "B": PACK}, (), 0.0, 0.0, full=True
    )
    behind = Fault("balancing_behind", "A", None, 0.012)
    said = Said("balancing_behind", "A", 3, "watch", 0.9, 0.5, 1.4, "mA")
    verdict = judge(CASE, behind, [Review(day(20), (), TRUTH), Review(day(30), (said,), later)], [])
    assert verdict.truth == pytest.approx(1.0)
    assert verdict.covered
