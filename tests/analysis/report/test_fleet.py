"""The desk's report: what it says first, what to bring, and the same in its JSON."""

import json
from dataclasses import replace

from analysis.finding import KINDS, Finding, Forecast
from analysis.fleet import kit
from analysis.fleet.peers import PackSummary
from analysis.fleet.visits import FLOORS, BankState, visits
from analysis.report import html
from analysis.report.fleet import _QUANTITIES, fleet_json, fleet_report, to_bring
from analysis.report.value import Statement, Table

TODAY = "2026-02-02"
LEAK = Finding(
    "self_discharge", "A", 7, "2026-01-01", "act", 0.93, 40.0, 36.0, 44.0, "mA", "It leaks.", "Measure it.",
    Forecast("cell 7 is empty first", "2026-03-01", "2026-02-20", "2026-03-12"),
)  # fmt: skip
NOTE = replace(LEAK, kind="data_gap", cell=None, severity="note", forecast=None)


def pack(bank: str, heat: float = 900.0) -> PackSummary:
    return PackSummary(bank, "A", 16, 280.0, 400.0, 8.0, {"heater_wh_a_day": heat})


STATES = (
    BankState("mill", "2026-02-01", (pack("mill"),), (LEAK,)),
    BankState("hut", "2026-01-11", (pack("hut"),), ()),
    BankState("barn", "2026-02-01", (pack("barn", 2400.0),), ()),
    BankState("inn", "2026-02-01", (pack("inn"),), (NOTE,)),
    *(BankState(f"b{i}", "2026-02-01", (pack(f"b{i}", 890.0 + i),), ()) for i in range(9)),
)
LISTED = visits(STATES, TODAY)


def test_what_is_said_first() -> None:
    report = fleet_report(STATES, LISTED, TODAY, {"mill": "banks/mill.html"})
    first = report.sections[0].blocks[0]
    assert isinstance(first, Statement)
    assert first.tone == "act"
    assert first.text.startswith("3 banks need a visit, 1 of them soon. First mill. ▲ Act: Cell 7 of pack A")
    table = report.sections[1].blocks[0]
    assert isinstance(table, Table)
    assert [row[0] for row in table.rows] == ["1. mill", "2. hut", "3. barn"]
    assert table.hrefs[0] == "banks/mill.html"
    assert "about 1 Mar 2026" in table.rows[0][1]
    assert table.rows[0][2] == "Measure it."
    assert "bench supply for one cell" in table.rows[0][3]
    assert "nothing received for 22 days" in table.rows[1][1].lower()
    assert "heating 2400\u202fWh a day, theirs 896" in table.rows[2][1]
    assert [row[0] for row in _rows(report.sections[5].blocks[0])] == ["inn"]


def _rows(block: object) -> tuple[tuple[str, ...], ...]:
    assert isinstance(block, Table)
    return block.rows


def test_the_page_is_whole() -> None:
    page = html.render(fleet_report(STATES, LISTED, TODAY))
    assert "To load for the first 3 banks" in page
    assert page.count("Cell 7 of pack A") >= 2


def test_json_holds_all_of_it() -> None:
    banks = json.loads(json.dumps(fleet_json(STATES, LISTED, TODAY), allow_nan=False))["banks"]
    assert [b["bank"] for b in banks][:3] == ["mill", "hut", "barn"]
    assert banks[0]["findings"][0]["forecast"]["day"] == "2026-03-01"
    assert banks[0]["findings"][0]["new"] is True
    assert banks[2]["outlying"][0]["quantity"] == "heater_wh_a_day"
    assert len(banks) == len(STATES)


def test_every_kind_has_its_kit_and_every_quantity_its_words() -> None:
    assert set(kit.KIT) == set(KINDS)
    assert set(_QUANTITIES) == set(FLOORS)
    assert to_bring(next(v for v in LISTED if v.bank == "inn")) == ()  # nobody drives for a note


def test_an_empty_desk() -> None:
    assert "No bank has sent anything yet." in html.render(fleet_report((), (), TODAY))
