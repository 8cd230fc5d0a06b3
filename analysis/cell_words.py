"""Plain words of the cell findings: what each means and what to check next, and by whom."""

from __future__ import annotations

MEANING = {
    "self_discharge": (
        "Cell {cell} loses charge on its own, {value:.0f} mA more than its neighbours. It falls further "
        "behind every day; in time it will be the first to run empty and end the discharge of the whole pack."
    ),
    "low_capacity": (
        "Cell {cell} holds {value:.0f} Ah less than the others. It is the first to be empty, and can be "
        "the first to be full: the pack can only use what this cell holds."
    ),
    "static_offset": (
        "Cell {cell} is charged to another level than the others, by {value:.1f} Ah, and stays there. "
        "Nothing is wrong with it; the pack loses that much of its capacity until it is balanced."
    ),
}
"""What a finding means, by kind; `cell` and `value` are filled in."""

CHECK_NEXT = {
    "self_discharge": (
        "Let the pack stand full for a week and compare the cells' voltages; a technician should look for "
        "a leaking sense lead or balancing resistor at this cell before the cell itself is blamed."
    ),
    "low_capacity": (
        "Run a full capacity test down to the first cell at its lower limit and note which cell ends it; a "
        "technician can then test the cell alone."
    ),
    "static_offset": (
        "Hold the pack at its full voltage for some hours on several days, so that balancing can work, and "
        "watch the offset shrink; a technician can charge or discharge the one cell by hand."
    ),
}
"""What to check next and by whom, by kind."""
