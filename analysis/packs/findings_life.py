"""Findings about capacity over time, and about what the record lacks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.digest import DayDigest
from analysis.finding import SEVERITIES, Finding, Forecast, Severity
from analysis.history import History
from analysis.packs.capacity import Capacity, capacity
from analysis.packs.fade import Fade, fade
from analysis.packs.ocv import QuasiOcv, ocv
from analysis.thresholds import DEFAULT, Thresholds

FADE_MEANING = (
    "Pack {pack} can give about {usable:.0f} Ah under the recorded conditions, {part:.0f} % of its "
    "rating{rate}. This "
    "is an estimate, not a test by the method of any document."
)
STEP_MEANING = (
    "In pack {pack} the charge between full and the step of its voltage near 70 % shrinks by {ah:.1f} Ah a "
    "year. Lithium or active material is being lost: {least:.0f} to {most:.0f} % of the capacity a year."
)
FADE_CHECK = (
    "Run the guided capacity test (`bankbook captest`) at 15 to 30 °C; if it agrees, have a technician "
    "test the pack by "
    "the method your documents name, and compare with the figure in them."
)
GAP_MEANING = (
    "{hours:.1f} h are missing from the record of pack {pack} in the last {days:.0f} days, the longest gap "
    "{longest:.1f} h. What happened in them is not known here, and trends across them are weaker."
)
GAP_CHECK = (
    "Look whether the logger, its power supply and the cable to the pack were on; `bankbook status` "
    "tells when each "
    "source was lost."
)
WINDOW_DAYS = 30
HELD_BACK = 0.01
"""Part of what is missing that depends on where a frozen frame is taken to begin; and a period at each gap.
[1] Practice, no source."""
ENDS_RUNS = (
    "The whole pack gives less than before, which this explains; whether it ages besides cannot be told "
    "before this is put right."
)
CELL_CAUSES = frozenset(
    ("self_discharge", "low_capacity", "static_offset", "balancing_behind", "high_resistance", "loose_link")
)
"""What makes one cell end a run before the others do."""


def _severity(size: float, watch: float, act: float) -> Severity:
    return "act" if size >= act else "watch" if size >= watch else "note"


def _worst(*severities: Severity | None) -> Severity | None:
    order = ("act", "watch", "note")
    return next((s for s in order if s in severities), None)


def fade_findings(
    history: History, limits: Thresholds = DEFAULT, usable: Capacity | None = None, course: Fade | None = None
) -> tuple[Finding, ...]:
    """Return the finding about lost capacity, if the loss is certain and beyond what is usual."""
    usable = capacity(history) if usable is None else usable
    course = fade(history, usable) if course is None else course
    part, rate, change = usable.of_rated, course.per_year, course.change
    if part.value is None or part.high is None or usable.usable.value is None or usable.usable.n < 2:
        return ()
    by_rate: Severity | None = None
    if rate.high is not None and -rate.high >= limits["fade_note_year"]:
        by_rate = _severity(-rate.high, limits["fade_watch_year"], limits["fade_act_year"])
    by_change: Severity | None = None
    if change.high is not None and -change.high >= limits["fade_change_watch"] and rate.value is None:
        by_change = "watch"
    by_level: Severity | None = None
    if part.high < limits["capacity_watch"]:
        by_level = "act" if part.high < limits["capacity_act"] else "watch"
    promised = history.facts.warranty.capacity_fraction
    if promised is not None and part.high < promised:
        by_level = "act"
    severity = _worst(by_rate, by_change, by_level)
    if severity is None:
        return ()
    words = f", and has lost {-100 * rate.value:.1f} points of it a year" if rate.value is not None else ""
    value, low, high = (
        (rate.value, rate.low, rate.high)
        if rate.value is not None
        else (change.value, change.low, change.high)
    )
    if value is None:
        value, low, high = part.value - 1, (part.low or 0.0) - 1, part.high - 1
    found = course.pairs
    evidence = [
        (
            f"{usable.usable.value:.0f} Ah ({usable.usable.low:.0f} to {usable.usable.high:.0f} Ah) from "
            f"{usable.usable.basis}."
        ),
        *(p.words[0].upper() + p.words[1:] + "." for p in course.promises),
    ]
    if change.value is not None and change.low is not None and change.high is not None:
        evidence.insert(
            1,
            f"{100 * change.value:+.1f} points ({100 * change.low:+.1f} to {100 * change.high:+.1f}) "
            f"from {found[0].day} to "
            f"{found[-1].day}, temperature taken out where it varied.",
        )
    return (
        Finding(
            kind="capacity_fade",
            pack=history.facts.name,
            cell=None,
            since=found[0].day,
            severity=severity,
            confidence=0.85,
            value=round(value, 4),
            low=None if low is None else round(low, 4),
            high=None if high is None else round(high, 4),
            unit="1",
            meaning=FADE_MEANING.format(
                pack=history.facts.name, usable=usable.usable.value, part=100 * part.value, rate=words
            ),
            check_next=FADE_CHECK,
            forecast=_forecast(course),
            evidence=tuple(evidence),
        ),
    )


def step_findings(
    history: History, limits: Thresholds = DEFAULT, curve: QuasiOcv | None = None
) -> tuple[Finding, ...]:
    """Return the finding that the charge between full and the upper graphite step shrinks.

    It shrinks by all the lithium that is lost, or in proportion with the active material: the loss of
    capacity lies between the two.
    """
    curve = ocv(history, history.recent) if curve is None else curve
    year, upper, rated = curve.per_year, curve.upper.value, history.facts.rated_ah
    if year.value is None or year.low is None or year.high is None or upper is None or year.high >= 0:
        return ()
    before = upper - year.value  # what it was a year ago
    least, most = -year.high / rated, -year.low / before
    if least < limits["fade_note_year"]:
        return ()
    middle = 0.5 * (-year.value / rated - year.value / before)
    ends = f"{year.low:+.1f} to {year.high:+.1f} Ah"
    told = f"{year.value:+.1f} Ah a year ({ends}) of {before:.0f} Ah, {year.basis}."
    return (
        Finding(
            kind="capacity_fade",
            pack=history.facts.name,
            cell=None,
            since=curve.points[0].day if curve.points else history.days[0],
            severity="watch" if least >= limits["fade_watch_year"] else "note",
            confidence=0.55,
            value=round(-middle, 4),
            low=round(-most, 4),
            high=round(-least, 4),
            unit="1",
            meaning=STEP_MEANING.format(
                pack=history.facts.name, ah=-year.value, least=100 * least, most=100 * most
            ),
            check_next=FADE_CHECK,
            evidence=(
                told,
                "Against: no run from full to empty was seen that would have counted the capacity itself.",
            ),
        ),
    )


def beside_cells(found: Sequence[Finding], cells: Sequence[Finding]) -> list[Finding]:
    """Put what is said of a pack beside what is said of its cells: a cell that ends the runs is no age.

    Parameters
    ----------
    found, cells : sequence of Finding
        About one pack, and about its cells.

    Returns
    -------
    list of Finding
        Both. Where a cell explains a loss of capacity better than age, the loss is not told of the pack, but
        as evidence of that cell's finding.
    """
    causes = [f for f in cells if f.kind in CELL_CAUSES and f.severity != "note"]
    if not causes or all(f.kind != "capacity_fade" for f in found):
        return [*cells, *found]
    ends = max(causes, key=lambda f: (SEVERITIES.index(f.severity), f.confidence))
    told = replace(ends, evidence=(*ends.evidence, ENDS_RUNS))
    return [*(told if f is ends else f for f in cells), *(f for f in found if f.kind != "capacity_fade")]


def _forecast(course: Fade) -> Forecast | None:
    ahead = course.ahead
    if ahead.value is None or ahead.low is None or ahead.high is None:
        return Forecast("usable capacity", reason=ahead.reason)
    return Forecast(
        f"usable capacity {ahead.value:.0f} Ah ({ahead.low:.0f} to {ahead.high:.0f} Ah) if it goes on "
        "like this",
        day=course.ahead_day,
        earliest=course.ahead_day,
        latest=course.ahead_day,
    )


def _missing(digest: DayDigest, *, first: bool, last: bool) -> tuple[float, float]:
    """Seconds missing of a day and its longest gap, the ends of the whole record left out. [s]"""
    gaps = digest.coverage.gaps
    missing = max(digest.coverage.length_s - digest.coverage.covered_s, 0.0)
    inner = list(gaps)
    if first and gaps and abs(gaps[0][0] - digest.start_s) < 1:
        missing -= gaps[0][1] - gaps[0][0]
        inner = inner[1:]
    if last and inner and abs(inner[-1][1] - digest.end_s) < 1:
        missing -= inner[-1][1] - inner[-1][0]
        inner = inner[:-1]
    return max(missing, 0.0), max((b - a for a, b in inner), default=0.0)


def gap_findings(history: History, limits: Thresholds = DEFAULT) -> tuple[Finding, ...]:
    """Return the finding about what the last 30 days of the record lack."""
    if not history.digests:
        return ()
    end = history.digests[-1].end_s
    recent = [d for d in history.digests if d.end_s > end - WINDOW_DAYS * 86400]
    total, longest, since = 0.0, 0.0, ""
    for i, digest in enumerate(recent):
        whole_first = len(recent) == len(history.digests) and i == 0
        missing, gap = _missing(digest, first=whole_first, last=i == len(recent) - 1)
        if i and digest.start_s - recent[i - 1].end_s > 60:
            lost = digest.start_s - recent[i - 1].end_s
            missing, gap = missing + lost, max(gap, lost)
        if gap >= 600 and not since:
            since = digest.day
        total, longest = total + missing, max(longest, gap)
    span = end - recent[0].start_s
    share = total / span
    if longest / 3600 < limits["gap_note_h"] and share < limits["gap_note_share"]:
        return ()
    grave = share >= limits["gap_watch_share"] or longest / 3600 >= limits["gap_watch_h"]
    name, hours = history.facts.name, total / 3600
    half = HELD_BACK * hours + sum(len(d.coverage.gaps) * d.period_s for d in recent) / 3600
    return (
        Finding(
            kind="data_gap",
            pack=name,
            cell=None,
            since=since or recent[0].day,
            severity="watch" if grave else "note",
            confidence=1.0,
            value=round(hours, 2),
            low=round(max(hours - half, 0.0), 2),
            high=round(hours + half, 2),
            unit="h",
            meaning=GAP_MEANING.format(hours=hours, pack=name, days=span / 86400, longest=longest / 3600),
            check_next=GAP_CHECK,
            evidence=(
                (
                    f"{100 * share:.1f} % of {recent[0].day} to {recent[-1].day} has no valid reading; "
                    "longest gap "
                    f"{longest / 3600:.1f} h."
                ),
            ),
        ),
    )
