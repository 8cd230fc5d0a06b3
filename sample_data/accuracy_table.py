"""Prints verdicts: one line a fault, the confusion of causes, and the sums that the goals speak of."""

from __future__ import annotations

from collections.abc import Sequence

from sample_data.accuracy import CELL_KINDS, Verdict
from sample_data.bank import Fault


def _days(value: int | None) -> str:
    return "–" if value is None else str(value)


def _yes(value: bool | None) -> str:
    return "–" if value is None else "yes" if value else "NO"


def _name(fault: Fault) -> str:
    cell = f" {fault.cell}" if fault.cell else ""
    return f"{fault.kind} {fault.size:g} {fault.variant} {fault.pack}{cell}".replace("  ", " ")


def _line(titles: Sequence[tuple[str, int]], cells: Sequence[str]) -> str:
    """Cells in columns; a negative width is flush left."""
    pairs = zip(cells, titles, strict=True)
    return " ".join(c.ljust(-width) if width < 0 else c.rjust(width) for c, (_, width) in pairs).rstrip()


def table(verdicts: Sequence[Verdict]) -> str:
    """Return the verdicts as lines of text, one a fault."""
    titles: list[tuple[str, int]] = [
        ("fault", -44),
        ("telemetry", -15),
        ("found", 6),
        ("delay", 5),
        ("lead", 4),
        ("trip in", 7),
    ]
    titles += [("cause given", -20), ("conf", 4), ("value", 9), ("truth", 9), ("unit", -4), ("in 95 %", -7)]
    lines = [_line(titles, [title for title, _ in titles])]
    for v in verdicts:
        found = "yes" if v.found else "note" if v.noted else "NO"
        value, truth = ("–" if x is None else f"{x:.3g}" for x in (v.value, v.truth))
        cells = [
            _name(v.fault),
            v.case.split(":")[0],
            found,
            _days(v.delay_d),
            _days(v.lead_d),
            _yes(v.forecast),
        ]
        cells += [
            v.kind + ("" if v.right else " ✗"),
            f"{v.confidence:.2f}",
            value,
            truth,
            v.unit,
            _yes(v.covered),
        ]
        lines.append(_line(titles, cells))
        lines.extend(f"{'':8}false: {text}" for text in v.false)
    return "\n".join(lines)


def confusion(verdicts: Sequence[Verdict]) -> str:
    """Return true against given cause, as lines of text."""
    counts: dict[tuple[str, str], int] = {}
    for v in verdicts:
        key = (v.fault.kind, v.kind or "nothing")
        counts[key] = counts.get(key, 0) + 1
    return "\n".join(f"{true:20} → {given:20} {n}" for (true, given), n in sorted(counts.items()))


def summary(verdicts: Sequence[Verdict]) -> str:
    """Return the sums that the goals speak of."""
    n = len(verdicts)
    found = sum(v.found is not None for v in verdicts)
    right = sum(v.right for v in verdicts)
    cells = [v for v in verdicts if v.fault.kind in CELL_KINDS and v.found]
    held = [v.covered for v in verdicts if v.covered is not None]
    trips = [v for v in verdicts if v.lead_d is not None]
    foreseen = [v.forecast for v in verdicts if v.forecast is not None]
    early = sum(1 for v in trips if v.lead_d is not None and v.lead_d >= 14)
    return "\n".join(
        (
            f"found at watch or above: {found} of {n}",
            f"cause right: {right} of {n}",
            f"cause right of the cell faults found: {sum(v.right for v in cells)} of {len(cells)}",
            f"95 % interval holds the truth: {sum(held)} of {len(held)}",
            f"found 14 days or more before the first trip: {early} of {len(trips)}",
            f"trip inside the forecast: {sum(foreseen)} of {len(foreseen)}",
            f"false findings of watch or above beside the faults: {sum(len(v.false) for v in verdicts)}",
        )
    )
