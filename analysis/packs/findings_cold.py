"""Findings about temperature sensors, the heater and charging in the cold."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.digest import DayDigest
from analysis.finding import Finding, Severity
from analysis.history import History
from analysis.packs.heater_fault import HeaterTrouble, heater_trouble
from analysis.packs.temp_faults import TempFault, temp_faults, trusted_sensors
from analysis.thresholds import DEFAULT, Thresholds

MONTH = 30

SENSOR_MEANING = {
    "dead": "Temperature sensor {n} gives no believable reading any more. The pack judges its cells without "
    "it.",
    "loose": "Temperature sensor {n} drops out again and again: a loose contact. The pack may stop for "
    "nothing.",
    "stuck": "Temperature sensor {n} shows one value whatever happens. The pack does not see its cells "
    "there.",
    "shifted": "Temperature sensor {n} reads {value:+.1f} K against the others, more than its place "
    "explains. The pack "
    "may charge cells that are too cold, or refuse cells that are not.",
}
SENSOR_CHECK = (
    "Hold a thermometer to the cell beside this sensor after some hours of rest and compare; a technician "
    "then checks "
    "its plug and wire, and replaces it. Do not bypass it."
)
HEATER_MEANING = {
    "no effect": "The heater is switched on and the cells do not get warmer. In the cold the pack will "
    "refuse to charge.",
    "weak": "The heater takes {lost:.0f} % less power than before: part of it has failed.",
    "weak by warmth": "The heater warms the cells {lost:.0f} % less than before: part of it has failed, or "
    "it no longer lies against them.",
    "on when warm": "The heater runs while the cells are warm, at {value:.0f} °C. It wastes energy and ages "
    "the cells.",
    "not heating": "The cells fell to {value:.0f} °C without being heated; before, heating began near "
    "{usual:.0f} °C.",
    "never heating": "The cells fell to {value:.0f} °C, and the heater that you named never warmed them.",
}
HEATER_SURE = {
    "no effect": (0.92, "K/h"),
    "weak": (0.85, "1"),
    "on when warm": (0.8, "°C"),
    "not heating": (0.6, "°C"),
    "never heating": (0.6, "°C"),
}
"""How sure each is, and the unit of its size."""
HEATER_CHECK = (
    "With the heater commanded on, feel or measure whether it gets warm, and look for a blown fuse or a "
    "loose plug; a "
    "qualified person measures its resistance and the relay, with the bank switched off."
)
COLD_MEANING = (
    "The pack was charged while its coldest cell was below the temperature at which its documents end "
    "charging. That "
    "is outside the limits your documents give; whether it has harmed the cells cannot be seen from here."
)
COLD_CHECK = (
    "Find out why the pack allowed it: its low-temperature limit, its sensors, or a charger that does not "
    "listen. The "
    "installer should set the charger to stop above the floor until that is clear."
)


def _severity(size: float, watch: float, act: float) -> Severity:
    return "act" if size >= act else "watch" if size >= watch else "note"


def _sensor_finding(history: History, fault: TempFault, limits: Thresholds) -> Finding:
    shifted = fault.fault == "shifted"
    severity: Severity = "watch" if fault.on_cell else "note"
    if shifted:
        watch, act = limits["temp_shift_watch_k"], limits["temp_shift_act_k"]
        severity = _severity(min(abs(fault.low), abs(fault.high), abs(fault.value)), watch, act)
    words = {
        "dead": f"no believable reading in {100 * fault.value:.0f} % of the time, while other sensors were "
        "well",
        "loose": f"drops out in {100 * fault.value:.0f} % of the time on these days, while other sensors "
        "were well",
        "stuck": f"no change for up to {fault.value:.0f} h while the other sensors moved",
        "shifted": f"{fault.value:+.1f} K ({fault.low:+.1f} to {fault.high:+.1f} K) against the median of "
        "the others, at rest "
        "and unheated where there was such a time",
    }
    confidence = {"dead": 0.98, "loose": 0.9, "stuck": 0.95, "shifted": 0.85}[fault.fault]
    return Finding(
        kind="temperature_sensor",
        pack=history.facts.name,
        cell=fault.sensor,
        since=fault.since,
        severity=severity,
        confidence=confidence,
        value=round(fault.value, 2),
        low=round(fault.low, 2),
        high=round(fault.high, 2),
        unit={"dead": "1", "loose": "1", "stuck": "h", "shifted": "K"}[fault.fault],
        meaning=SENSOR_MEANING[fault.fault].format(n=fault.sensor, value=fault.value),
        check_next=SENSOR_CHECK,
        evidence=(f"{words[fault.fault]}; {fault.days} days, {fault.since} to {fault.last}.",),
    )


def sensor_findings(history: History, limits: Thresholds = DEFAULT) -> tuple[Finding, ...]:
    """Return a finding for each temperature sensor at fault."""
    return tuple(_sensor_finding(history, fault, limits) for fault in temp_faults(history))


def _heater_words(trouble: HeaterTrouble) -> tuple[str, ...]:
    days = f"{trouble.since} to {trouble.last}"
    usual = f"; when it worked, {trouble.usual:.1f}" if math.isfinite(trouble.usual) else ""
    if trouble.what == "no effect":
        return (
            (
                f"{trouble.hours:.1f} h on in {trouble.runs} runs, {days}: the cells warmed by "
                f"{trouble.value:.2f} K/h "
                f"({trouble.low:.2f} to {trouble.high:.2f}) against before the switching{usual}."
            ),
        )
    if trouble.what == "weak":
        fell = f"fell by {100 * trouble.value:.0f} % ({100 * trouble.low:.0f} to {100 * trouble.high:.0f} %)"
        told = (
            f"how fast the cells warm after {trouble.runs} switchings, {days}, {fell}; before it was "
            f"{trouble.usual:.1f} K/h."
        )
        if trouble.by == "current":
            told = (
                f"the step in current at {trouble.runs} switchings, {days}, {fell}; before it stood for "
                f"{trouble.usual:.0f} W."
            )
        return (told,)
    if trouble.what == "on when warm":
        return (f"{trouble.runs} runs of an hour or more, {trouble.hours:.0f} h in all, {days}.",)
    return (f"{trouble.runs} days, {days}, with the coldest cell sensor down to {trouble.value:.1f} °C.",)


def heater_findings(
    history: History, others: Sequence[History] = (), limits: Thresholds = DEFAULT
) -> tuple[Finding, ...]:
    """Return the finding about the heater, if there is one."""
    least = limits["heater_idle_h"]
    trouble = heater_trouble(
        history,
        others,
        least_k_h=limits["heater_rise_k_h"],
        least_h=least,
        least_drop=limits["heater_power_drop"],
    )
    if trouble is None:
        return ()
    grave = trouble.what == "no effect" and trouble.hours >= 2 * least
    severity: Severity = "act" if grave else "watch"
    if trouble.what in {"not heating", "never heating"} and trouble.runs < 5:
        severity = "note"
    confidence, unit = HEATER_SURE[trouble.what]
    by_warmth = trouble.what == "weak" and trouble.by == "warming"
    meaning = HEATER_MEANING["weak by warmth" if by_warmth else trouble.what].format(
        lost=100 * trouble.value, value=trouble.value, usual=trouble.usual
    )
    return (
        Finding(
            kind="heater_fault",
            pack=history.facts.name,
            cell=None,
            since=trouble.since,
            severity=severity,
            confidence=confidence,
            value=round(trouble.value, 3),
            low=round(trouble.low, 3),
            high=round(trouble.high, 3),
            unit=unit,
            meaning=meaning,
            check_next=HEATER_CHECK,
            evidence=_heater_words(trouble),
        ),
    )


def _clear_push(digest: DayDigest, trusted: Sequence[int]) -> tuple[float, float, float]:
    """Charge [Ah], minutes and coldest reading [°C] of a day's charging clearly below the floor.

    A sensor that alone says so and stands apart from the others by 3 K or more is not believed.
    """
    pushed = digest.cold.pushed_clear_ah
    rows = [(pushed[i], i) for i in trusted if i < len(pushed) and pushed[i] > 0]
    if len(rows) == 1 and len(trusted) > 1:
        _, index = rows[0]
        offset = digest.temps[index].offset if index < len(digest.temps) else math.nan
        if math.isfinite(offset) and abs(offset) >= 3:
            return 0.0, 0.0, math.nan
    if not rows:
        return 0.0, 0.0, math.nan
    ah, index = max(rows)
    low = digest.temps[index].low if index < len(digest.temps) else math.nan
    return ah, digest.cold.pushed_clear_min[index], low


def cold_charge_findings(history: History, limits: Thresholds = DEFAULT) -> tuple[Finding, ...]:
    """Return the finding about charging below the pack's floor, if there is one."""
    trusted = trusted_sensors(history)
    rows = [(d, *_clear_push(d, trusted)) for d in history.digests]
    rows = [row for row in rows if row[1] > 0]
    total = math.fsum(ah for _, ah, _, _ in rows)
    if total < limits["cold_charge_note_ah"]:
        return ()
    at_all = math.fsum(max((d.cold.pushed_ah[i] for i in trusted if i < len(d.cold.pushed_ah)), default=0.0)
                       for d in history.digests)  # fmt: skip
    rated = history.facts.rated_ah
    month = max(
        math.fsum(ah for e, ah, _, _ in rows if 0 <= (e.start_s - d.start_s) / 86400 < MONTH)
        for d, _, _, _ in rows
    )
    minutes = math.fsum(m for _, _, m, _ in rows)
    watch, act = limits["cold_charge_watch"] * rated, limits["cold_charge_act"] * rated
    severity = _severity(month, watch, act) if minutes >= 10 else "note"
    coldest = min((low for _, _, _, low in rows if math.isfinite(low)), default=math.nan)
    floor = history.facts.charge_floor_c
    evidence = (
        (
            f"{total:.1f} Ah in {minutes:.0f} min on {len(rows)} days, {rows[0][0].day} to "
            f"{rows[-1][0].day}, "
            "each push "
            "lasting 5 min or more above 0.02 C with a cell sensor 1 K or more below the floor of "
            f"{floor:g} °C."
        ),
        f"With readings just below the floor {at_all:.1f} Ah; the coldest cell may be colder yet.",
        f"Up to {month:.1f} Ah within {MONTH} days; coldest reading on these days {coldest:.1f} °C.",
    )
    return (
        Finding(
            kind="cold_charging",
            pack=history.facts.name,
            cell=None,
            since=rows[0][0].day,
            severity=severity,
            confidence=0.95 if len(rows) > 1 else 0.85,
            value=round(total, 2),
            low=round(0.95 * total, 2),
            high=round(1.05 * max(total, at_all), 2),
            unit="Ah",
            meaning=COLD_MEANING,
            check_next=COLD_CHECK,
            evidence=evidence,
        ),
    )
