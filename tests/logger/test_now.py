"""The live view. What must be readable is asserted as text; how it looks was looked at."""

from __future__ import annotations

from rich.console import Console

from analysis.facts import PackFacts
from logger.now import PackView, age, screen, witness_line

NOW = 1_750_000_000.0


def values() -> dict[str, int]:
    out = {f"cell_{i:02d}_v": 3340 for i in range(1, 17)}
    return out | {"pack_v": 5344, "pack_a": -4230, "soc": 7800, "temp_1": 12, "temp_2": -3, "heater_on": 1}


def drawn(*views: PackView, width: int = 80, fahrenheit: bool = False, now_s: float = NOW) -> str:
    console = Console(width=width, record=True, force_terminal=True, file=open("/dev/null", "w"))  # noqa: PTH123, SIM115 - a sink
    console.print(screen(views, now_s, width=width, fahrenheit=fahrenheit))
    console.file.close()
    return console.export_text()


def view(name: str = "A", **changes: int) -> PackView:
    out = PackView(PackFacts(name))
    out.update(int(NOW * 1000) - 2000, values() | changes)
    return out


def test_current_voltage_power_and_age_are_there() -> None:
    text = drawn(view())
    assert "discharging  -42.3 A" in text
    assert "53.44 V" in text
    assert "-2\u202f261 W" in text  # 53.44 V × −42.3 A by hand
    assert "read 2 s ago" in text


def test_cells_are_in_order_with_their_deviation() -> None:
    lines = drawn(view(cell_11_v=3371, cell_03_v=3328)).splitlines()
    assert any("11 3.371 ▸▸▸ +31" in line for line in lines)
    assert any("3 3.328 ◂◂  -12" in line for line in lines)
    assert any("spread 43 mV, highest 11, lowest 3" in line for line in lines)


def test_a_cell_near_its_cut_off_is_marked_without_colour_too() -> None:
    assert "7 3.600!" in drawn(view(cell_07_v=3600))


def test_cold_cells_and_the_heater_are_told() -> None:
    text = drawn(view())
    assert "-0.3 cold" in text
    assert "heater ON" in text
    assert "31.5 cold" in drawn(view(), fahrenheit=True)  # −0.3 °C = 31.46 °F


def test_old_values_are_kept_but_say_their_age() -> None:
    old = view()
    old.update(int(NOW * 1000) + 60_000, {"pack_a": 0})
    text = drawn(old, now_s=NOW + 61)
    assert "resting" in text
    assert "(63 s old)" in text
    assert "3.340?" in text


def test_a_silent_pack_is_told() -> None:
    assert "no fresh readings" in drawn(view(), now_s=NOW + 400)
    assert "nothing received yet" in drawn(PackView(PackFacts("A")))


def test_a_pack_without_cells_or_limits_says_so() -> None:
    bare = PackView(PackFacts("A"))
    bare.update(int(NOW * 1000), {"pack_v": 5300})
    text = drawn(bare)
    assert "cells not seen" in text
    assert "limits not seen" in text
    assert "current not seen" in text


def test_two_packs_fit_a_terminal_of_24_lines_and_80_columns() -> None:
    text = drawn(view("A"), view("B"))
    assert len(text.splitlines()) <= 24
    assert max(map(len, text.splitlines())) <= 80


def test_ages_are_short() -> None:
    assert [age(s) for s in (-5, 0.4, 119, 150, 7300, 300_000)] == [
        "0 s",
        "0 s",
        "119 s",
        "2 min",
        "2 h",
        "3 d",
    ]


def test_an_older_reading_never_overwrites_a_newer_one() -> None:
    late = view()
    late.update(int(NOW * 1000) - 60_000, {"pack_a": 0})
    assert late.value("pack_a", NOW) == -42.3


def test_a_witness_in_one_line() -> None:
    seen = {"dc_v": 52.31, "dc_a": -12.5, "ac_w": 610.0, "soc_seen": 0.62, "ambient": -3.0}
    text = witness_line("hall", seen, 4.0).plain
    assert text == " hall   52.31 V, -12.5 A, +610 W out, 62 % full, it says, air -3.0 °C   4 s ago"
    assert "26.6 °F" in witness_line("hall", seen, 4.0, fahrenheit=True).plain  # −3 × 1.8 + 32
    assert "nothing seen" in witness_line("hall", {}, 4.0).plain
