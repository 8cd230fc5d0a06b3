"""Open-circuit curves over days: on the simulated orchard, whose curve is known, and on made-up steps."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analysis.daily.ocv import GraphiteDay, GraphiteStep
from analysis.day import Mark
from analysis.digest import digest
from analysis.facts import PackFacts
from analysis.history import History
from analysis.packs.findings_life import step_findings
from analysis.packs.ocv import ocv
from logger.record.store_frames import to_frame
from sample_data.cell import HILL
from sample_data.history import bounds, simulate
from sample_data.orchard import ORCHARD, PACK_A
from tests.analysis.holding import holds, number

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.fixture(scope="module")
def orchard() -> History:
    """Nine days of April of pack A, every 30 s."""
    facts = PackFacts("A")
    days = []
    for sim in simulate(ORCHARD, date(2025, 4, 13), 9, period_s=30):
        day = sim.day.isoformat()
        days.append(digest(to_frame("A", day, bounds(sim.day, VIENNA), sim.tables["A"]), facts))
    return History.of(facts, days)


def steepest_below_full() -> float:
    """Charge below full at which the simulated cell's curve is steepest around 70 %. [Ah] As counted."""
    soc = np.arange(0.55, 0.85, 0.0005)
    slope = np.gradient(HILL.equilibrium(soc), soc)
    return (1 - float(soc[np.argmax(slope)])) * PACK_A.capacity_ah * PACK_A.gain


def test_the_upper_step_of_the_orchard(orchard: History) -> None:
    found = ocv(orchard)
    truth = steepest_below_full()
    assert truth == pytest.approx(86.6, abs=0.5)
    assert found.upper.value == pytest.approx(truth, abs=5.0)
    assert holds(found.upper, truth)
    assert all(p.below_ah == pytest.approx(truth, abs=8.0) for p in found.points)


def test_cells_of_a_healthy_pack_agree(orchard: History) -> None:
    found = ocv(orchard)
    assert len(found.cells) == 16
    assert max(abs(number(c)) for c in found.cells) < 2.5
    assert found.spread.low is not None
    assert found.spread.low < 2.0


def test_curves_follow_the_cell(orchard: History) -> None:
    curves = {c.direction: c for c in ocv(orchard).curves}
    assert set(curves) == {"charge", "discharge"}
    for curve in curves.values():
        below = np.array(curve.below_ah)
        inner = (below > 20) & (below < 150)
        truth = HILL.equilibrium(1 - below / PACK_A.capacity_ah)
        assert np.array(curve.volts)[inner] == pytest.approx(truth[inner], abs=6e-3)


def test_a_week_has_no_yearly_change_and_no_capacity(orchard: History) -> None:
    found = ocv(orchard)
    assert found.per_year.value is None
    assert "12 months" in found.per_year.reason
    assert number(found.bound) > 0.02
    assert "no capacity is read from them" in found.bound.reason


def passes(history: History, per_year_ah: float, days: int = 500, every: int = 5) -> History:
    """A day with a full charge and a step seen on charge, again and again, the step moving."""
    base = next(d for d in history.digests if d.anchors and d.anchors[0].quality == "taper")
    full = base.anchors[0].mark
    made = []
    rng = np.random.default_rng(2)
    for k in range(0, days, every):
        shift_s = 86400.0 * k
        below = 85.0 + per_year_ah * k / 365.2425 + rng.normal(0, 1.0)
        at = replace(full, time_s=full.time_s - 3 * 3600 + shift_s, covered_s=full.covered_s - 3 * 3600)
        mark = Mark(at.time_s, full.ah_in - below, full.ah_out, full.wh_in, full.wh_out, at.covered_s)
        step = GraphiteStep("upper", "charge", mark, full.ah - below, 1.0, 0.03)
        anchor = replace(base.anchors[0], mark=replace(full, time_s=full.time_s + shift_s))
        made.append(
            replace(
                base,
                day=(date.fromisoformat(base.day) + timedelta(days=k)).isoformat(),
                start_s=base.start_s + shift_s,
                end_s=base.end_s + shift_s,
                anchors=(anchor,),
                graphite=GraphiteDay(0.001, 3e-4, (0.5,), (step,)),
                fragments=(),
            )
        )
    return History.of(history.facts, made)


@pytest.mark.parametrize("per_year", [0.0, -6.0])
def test_its_change_in_a_year(orchard: History, per_year: float) -> None:
    found = ocv(passes(orchard, per_year))
    assert found.per_year.unit == "Ah/year"
    assert found.per_year.value == pytest.approx(per_year, abs=1.0)
    assert found.per_year.low is not None
    assert found.per_year.high is not None
    assert found.per_year.low - 0.2 <= per_year <= found.per_year.high + 0.2
    assert found.charge.n < 60  # the newest half year only


def test_a_stretch_that_shrinks_is_told_as_a_loss_of_capacity(orchard: History) -> None:
    # 20 Ah a year of 85 Ah: 20/280 = 7.1 % if lithium is lost, at most 20/85 = 24 % if the electrode is.
    (finding,) = step_findings(passes(orchard, -20.0))
    assert (finding.kind, finding.severity) == ("capacity_fade", "watch")
    assert finding.value is not None
    assert finding.value < 0
    assert finding.low is not None
    assert finding.high is not None
    assert finding.low < -20 / 85
    assert -20 / 280 < finding.high < -0.06
    assert step_findings(passes(orchard, 0.0)) == ()
    assert step_findings(orchard) == ()


def test_refusals_say_why(orchard: History) -> None:
    nothing = ocv(History.of(orchard.facts, []))
    assert "no cell voltages" in nothing.upper.reason
    coarse = History.of(
        orchard.facts,
        [replace(d, graphite=replace(d.graphite, resolution_v=0.01)) for d in orchard.digests],
    )
    assert "steps of 10 mV" in ocv(coarse).upper.reason
    few = ocv(passes(orchard, 0.0, days=8))
    assert few.charge.value is None
    assert "3 are needed" in few.charge.reason
    calm = History.of(
        orchard.facts,
        [replace(d, graphite=GraphiteDay(np.nan, np.nan, (), ()), fragments=()) for d in orchard.digests],
    )
    assert "no calm stretch" in ocv(calm).upper.reason
    assert "no calm stretch" in ocv(calm).bound.reason
