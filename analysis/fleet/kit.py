"""What to take along to a bank, by what was found there. Common practice of the trade, no source."""

from __future__ import annotations

from collections.abc import Mapping

ALWAYS = "insulated tools, eye protection, covers for the terminals, a multimeter that shows millivolts"
"""For every visit."""

_CELL_CHARGER = "a bench supply for one cell (3.65 V, 10 A or more)"
_CLAMP = "a clamp meter for direct current"
_TORQUE = "an insulated torque wrench and the maker's torques"
_MILLIOHM = "a milliohm meter, or the clamp meter and a load to switch"
_LAPTOP = "a laptop for the settings of pack and inverter"
_CABLES = "a spare bus adapter and cable"

KIT: Mapping[str, tuple[str, ...]] = {
    "static_offset": (_CELL_CHARGER,),
    "self_discharge": (_CELL_CHARGER, "a thermal camera or contact thermometer"),
    "low_capacity": ("half a day for a capacity test", "the warranty papers"),
    "high_resistance": (_MILLIOHM, _TORQUE),
    "loose_link": (_TORQUE, _MILLIOHM, "a fibre brush and contact paste"),
    "sense_lead": ("spare sense leads, ring terminals and the crimping tool",),
    "temperature_sensor": ("a contact thermometer", "a spare sensor"),
    "current_sensor": (_CLAMP, _LAPTOP),
    "uneven_sharing": (_CLAMP, _TORQUE, _MILLIOHM),
    "lead_resistance": (_MILLIOHM, _TORQUE, "lugs, fuse and crimping tool for the battery cable"),
    "heater_fault": (_CLAMP, "a spare heater fuse and, if the pack allows it, a heater"),
    "cold_charging": (_LAPTOP, "a contact thermometer"),
    "balancing_behind": (_LAPTOP, _CELL_CHARGER),
    "capacity_fade": ("half a day for a capacity test", "the warranty papers"),
    "data_gap": (_CABLES, "a spare card and power supply for the logger"),
}
"""By kind of finding."""

SILENT: tuple[str, ...] = (
    _CABLES,
    "a spare card and power supply for the logger",
    "a telephone to go online by",
)
"""For a bank that sends nothing: ring up first."""
