"""How every number was made, with its source, and what its uncertainty means."""

from __future__ import annotations

from analysis.report.value import Section, Statement, Table

METHODS: tuple[tuple[str, str, str], ...] = (
    (
        "Charge and energy",
        "Trapezoid sums of current, and of voltage times current; never across a gap.",
        "common practice",
    ),
    (
        "Cycles and their depth",
        "Rainflow count of the net charge; open ranges count half.",
        "ASTM E1049-85 (2011), 5.4.4",
    ),
    (
        "Round-trip efficiency",
        (
            "Energy out over energy in between two equal full charges; the zero error of the sensor is "
            "shown, and taken out."
        ),
        "PNNL-22010 Rev. 2 (2016)",
    ),
    (
        "Place of a cell",
        (
            "Charge by which a cell crosses the steep parts of the voltage curve before or after the middle "
            "cell."
        ),
        "own method, described in METHODS.md of the program",
    ),
    (
        "Drift of a cell",
        "Straight line through these places, robust against single odd days, with its onset.",
        "P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379",
    ),
    (
        "Usable capacity",
        "Charge counted between a full charge and the low knee, errors in both.",
        "G. L. Plett, J. Power Sources 196 (2011) 2319",
    ),
    (
        "Heating against the air",
        "Change-point line through whole days.",
        "ASHRAE RP-1050, inverse modelling toolkit",
    ),
    (
        "Uncertainty",
        "95 % intervals; independent parts added in quadrature, shared ones linearly.",
        "JCGM 100:2008 (GUM)",
    ),
    ("Integrity", "SHA-256 of every sealed day, each chained to the one before.", "FIPS 180-4"),
    (
        "Time stamp, if one is enclosed",
        "An outside authority signs the hash of the list of files, with the time.",
        "RFC 3161",
    ),
)
"""What, how, source."""


def methods_section(versions: tuple[tuple[str, str], ...]) -> Section:
    """Methods with sources, and the versions of the programs that computed them."""
    return Section(
        "methods",
        "How it was computed",
        (
            Statement(
                "Every number carries a 95 % interval, or the reason why it has none, and what it was "
                "computed from. The intervals hold what repeated measurement scatters and what an ordinary "
                "sensor may be wrong by; they do not hold a sensor that is broken in a way no other reading"
                " shows."
            ),
            Table(("Number", "How", "Source"), METHODS, "Methods"),
            Table(("Part", "Version"), versions, "Versions"),
        ),
    )
