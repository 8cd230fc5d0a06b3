"""The catalogue, its scales, and the two functions that cross between units and stored integers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.channels import CATALOGUE, WITNESS_CATALOGUE, cell_name, decode, encode, temp_name
from adapters.units import CANONICAL, TO_CANONICAL, to_canonical

ALL = {**WITNESS_CATALOGUE, **CATALOGUE}


@pytest.mark.parametrize("channel", ALL.values(), ids=lambda channel: channel.name)
def test_every_channel_fits_its_column(channel: object) -> None:
    """Numbers and flags are stored in 32 bits, bit sets in 64."""
    one = ALL[channel.name]  # type: ignore[attr-defined] # a Channel
    assert one.unit in CANONICAL
    assert one.note.endswith(".")
    limit = 2**63 if one.kind == "bits" else 2**31
    assert abs(one.low / one.scale) < limit
    assert abs(one.high / one.scale) < limit


@given(st.sampled_from(sorted(ALL)), st.data())
def test_stored_integers_round_trip(name: str, draw: st.DataObject) -> None:
    channel = ALL[name]
    low, high = math.ceil(channel.low / channel.scale), math.floor(channel.high / channel.scale)
    raw = draw.draw(st.integers(low, high))
    assert encode(channel, decode(channel, raw)) == raw


@given(st.sampled_from(sorted(ALL)), st.floats())
def test_nothing_out_of_range_is_encoded(name: str, value: float) -> None:
    channel = ALL[name]
    stored = encode(channel, value)
    if stored is None:
        assert not (math.isfinite(value) and channel.low <= value <= channel.high)
    else:
        assert channel.low - channel.scale / 2 <= stored * channel.scale <= channel.high + channel.scale / 2


def test_names() -> None:
    assert cell_name(3) == "cell_03_v"
    assert temp_name(2) == "temp_2"


@pytest.mark.parametrize(
    ("value", "unit", "canonical"),
    [(3345, "mV", (3.345, "V")), (273.15, "K", (0.0, "°C")), (212, "°F", (100.0, "°C")),
     (87, "%", (0.87, "1")), (2, "kWh", (2000.0, "Wh")), (1.5, "mΩ", (0.0015, "Ω"))],
)  # fmt: skip
def test_units_by_hand(value: float, unit: str, canonical: tuple[float, str]) -> None:
    converted, name = to_canonical(value, unit)
    assert name == canonical[1]
    assert converted == pytest.approx(canonical[0], abs=1e-9)


def test_unknown_unit() -> None:
    with pytest.raises(KeyError):
        to_canonical(1, "furlong")
    assert all(unit in CANONICAL for unit, _, _ in TO_CANONICAL.values())
