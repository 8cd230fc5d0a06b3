"""Whether a heater takes charge from the cells without its sensor seeing it, and how much."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analysis.history import History
from analysis.once import once
from analysis.packs.closure import HEATER_W, Window, heater_ah, windows
from analysis.packs.heater_fault import heater_trouble, may_draw_on
from analysis.packs.heater_watts import NOISE_W, heater_boundary, heater_watts, switch_steps
from analysis.packs.step_power import agreed_power
from analysis.packs.thermostat import heated_s, heating

SEEN, DECLARED, NO_STEP, UNKNOWN = 0.98, 0.85, 0.6, 0.4
"""How likely a heater takes its charge from the cells past the sensor: when its switching pushes current from
the packs in parallel into this one; when the user said that its current passes by the sensor; when its
switching shows no step; when nothing is known. It may also be fed from the house, or through the sensor. [1]
Common practice, no source."""
UNSEEN = 0.15
"""Part of that chance that is left where warming was seen that no thermostat would make. [1] Practice."""
AS_BEFORE = 0.5
"""How likely a heater that warms the cells less, or no more, draws what it drew: it came off them, or it is
dead in part. [1] Practice, no source."""
RATED_U, WARMING_U, ASSUMED_U = 0.06, 0.13, 0.40
"""Standard uncertainty of a heater's power as stated, from warming, and of one nobody stated. [1]
Common practice, no source."""
TIME_U = {"watts": 0.01, "flag": 0.02}
INFERRED = frozenset(("current", "warming"))
"""Methods whose time on is told by temperatures; what a day's heaters used is then open by 0.3 h."""
INFERRED_TIME_U = 0.25
"""The same of its time on where it is inferred from temperatures. [1] Practice, no source."""


@dataclass(frozen=True, slots=True)
class HeaterPath:
    """What heaters can have taken past the sensor, against what `heater_ah` of closed windows says.

    Attributes
    ----------
    chance : float
        That they did. [1]
    scale : float
        Their charge as part of `heater_ah`. [1]
    relative_u : float
        Its relative standard uncertainty. [1]
    as_before : float
        That a heater which lost its warmth draws what it drew; 0 where none did. [1]
    """

    chance: float
    scale: float
    relative_u: float
    as_before: float = 0.0


@once
def _usual(history: History) -> tuple[float, ...]:
    """Charge that heaters used on each day if all were well, none for other warmings. [Ah]"""
    facts, how = history.facts, heating(history)
    usual = [heater_ah(d, facts) for d in history.digests]
    if any(usual) and how.seen and math.isfinite(how.start_c):
        usual = [
            ah * heated_s(d, how, facts) / (d.heater.on_s + 0.3 * 3600) if d.heater.method in INFERRED else ah
            for ah, d in zip(usual, history.digests, strict=True)
        ]
    return tuple(usual)


@once
def day_heaters(history: History) -> tuple[float, ...]:
    """Charge that heaters used on each day: less where one failed, none for other warmings. [Ah]"""
    usual = _usual(history)
    trouble = heater_trouble(history)
    if trouble is None or trouble.what not in {"no effect", "weak"}:
        return usual
    left = 0.0 if trouble.what == "no effect" else 1 - trouble.value
    return tuple(
        ah * left if d.day >= trouble.since else ah for ah, d in zip(usual, history.digests, strict=True)
    )


@once
def day_more(history: History) -> tuple[float, ...]:
    """What heaters used beyond `day_heaters` if one that lost its warmth went on drawing as before. [Ah]"""
    trouble = heater_trouble(history)
    if trouble is None or not may_draw_on(trouble):
        return (0.0,) * len(history.digests)
    return tuple(
        usual - told if d.day >= trouble.since and d.heater.method != "watts" else 0.0
        for usual, told, d in zip(_usual(history), day_heaters(history), history.digests, strict=True)
    )


@once
def heated_windows(history: History) -> tuple[Window, ...]:
    """Closed windows of a history, with what its heaters really used."""
    found = windows(history)
    if all(w.warm for w in found):
        return found
    raw = {d.day: heater_ah(d, history.facts) for d in history.digests}
    real = dict(zip(history.days, day_heaters(history), strict=True))
    more = dict(zip(history.days, day_more(history), strict=True))
    out = []
    for w in found:
        inside = [day for day in history.days if w.first <= day <= w.last]
        whole = math.fsum(raw[day] for day in inside)
        share = w.heater_ah / whole if whole > 0 else 0.0
        used = share * math.fsum(real[day] for day in inside) if whole > 0 else w.heater_ah
        beyond = share * math.fsum(more[day] for day in inside)
        none = w.warm or (used + beyond <= 0 and whole > 0)
        out.append(replace(w, heater_ah=used, heater_more_ah=beyond, warm=none))
    return tuple(out)


@once
def past_sensor(history: History) -> tuple[tuple[float, float], ...]:
    """Charge that heaters took past the sensor on each day, and its standard uncertainty. [Ah]"""
    path = heater_path(history.recent)
    return tuple(
        past(path, ah, more) for ah, more in zip(day_heaters(history), day_more(history), strict=True)
    )


def past(path: HeaterPath, told_ah: float, more_ah: float) -> tuple[float, float]:
    """Charge that heaters took past the sensor, and its standard uncertainty. [Ah]

    Parameters
    ----------
    path : HeaterPath
    told_ah, more_ah : float
        As `day_heaters` and `day_more` have it. [Ah]
    """
    used = path.scale * (told_ah + path.as_before * more_ah)
    which = path.scale * more_ah * math.sqrt(path.as_before * (1 - path.as_before))
    spread = math.hypot(math.sqrt(path.chance * (1 - path.chance)), path.chance * path.relative_u)
    return path.chance * used, math.hypot(spread * used, math.sqrt(path.chance) * which)


@once
def heater_path(history: History) -> HeaterPath:
    """Judge the path of a heater's current.

    A heater at a pack's terminals behind its sensor draws part of its current from the packs in parallel:
    this pack's sensor then sees current coming *in* at the moment it is switched on. A heater fed from
    elsewhere shows nothing, one before the sensor shows a discharge.
    """
    facts = history.facts
    watts, u_watts = facts.heater_w, RATED_U
    if watts is None:
        power = heater_watts(history).power
        watts, u_watts = HEATER_W * facts.rated_ah / 280.0, ASSUMED_U
        if power.value is not None and power.value > NOISE_W:
            watts, u_watts = power.value, WARMING_U
    assumed = facts.heater_w or HEATER_W * facts.rated_ah / 280.0
    methods = [d.heater.method for d in history.digests if d.heater.on_s > 0]
    usual = max(set(methods), key=methods.count) if methods else "none"
    relative = math.hypot(u_watts, TIME_U.get(usual, INFERRED_TIME_U))
    as_before = AS_BEFORE if any(day_more(history)) else 0.0
    chance = _chance(history, usual) * (1.0 if heating(history).seen else UNSEEN)
    return HeaterPath(chance, watts / assumed, relative, as_before)


def _chance(history: History, method: str) -> float:
    boundary = heater_boundary(history)
    if boundary == "inside":
        return 0.0
    if method in TIME_U:
        own = agreed_power(switch_steps(history))
        if own.high is not None and own.high < -NOISE_W:
            return SEEN
    if boundary == "outside":
        return DECLARED if history.facts.heater_measured == "outside" else NO_STEP
    return UNKNOWN
