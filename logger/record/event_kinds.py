"""Every kind of event a record may hold, in words; a test holds the list to what is really entered."""

from __future__ import annotations

EVENT_KINDS: dict[str, str] = {
    "logging": "the logger ran",
    "outage": "a source gave nothing",
    "source": "trouble with a source",
    "dropped": "readings that could not be right",
    "identity": "a pack said something else about itself",
    "clock_set": "the time became known",
    "clock_step": "the clock was corrected",
    "disk": "the disk took nothing",
    "damage": "the record was damaged",
    "salvage": "readings saved from a damaged record",
    "sealed": "a day was sealed",
    "sealing": "a day could not be sealed",
}
"""Kind to words. Live warnings come beside these, as `WARNING` and a kind of `logger.alerts.watch.KINDS`."""

WARNING = "warning_"
"""How the kind of an event begins that is a live warning."""

BEARING = ("outage", "dropped", "identity", "clock_set", "clock_step", "disk", "damage", "salvage")
"""Kinds that bear on whether a record can be relied upon: a claim lists them."""
