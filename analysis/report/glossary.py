"""Terms that a report may use, each with one line."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Term:
    """A term, its line, and other spellings under which a text uses it (lower case)."""

    term: str
    meaning: str
    forms: tuple[str, ...] = ()


GLOSSARY: tuple[Term, ...] = (
    Term(
        "95 % interval",
        "The true value lies in it 95 times out of 100, if the method's assumptions hold.",
        ("interval",),
    ),
    Term("Ah", "Ampere-hour: charge. One ampere for one hour.", (" ah ", "\u202fah", "ampere-hour")),
    Term(
        "anchor",
        "A moment at which the charge in the pack is known well: really full, or really low.",
        ("anchors",),
    ),
    Term("ambient", "The air around the pack."),
    Term(
        "balancing",
        "Small currents that take charge off the fullest cells near the top of charge.",
        ("balancer",),
    ),
    Term("bank", "All packs together, connected in parallel."),
    Term(
        "cell", "One of the battery cells in series inside a pack, counted from the negative end.", ("cells",)
    ),
    Term(
        "charging floor",
        "The temperature at or below which a pack must not be charged: freezing, or what you entered.",
    ),
    Term(
        "closed window",
        "The time from one full charge to a later one: the pack holds the same at both ends.",
        ("closed windows", "full to full"),
    ),
    Term("counted", "Added up from the readings themselves; nothing in it is estimated."),
    Term("coverage", "The share of the time for which usable readings exist.", ("recorded",)),
    Term(
        "full cycle",
        "One rated capacity in and out again, no matter in how many pieces.",
        ("equivalent full cycles", "full cycles", "efc"),
    ),
    Term(
        "gain",
        "The factor between what a sensor shows and what flows; 100 % is right.",
        ("gains",),
    ),
    Term(
        "graphite step",
        "A small step in the voltage without load, always at the same charge of a healthy cell.",
        ("graphite steps",),
    ),
    Term("heater", "The heating mat inside the pack that keeps the cells above freezing."),
    Term(
        "knee",
        "The steep ends of the voltage curve, near full and near empty. Only there does a voltage say "
        "how full a cell is; in between it hardly moves.",
        ("knees",),
    ),
    Term(
        "lag",
        "How much charge a cell still lacks when the middle cell of the pack reaches the top.",
        (" behind", "ahead"),
    ),
    Term(
        "leak",
        "A steady small current by which a cell loses charge, in thousandths of an ampere (mA).",
        ("self-discharge",),
    ),
    Term(
        "median", "The middle one when all are put in order; one odd cell cannot move it.", ("middle cell",)
    ),
    Term(
        "plateau",
        "The long flat middle of the voltage curve, where voltage hardly tells how full a cell is.",
    ),
    Term("pack", "One battery with its own electronics."),
    Term("resistance", "How much a voltage gives way for each ampere, in thousandths of an ohm (mΩ)."),
    Term(
        "round-trip efficiency",
        "Energy that came out divided by energy that went in, between two moments of equal charge.",
        ("efficiency",),
    ),
    Term(
        "sealed day",
        "A finished day of readings, stored with a check sum so that any later change shows.",
        ("sealed days",),
    ),
    Term(
        "usable capacity",
        "Charge the pack delivered from full to low in use, as estimated here. Not a laboratory capacity.",
        ("capacity",),
    ),
    Term("zero error", "What a current sensor shows while nothing flows.", ("sensor zero",)),
    Term("witness", "Another instrument that sees the same bank, such as the inverter."),
)
