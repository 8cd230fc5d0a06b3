"""The map of map and merge: one day of one pack becomes a few kilobytes, and is never read again.

A new observer plugs in here: a field in `DayDigest`, a line in `digest`. The version follows by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis import codec
from analysis.daily.anchors import Anchor, observe_anchors
from analysis.daily.chill import ColdDay, observe_cold
from analysis.daily.flow import FlowDay, observe_flow
from analysis.daily.grid import gridded
from analysis.daily.heater import HeaterDay, heater_duty, observe_heater
from analysis.daily.hygiene import clean
from analysis.daily.knees import NOTHING as NO_KNEES
from analysis.daily.knees import KneeDay, observe_knees
from analysis.daily.minutes import minutes
from analysis.daily.ocv import NO_GRAPHITE, Fragment, GraphiteDay, observe_ocv
from analysis.daily.plateau import NOTHING as NO_PLATEAU
from analysis.daily.plateau import PlateauDay, observe_plateau
from analysis.daily.quarters import QuarterDay, observe_quarters
from analysis.daily.resting import SensorDay, observe_sensor
from analysis.daily.rests import NOTHING as NO_RESTS
from analysis.daily.rests import RestDay, observe_rests
from analysis.daily.runs import Run, observe_runs
from analysis.daily.steps import NOTHING as NO_STEPS
from analysis.daily.steps import StepDay, observe_steps
from analysis.daily.taps import NOTHING as NO_TAPS
from analysis.daily.taps import TapDay, observe_taps
from analysis.daily.temperature import TempDay, calm, observe_temps
from analysis.daily.thin import thin
from analysis.daily.trace import NOTHING, TraceDay, pack_trace
from analysis.daily.usage import UsageDay, observe_usage
from analysis.daily.witness_day import SeenDay, WitnessDay, observe_witnesses
from analysis.day import Coverage
from analysis.facts import PackFacts
from analysis.frame import Frame, WitnessFrame

NO_QUARTERS = QuarterDay((), ())
METHOD = 9
"""Raised by hand when a method changes without any field changing."""
DETAIL = ("runs", "quarters", "knees", "rests", "steps", "plateau", "taps", "trace", "fragments", "seen")
"""Fields that only a look at the recent past needs; each has an empty default."""


@dataclass(frozen=True, slots=True)
class DayDigest:
    """What is kept of one local day of one pack. The fields of `DETAIL` may be empty.

    Attributes
    ----------
    version : int
        `VERSION` of the code that made it; one of another version is made again from the sealed day.
    pack, day : str
        Pack name and local date.
    start_s, end_s : float
        UTC epoch seconds of the day's local midnights. [s]
    n_cells : int
        Cells seen; 0 if the pack gives no cell voltages.
    period_s : float
        Typical interval between readings. [s]
    coverage : Coverage
    flow : FlowDay
    anchors : tuple of Anchor
    usage : UsageDay
    heater : HeaterDay
    cold : ColdDay
    temps : tuple of TempDay
        One a temperature sensor, in order.
    sensor : SensorDay
    witness : tuple of WitnessDay
        One a witness that saw this day, by name.
    runs : tuple of Run
    quarters : QuarterDay
    knees : KneeDay
    rests : RestDay
    steps : StepDay
    plateau : PlateauDay
    taps : TapDay
    trace : TraceDay
        The current every 20 s, for what packs in parallel do together.
    graphite : GraphiteDay
        Where calm stretches showed a step of graphite; kept for ever.
    fragments : tuple of Fragment
        The calm stretches' pieces of the open-circuit curve.
    seen : tuple of SeenDay
        The current as each witness saw it.
    """

    version: int
    pack: str
    day: str
    start_s: float
    end_s: float
    n_cells: int
    period_s: float
    coverage: Coverage
    flow: FlowDay
    anchors: tuple[Anchor, ...]
    usage: UsageDay
    heater: HeaterDay
    cold: ColdDay
    temps: tuple[TempDay, ...]
    sensor: SensorDay
    witness: tuple[WitnessDay, ...]
    runs: tuple[Run, ...] = ()
    quarters: QuarterDay = NO_QUARTERS
    knees: KneeDay = NO_KNEES
    rests: RestDay = NO_RESTS
    steps: StepDay = NO_STEPS
    plateau: PlateauDay = NO_PLATEAU
    taps: TapDay = NO_TAPS
    trace: TraceDay = NOTHING
    graphite: GraphiteDay = NO_GRAPHITE
    fragments: tuple[Fragment, ...] = ()
    seen: tuple[SeenDay, ...] = ()


CORE = tuple(name for name in codec.names_of(DayDigest) if name not in DETAIL)
VERSION = METHOD * 10**10 + codec.fingerprint(DayDigest)
"""What `DayDigest.version` holds for digests made by this code."""
_CORE_ONLY, _WHOLE = codec.decoder(DayDigest, CORE), codec.decoder(DayDigest, CORE, DETAIL)


def digest(frame: Frame, facts: PackFacts, witnesses: Sequence[WitnessFrame] = ()) -> DayDigest:
    """Digest one day of one pack.

    Parameters
    ----------
    frame : Frame
        As recorded; may be empty.
    facts : PackFacts
    witnesses : sequence of WitnessFrame
        The same day seen by other instruments.

    Returns
    -------
    DayDigest
    """
    day = clean(frame, facts)
    view = thin(day)
    fine = gridded(day)
    grid = minutes(day, witnesses)
    method, duty = heater_duty(day, grid)
    cold = observe_cold(day, grid, duty)
    pieces = observe_ocv(day, fine)
    beside, seen = observe_witnesses(day, grid, duty, witnesses)
    made = DayDigest(
        version=VERSION,
        pack=frame.pack,
        day=frame.day,
        start_s=float(frame.start_s),
        end_s=float(frame.end_s),
        n_cells=frame.n_cells,
        period_s=day.coverage.period_s,
        coverage=day.coverage,
        flow=observe_flow(day),
        runs=observe_runs(day, view),
        anchors=observe_anchors(day, view),
        usage=observe_usage(day, view),
        knees=observe_knees(day, fine),
        rests=observe_rests(day, fine),
        steps=observe_steps(day, fine),
        plateau=observe_plateau(day, fine),
        taps=observe_taps(day, fine),
        heater=observe_heater(day, grid, method, duty),
        cold=cold,
        temps=observe_temps(grid, calm(grid, duty, facts.rated_ah)),
        sensor=observe_sensor(day, grid),
        quarters=observe_quarters(grid),
        trace=pack_trace(day),
        witness=beside,
        graphite=pieces.graphite,
        fragments=pieces.fragments,
        seen=seen,
    )
    return loads(*dumps(made))  # as it is kept, so that a day digested on demand is equal


def dumps(made: DayDigest) -> tuple[bytes, bytes]:
    """Turn a digest into bytes: the core, which every long look back reads, and the detail."""
    return codec.encode(made, CORE), codec.encode(made, DETAIL)


def loads(core: bytes, detail: bytes | None = None) -> DayDigest:
    """Turn bytes made by `dumps` of the same `VERSION` back.

    Parameters
    ----------
    core : bytes
    detail : bytes, optional
        Without it the fields of `DETAIL` are empty.

    Raises
    ------
    ValueError
        If they are of another version.
    """
    if codec.first_number(core) != VERSION:
        raise ValueError("digest of another version: make it again from its sealed day")
    return _CORE_ONLY(core) if detail is None else _WHOLE(core, detail)
