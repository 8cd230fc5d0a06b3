"""The commissioning check. Its limits are `common practice, no source`; each reading below is made up."""

from __future__ import annotations

import pytest

from analysis.facts import PackFacts
from logger.commissioning.commission import Baseline, Check, Screens, judge

FACTS = PackFacts("A")
NOTHING_SEEN = Screens()


def sample(**changes: float) -> dict[str, float]:
    values = {f"cell_{i:02d}_v": 3.300 for i in range(1, 17)} | {f"temp_{i}": 12.0 for i in range(1, 5)}
    values |= {
        "pack_v": 52.80,
        "pack_a": 20.0,
        "soc": 0.6,
        "charge_limit_a": 140,
        "protections": 0,
    }  # 16 × 3.3 V
    return values | changes


def verdicts(*samples: dict[str, float], screens: Screens = NOTHING_SEEN) -> dict[str, str]:
    return {check.name: check.verdict for check in judge(FACTS, 4, samples, screens)}


def without(name: str) -> dict[str, float]:
    return {k: v for k, v in sample().items() if k != name}


def test_a_pack_as_it_should_be() -> None:
    seen = verdicts(sample(), screens=Screens(0.62, "charging"))
    assert set(seen.values()) == {"good"}


def test_no_reading_is_one_bad_line() -> None:
    assert verdicts() == {"answers": "bad"}


@pytest.mark.parametrize(
    ("name", "reading"),
    [
        ("every cell", without("cell_09_v")),
        ("every cell", sample(cell_03_v=33.0)),
        ("every cell", sample(cell_17_v=3.3)),
        ("sum of cells", sample(pack_v=51.0)),
        ("temperature sensors", without("temp_2")),
        ("temperature sensors", sample(temp_2=-40.0)),
        ("sign of current", without("pack_a")),
    ],
)
def test_what_is_wrong_is_found(name: str, reading: dict[str, float]) -> None:
    assert verdicts(reading)[name] == "bad"


def test_the_sign_is_proved_by_the_voltage_that_follows_the_current() -> None:
    rising = [sample(pack_a=5.0, pack_v=52.6), sample(pack_a=60.0, pack_v=53.4)]
    turned = [sample(pack_a=60.0, pack_v=52.6), sample(pack_a=5.0, pack_v=53.4)]
    assert verdicts(*rising)["sign of current"] == "good"
    assert verdicts(*turned)["sign of current"] == "bad"


def test_the_sign_against_the_inverters_screen() -> None:
    assert verdicts(sample(), screens=Screens(doing="charging"))["sign of current"] == "good"
    assert verdicts(sample(), screens=Screens(doing="discharging"))["sign of current"] == "bad"
    assert verdicts(sample(pack_a=0.5), screens=Screens(doing="charging"))["sign of current"] == "open"
    assert verdicts(sample())["sign of current"] == "open"


def test_two_screens_that_disagree() -> None:
    assert verdicts(sample(), screens=Screens(soc=0.9))["state of charge"] == "bad"
    assert verdicts(without("soc"))["state of charge"] == "open"


def test_an_open_protection_is_told_but_is_no_fault_of_the_wiring() -> None:
    (check,) = [
        c for c in judge(FACTS, 4, [sample(protections=4)], NOTHING_SEEN) if c.name.startswith("limits")
    ]
    assert check.verdict == "good"
    assert "bits 0x4" in check.text


def test_the_page_fits_and_counts() -> None:
    page = Baseline(
        "orchard",
        "2026-01-05",
        (*judge(FACTS, 4, [sample()], Screens()), Check("bankbook", "clock", "bad", "no")),
        {},
    )
    lines = page.lines()
    assert not page.good
    assert len(lines) < 20
    assert lines[-1] == "1 to mend before the record can be trusted. 2 could not be told."
    assert page.as_dict()["good"] is False
