from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.daily.balancing import Balancing, observe_balancing
from analysis.daily.grid import gridded
from analysis.daily.hygiene import clean
from analysis.frame import F64
from tests.analysis import made


def ledger(extra: dict[str, F64]) -> Balancing:
    pack = made.Pack(period_s=10.0)
    frame = replace(pack.frame(0, made.day_current(pack)), extra=extra)
    day = clean(frame, made.FACTS)
    return observe_balancing(day, gridded(day))


def test_bits_are_time_of_their_cell() -> None:
    bits = np.zeros(8640)
    bits[1000:1360] = 0b101  # an hour of cells 1 and 3
    found = ledger({"balancing_cells": bits})
    assert found.source == "cells"
    assert found.balanced_s[0] == found.balanced_s[2] == pytest.approx(3600.0, abs=20)
    assert found.balanced_s[1] == 0.0


def test_a_flag_goes_to_the_cells_above_the_start() -> None:
    found = ledger({"balancing": np.ones(8640)})
    assert found.source == "flag"
    assert found.balanced_s == found.possible_s
    assert max(found.possible_s) > 60.0


def test_a_silent_pack_has_only_the_possible_time() -> None:
    found = ledger({})
    assert found.source == "none"
    assert found.balanced_s == ()
    assert len(found.possible_s) == 16
