from dataclasses import replace

import numpy as np
import pytest

from analysis.digest import digest
from analysis.frame import Frame
from analysis.history import History
from analysis.packs.balance import balance, closure_zero
from analysis.packs.closure import Zero, windows
from analysis.packs.efficiency import efficiency
from analysis.packs.window_efficiency import closed_efficiency
from tests.analysis import made
from tests.analysis.holding import holds, number


def history_of(pack: made.Pack, days: int) -> History:
    return History.of(made.FACTS, [digest(f, made.FACTS) for f in made.frames(pack, days)])


@pytest.mark.parametrize(
    ("offset", "gain", "period"),
    [(0.0, 1.0, 10.0), (0.25, 1.0, 10.0), (-0.15, 1.01, 10.0), (0.1, 0.99, 60.0), (-0.25, 1.0, 30.0)],
)
def test_efficiency_is_right_whatever_the_sensor(offset: float, gain: float, period: float) -> None:
    # truth: the model's own energies; a gain cancels in the ratio, an offset must be found
    pack = made.Pack(offset_a=offset, gain=gain, period_s=period, loss=0.002)
    history = history_of(pack, 15)
    result = efficiency(history)
    closed = pack.truth["wh_in"] - pack.truth["wh_out"]
    gained = (pack.soc - 0.5) * pack.rated_ah * 16 * 3.3  # what it holds more at the end
    truth = (pack.truth["wh_in"] - closed + gained) / pack.truth["wh_in"]
    assert result.round_trip.value == pytest.approx(truth, abs=0.005)
    assert holds(result.round_trip, truth)
    assert holds(result.offset_a, offset)


def test_more_charge_out_than_in_is_told_as_the_sensors_fault() -> None:
    result = efficiency(history_of(made.Pack(offset_a=-0.2), 12))
    assert number(result.coulombic_raw) > 1
    assert "sensor" in result.note
    assert number(result.round_trip) < 1


def test_without_full_charges_the_voltages_speak_if_no_heater_ran() -> None:
    pack = made.Pack(soc=0.3)
    n = 8640
    wave = 18 * np.sin(np.arange(n) * 2 * np.pi / n)  # 30 % to 80 % and back: no anchor at all
    history = History.of(made.FACTS, [digest(pack.frame(i, wave), made.FACTS) for i in range(6)])
    result = efficiency(history)
    assert not result.windows
    assert result.coulombic_raw.value is None
    assert result.round_trip.value == pytest.approx(pack.truth["wh_out"] / pack.truth["wh_in"], abs=0.015)
    assert "unchecked" in result.round_trip.basis


def test_without_full_charges_in_the_cold_there_is_a_reason_and_no_number() -> None:
    pack = made.Pack(soc=0.3, temp_c=-2.0)
    wave = 6 * np.sin(np.arange(8640) * 2 * np.pi / 8640)
    history = History.of(made.FACTS, [digest(pack.frame(i, wave), made.FACTS) for i in range(6)])
    result = efficiency(history)
    assert result.round_trip.value is None
    assert "heater" in result.round_trip.reason


def test_nothing_recorded() -> None:
    result = efficiency(History.of(made.FACTS, []))
    assert result.round_trip.value is None
    assert result.round_trip.reason


def holed(frame: Frame, first: int, last: int) -> Frame:
    """The frame without the samples from `first` to `last` of the day."""
    keep = np.ones(frame.time_s.size, dtype=bool)
    keep[frame.lead + first : frame.lead + last] = False
    return frame.only(keep)


@pytest.mark.parametrize(("samples", "kept"), [(40, 4), (400, 4), (1900, 3)])
def test_what_a_gap_may_hide_is_in_its_windows_uncertainty(samples: int, kept: int) -> None:
    frames = list(made.frames(made.Pack(), 5))
    frames[2] = holed(frames[2], 100, 100 + samples)
    found = windows(History.of(made.FACTS, [digest(f, made.FACTS) for f in frames]))
    assert len(found) == kept
    if kept == 4:
        # 0.6 × 280 Ah / 14 h = 12 A; at the window's own mean current it is a sixth more: hand calculation
        assert max(w.hidden_ah for w in found) == pytest.approx(14 * (samples + 1) * 10 / 3600, rel=0.05)


def test_heating_and_zero_error_are_told_apart_by_how_much_windows_were_heated() -> None:
    # windows that differ in heating: b = 0.15 A and 0.7 of what heaters can have taken at most
    history = history_of(made.Pack(), 8)
    base = windows(history)
    heated = [0.0, 4.0, 9.0, 1.0, 12.0, 0.0, 6.0]
    found = tuple(
        replace(
            w,
            warm=False,
            heater_ah=h,
            span=replace(w.span, ah_in=w.span.ah_in + 0.15 * 24 + 0.7 * h + 0.002 * w.span.ah_in + 0.24),
        )
        for w, h in zip(base, heated, strict=True)
    )
    fit = balance(found)
    assert fit.zero.offset_a == pytest.approx(0.15, abs=0.03)
    assert fit.heating == pytest.approx(0.7, abs=2 * fit.heating_u)


def test_a_day_without_any_voltage_is_left_out() -> None:
    frames = list(made.frames(made.Pack(), 6))
    nothing = np.full(frames[2].time_s.size, np.nan, np.float32)
    frames[2] = replace(frames[2], pack_v=nothing, cells_v=frames[2].cells_v[:0])
    result = efficiency(History.of(made.FACTS, [digest(f, made.FACTS) for f in frames]))
    whole = efficiency(history_of(made.Pack(), 6))
    assert result.voltage.value == pytest.approx(whole.voltage.value, abs=1e-3)
    assert len(result.windows) < len(whole.windows)


def test_the_zero_from_closures_is_the_models() -> None:
    zero = closure_zero(windows(history_of(made.Pack(offset_a=0.12, loss=0.002), 15)))
    assert zero is not None
    assert zero.offset_a == pytest.approx(0.12 - 0.02, abs=0.01)  # 20 mA: the drain it allows for


def test_losses_add_up() -> None:
    result = efficiency(history_of(made.Pack(), 8), zero=Zero(0.0, 0.01, "given"))
    losses = result.losses
    parts = [
        p.value
        for p in (losses.ohmic, losses.heater, losses.charge, losses.unexplained)
        if p.value is not None
    ]
    assert sum(parts) == pytest.approx(losses.total.value)


def test_published_closure_arithmetic() -> None:
    # 15.2 kWh in, 14.6 out, 0.15 more inside at the end: 0.9605 raw, 0.9704 closed; with 0.9 kWh of a
    # heater fed from outside 14.6 / 16.1 = 0.9068. Hand calculation
    assert closed_efficiency(15.2, 14.6) == pytest.approx(0.9605, abs=5e-5)
    assert closed_efficiency(15.2, 14.6, stored_wh=0.15) == pytest.approx(0.9704, abs=5e-5)
    assert closed_efficiency(15.2, 14.6, outside_wh=0.9) == pytest.approx(0.9068, abs=5e-5)
    assert np.isnan(closed_efficiency(0.0, 0.0))
