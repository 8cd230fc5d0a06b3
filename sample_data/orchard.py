"""The orchard scenario: the cider house of a hill orchard, with two packs in an unheated outbuilding.

Everything is invented: place, family, packs. Pack A is healthy. In pack B cell 11 discharges itself by
22 mA more than its neighbours, which the balancer cannot make good.
"""

from __future__ import annotations

from typing import Final

from sample_data.bank import Fault, PackSpec, Scenario

LEAKING_PACK: Final = "B"
LEAKING_CELL: Final = 11
LEAK_A: Final = 0.022
"""Truth about the one thing that is wrong. [A]"""

PACK_A: Final = PackSpec(name="A", capacity_ah=284.0, gain=1.003, offset_a=0.03, seed=21)
PACK_B: Final = PackSpec(name="B", capacity_ah=282.5, gain=0.998, offset_a=-0.04, lead_ohm=2.6e-3, seed=34)

ORCHARD: Final = Scenario(
    name="orchard",
    packs=(PACK_A, PACK_B),
    faults=(Fault("self_discharge", LEAKING_PACK, LEAKING_CELL, LEAK_A),),
)
