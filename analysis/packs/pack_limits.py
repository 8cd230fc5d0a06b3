"""Limits of the findings about whole packs, leads, sensors and the cold: rows of the table of thresholds."""

from __future__ import annotations

PRACTICE = "common practice, no source"

PACK_ROWS: tuple[tuple[str, float, str, str, str], ...] = (
    ("temp_shift_watch_k", 4.0, "K", ("A temperature sensor shifted so far against the others, "
        "watched."), PRACTICE),
    ("temp_shift_act_k", 9.0, "K", "The same, acted upon: charging in the cold may go unseen.", PRACTICE),
    ("offset_note_a", 0.15, "A", "Zero error of the current sensor, certain, noted.", PRACTICE),
    ("offset_watch_a", 0.45, "A", "The same, watched: beyond what such sensors have.", PRACTICE),
    ("gain_note", 0.01, "1", "Gain against a witness, beyond what ±1 % for every sensor explains, noted.",
     PRACTICE),
    ("gain_step_note", 0.012, "1", ("The same if it changed by this for certain on one day, and lies off "
        "by it."), PRACTICE),
    ("gain_watch", 0.03, "1", "The same, watched.", "beyond three sensors of 1 % each"),
    ("sharing_note", 0.055, "1", ("A pack's part of changes of current off its part of capacity, "
        "noted."), PRACTICE),
    ("sharing_watch", 0.13, "1", "The same, watched.", PRACTICE),
    ("sharing_lead_ohm", 0.8e-3, "Ω", ("A pack that carries too little and whose lead exceeds another's by "
        "this for certain is watched: two witnesses agree."), "10 W at 110 A, in one lead or joint"),
    ("sharing_act", 0.35, "1", "The same, acted upon.", PRACTICE),
    ("lead_rise_note_ohm", 1.5e-4, "Ω", "Rise of a lead's resistance, certain, noted.", PRACTICE),
    ("lead_rise_watch_ohm", 3e-4, "Ω", "The same, watched.", "0.3 mΩ at 150 A make 7 W in one joint"),
    ("lead_heat_act_w", 20.0, "W", "Heat that the rise makes at the highest current seen, acted upon.",
     "0.5 mΩ at 200 A, a joint too hot to touch"),
    ("lead_excess_watch_w", 60.0, "W", "Heat beyond what the conductor alone would make, watched.", PRACTICE),
    ("lead_difference_watch_ohm", 1.0e-3, "Ω", "Two packs' leads apart by this, watched.", PRACTICE),
    ("heater_rise_k_h", 0.6, "K/h", "A heater on for longer that warms the cells by less has no effect.",
     "60 W over 25 Wh/K are 2.4 K/h"),
    ("heater_idle_h", 2.0, "h", "Hours on without effect, watched; twice as many are acted upon.", PRACTICE),
    ("heater_power_drop", 0.3, "1", "Part of its power a heater lost, certain, watched.", PRACTICE),
    ("cold_charge_note_ah", 0.3, "Ah", "Charge pushed clearly below the floor, noted.", PRACTICE),
    ("cold_charge_watch", 0.005, "1", "The same in a month, as part of the rated charge, watched.", PRACTICE),
    ("cold_charge_act", 0.05, "1", "The same in a month, acted upon.", PRACTICE),
    ("fade_note_year", 0.03, "1", "Loss of capacity in a year, certain, noted.",
     "2–3 % a year on average over 21 home systems: Figgener et al., Nature Energy 9 (2024) 1438"),
    ("fade_watch_year", 0.045, "1", "The same, watched.", PRACTICE),
    ("fade_act_year", 0.10, "1", "The same, acted upon.", PRACTICE),
    ("fade_change_watch", 0.05, "1", "Loss since the record began, certain, watched.", PRACTICE),
    ("capacity_watch", 0.80, "1", "Usable part of the rated capacity, certainly below, watched.", PRACTICE),
    ("capacity_act", 0.65, "1", "The same, acted upon.", PRACTICE),
    ("gap_note_h", 1.0, "h", "A single gap of the last 30 days, noted.", PRACTICE),
    ("gap_note_share", 0.03, "1", "Part of the last 30 days missing, noted.", PRACTICE),
    ("gap_watch_h", 12.0, "h", "The same, watched.", PRACTICE),
    ("gap_watch_share", 0.2, "1", "Part of the last 30 days missing, watched.", PRACTICE),
)  # fmt: skip
"""Name, value, unit, meaning, source."""
