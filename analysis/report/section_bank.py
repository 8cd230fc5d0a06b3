"""The packs together and beside other instruments: sharing, leads, sensors."""

from __future__ import annotations

from dataclasses import replace

from analysis.estimate import Estimate
from analysis.packs.sharing import Sharing
from analysis.packs.witness import PackWitness
from analysis.report.numbers import value_text
from analysis.report.scope import Scope
from analysis.report.value import Block, Numbers, Row, Section, Statement


def bank_section(scope: Scope) -> Section:
    """How the packs share, what the leads lose, and what is known of the sensors."""
    blocks: list[Block] = []
    sharing = scope.health.sharing
    if sharing.shares:
        blocks += [_share_words(sharing), _shares(sharing), _circulating(sharing)]
    blocks += [_witness(w) for w in scope.health.witness]
    blocks.append(_sensors(scope))
    return Section("together", "The packs together", tuple(blocks))


def _share_words(sharing: Sharing) -> Statement:
    parts = [
        f"pack {s.pack} carries {value_text(s.current)} (fair would be {100 * s.fair:.0f}\u202f%)"
        for s in sharing.shares
        if s.current.value is not None
    ]
    if not parts:
        return Statement("How the packs share cannot be told from these readings.", "unknown")
    text = ", ".join(parts)
    return Statement(f"Of the current, {text}.")


def _shares(sharing: Sharing) -> Numbers:
    return Numbers(
        tuple(s.pack for s in sharing.shares),
        (
            Row("share_current", "Part of the current", tuple(s.current for s in sharing.shares)),
            Row("share_charge", "Part of the charge moved", tuple(s.charge for s in sharing.shares)),
            Row(
                "share_trend",
                "Change of that part in a year",
                tuple(s.trend_per_year for s in sharing.shares),
            ),
        ),
    )


def _circulating(sharing: Sharing) -> Numbers:
    rows = [
        Row("circulating", "Charge the packs push into each other at idle, each day", (sharing.circulating,)),
        Row("circulating_max", "Largest such current", (sharing.circulating_max,)),
    ]
    for lead in sharing.leads:
        label = f"Lead of pack {lead.first} less that of pack {lead.second}"
        rows.append(Row(f"lead_{lead.first}_{lead.second}", label, (lead.difference,)))
    return Numbers(("Bank",), tuple(rows))


def _witness(seen: PackWitness) -> Numbers:
    worst = f" at {seen.worst_a:.0f}\u202fA, its largest current"
    rows = (
        Row("path", "Resistance between pack and witness", (seen.path,)),
        Row("conductor", "Of the copper alone, from length and area as entered", (seen.conductor,)),
        Row("drop", f"Voltage lost on the way{worst}", (seen.drop,)),
        Row("heat", f"Heat in it{worst}", (seen.heat,)),
        Row("path_trend", "Change of that resistance in a year", (seen.trend_per_year,)),
        Row("soc_gap", "State of charge shown there less that shown by the pack", (seen.soc_gap,)),
    )
    named = tuple(replace(r, key=f"{r.key}.{seen.witness}") for r in rows)
    return Numbers((seen.pack,), named, f"Pack {seen.pack} as seen from {seen.witness}", folded=True)


def _sensors(scope: Scope) -> Numbers:
    def row(key: str, label: str, name: str) -> Row:
        values: tuple[Estimate, ...] = tuple(getattr(p.sensor, name) for p in scope.health.packs)
        return Row(key, label, values)

    rows = (
        row("zero", "Current sensor: reading when no current flows", "offset"),
        row("gain", "Current sensor: reading over that of the witness", "gain"),
        row("dead_band", "Current sensor: smallest current it shows", "dead_band"),
    )
    return Numbers(scope.names, rows, "The sensors")
