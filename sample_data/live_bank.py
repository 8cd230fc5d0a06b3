"""The simulated bank in real time: asked at an instant, it moves on to it and shows its instruments."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from sample_data.bank import BankDay, Scenario
from sample_data.course import Log, advance, course
from sample_data.engine import Engine
from sample_data.history import bounds, profiles, start_day
from sample_data.sensing import show_pack, show_witness
from sample_data.state import BankState, initial
from sample_data.weather import outside_c

MAX_CATCH_UP_S = 10 * 86400.0
Values = dict[str, int]


class LiveBank:
    """A bank that follows the clock.

    Parameters
    ----------
    scenario : Scenario
        The place.
    now_s : float
        UTC epoch seconds of the start. [s]
    state : BankState, optional
        Where it stood, `state_s` seconds after the epoch; it then lives through the time since (at most ten
        days of it). As delivered, now, if not given.
    """

    def __init__(
        self, scenario: Scenario, now_s: float, state: BankState | None = None, state_s: float | None = None
    ) -> None:
        self.scenario = scenario
        self._zone = ZoneInfo(scenario.timezone)
        self._day = dt.date(1970, 1, 1)
        self.time_s = now_s if state_s is None else min(now_s, max(state_s, now_s - MAX_CATCH_UP_S))
        if state is None:
            state = initial(scenario, float(self._air(now_s)) + 1.5)
        self.state = state
        self.engine = Engine(scenario, state)
        self._rng = np.random.default_rng([scenario.seed, 17, int(now_s)])
        self._begin(self.time_s)
        while now_s - self.time_s > scenario.block_s:
            self._move(self.time_s + scenario.block_s)

    def _air(self, time_s: float) -> float:
        return float(outside_c(self.scenario.climate, np.array([time_s, time_s + 1.0]))[0])

    def _begin(self, time_s: float) -> None:
        """Take up the local day of an instant."""
        day = dt.datetime.fromtimestamp(time_s, self._zone).date()
        if day == self._day:
            return
        self._day = day
        self._start, end = bounds(day, self._zone)
        self.state.first_day = self.state.first_day or day.isoformat()
        self._bank: BankDay = start_day(self.engine, day)
        self._sun, self._load = profiles(self.scenario, day, self._start, end)
        minutes = np.arange(self._start, end + 60, 60, dtype=np.float64)
        self._outside = outside_c(self.scenario.climate, minutes)

    def _power(self, time_s: float) -> tuple[float, float, float]:
        second = int(time_s - self._start)
        at = min(max(second, 0), len(self._sun) - 1)
        return float(self._sun[at]), float(self._load[at]), float(self._outside[at // 60])

    def _move(self, to_s: float) -> Log:
        self._begin(to_s)
        sun, load, air = self._power(to_s)
        log = Log()
        advance(self.engine, log, to_s - self.time_s, sun, load, air)
        log.charge.append([p.charge_ah for p in self.state.packs])
        self.time_s = to_s
        return log

    def tick(self, now_s: float) -> dict[str, Values]:
        """Move on to an instant and return what every instrument shows.

        Parameters
        ----------
        now_s : float
            UTC epoch seconds, later than at the last call. [s]

        Returns
        -------
        dict of str to dict
            Stored integers by channel, of every pack and of the witness, by name.
        """
        while now_s - self.time_s > self.scenario.block_s:
            self._move(self.time_s + self.scenario.block_s)
        step_s = max(now_s - self.time_s, 0.05)
        log = self._move(self.time_s + step_s)
        sun, load, _ = self._power(self.time_s)
        times: NDArray[np.int64] = np.array([round(self.time_s * 1000)], dtype=np.int64)
        taken = course(self.scenario, log, np.array([[sun]]), np.array([[load]]), times, step_s)
        pairs = zip(self._bank.packs, taken.packs, strict=True)
        shown = [show_pack(self.scenario, day, taken, pack, self._rng) for day, pack in pairs]
        out = {day.spec.name: _row(s.table) for day, s in zip(self._bank.packs, shown, strict=True)}
        out[self.scenario.witness] = _row(show_witness(self.scenario, self._bank, taken, shown, self._rng))
        return out


def _row(table: pa.Table) -> Values:
    return {k: v for k, v in table.slice(0, 1).to_pylist()[0].items() if v is not None and k != "time_ms"}
