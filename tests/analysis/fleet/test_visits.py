"""Which bank first: gravity, nearness, peers, silence. Expected orders by hand."""

from dataclasses import replace

import pytest

from analysis.finding import Finding, Forecast, Severity
from analysis.fleet.peers import ENOUGH, Crowd, PackSummary, peers_of, place
from analysis.fleet.visits import BankState, urgency, visits

TODAY = "2026-02-01"


def finding(severity: Severity = "watch", confidence: float = 0.9, day: str | None = None) -> Finding:
    forecast = None if day is None else Forecast("cell 7 ends the charge", day, day, day)
    return Finding("self_discharge", "A", 7, "2026-01-01", severity, confidence, 20.0, 18.0, 22.0, "mA",
                   "", "", forecast)  # fmt: skip


def pack(bank: str, leak: float = 1.0) -> PackSummary:
    return PackSummary(
        bank, "A", 16, 280.0, 400.0, 8.0, {"worst_leak_ma": leak, "round_trip_efficiency_1": 0.95}
    )


def state(bank: str, *found: Finding, last: str = TODAY, leak: float = 1.0) -> BankState:
    return BankState(bank, last, (pack(bank, leak),), found)


def test_act_before_watch_before_silence_before_nothing() -> None:
    states = [state("quiet"), state("silent", last="2026-01-20"), state("watch", finding()),
              state("act", finding("act"))]  # fmt: skip
    assert [v.bank for v in visits(states, TODAY)] == ["act", "silent", "watch", "quiet"]
    assert visits(states, TODAY)[-1].score == 0


def test_a_near_forecast_weighs_more() -> None:
    assert urgency(finding(day="2026-02-10"), TODAY) > urgency(finding(day="2026-06-01"), TODAY)
    assert urgency(finding(day="2026-06-01"), TODAY) == urgency(finding(), TODAY)


def test_only_findings_not_seen_before_are_new() -> None:
    known: dict[str, set[tuple[str, str, int | None]]] = {"one": {("self_discharge", "A", 7)}}
    by_bank = {v.bank: v for v in visits([state("one", finding()), state("two", finding())], TODAY, known)}
    assert by_bank["one"].new == ()
    assert len(by_bank["two"].new) == 1


def test_far_from_peers_calls_for_a_look() -> None:
    states = [state(f"b{i}", leak=1.0 + 0.1 * (i % 5)) for i in range(12)] + [state("odd", leak=15.0)]
    first = visits(states, TODAY)[0]
    assert first.bank == "odd"
    assert first.outlying[0].quantity == "worst_leak_ma"
    # A value on the good side is no reason for a visit.
    assert not visits([*states[:12], state("good", leak=-30.0)], TODAY)[0].outlying


def test_place_by_hand() -> None:
    packs = [pack(f"b{i}", leak=float(i)) for i in range(9)]  # 0..8: median 4, MAD 2
    got = place(pack("me", leak=10.0), Crowd.of(packs), {"worst_leak_ma": 0.1})[0]
    assert (got.median, got.peers) == (4.0, 9)
    assert got.spread == pytest.approx(2 * 1.4826)
    assert got.z == pytest.approx(6 / (2 * 1.4826))


def test_too_few_peers_give_no_place() -> None:
    packs = [pack(f"b{i}") for i in range(ENOUGH - 1)]
    assert place(pack("me", leak=99.0), Crowd.of(packs), {"worst_leak_ma": 0.1}) == ()


def test_peers_share_cells_rating_and_climate_and_never_the_bank() -> None:
    me = pack("me")
    others = [pack(f"b{i}") for i in range(ENOUGH)]
    strangers = [
        replace(pack("x"), n_cells=8),
        replace(pack("y"), rated_ah=100.0),
        pack("me"),
        replace(pack("hot"), climate_c=25.0),
        replace(pack("old"), age_days=4000.0),
    ]
    assert peers_of(me, [*others, *strangers]) == tuple(others)
