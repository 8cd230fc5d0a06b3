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
        "Cell {cell} is charged to another level than the others, by {value:.1f} Ah. "
        "If it stays there, nothing is wrong with it: the pack loses that much of its capacity until it is "
        "balanced."
    ),
    "high_resistance": (
        "Cell {cell} has a resistance {milli:.2f} mΩ above the others. Under load it sags first and on "
        "charge it "
        "peaks first, and it turns the difference into heat inside itself."
    ),
    "loose_link": (
        "The current meets {milli:.2f} mΩ too much at cell {cell}, more like a joint than like the cell "
        "itself. "
        "A loose or corroded link warms with the square of the current and gets worse by that."
    ),
    "sense_lead": (
        "The voltage that is read for cell {cell} is not the cell's own. The protection acts on it all the "
        "same: it may stop the pack for nothing, or not stop it when it should."
    ),
    "balancing_behind": (
        "The cells drift apart faster than balancing brings them together; cell {cell} is furthest behind. "
        "The pack "
        "loses usable capacity until balancing gets more time at the top, or help by hand."
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
    "high_resistance": (
        "With a clamp meter and a voltmeter a technician measures, under a steady load, from cell post to "
        "cell post "
        "and across each link, to see whether the cell or the joint drops the voltage."
    ),
    "loose_link": (
        "Switch the bank off. A qualified person checks the torque and the surfaces of the links at this "
        "cell with "
        "insulated tools, one conductor at a time, and measures the joint again under load."
    ),
    "sense_lead": (
        "A technician measures the cell at its posts with a voltmeter and compares; then looks at the "
        "sense lead "
        "and its connector at this cell and the next."
    ),
    "balancing_behind": (
        "Give the pack more hours at its full voltage, and see whether the offsets shrink; if not, a "
        "technician "
        "balances the cells by hand and checks the balancer."
    ),
}
"""What to check next and by whom, by kind."""
