"""What the record says: health, findings, and what a finding means."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.commands import options
from logger.commands.options import BANK_TOML, AsJson, ConfigFile

if TYPE_CHECKING:
    from analysis.finding import Finding

First = Annotated[str | None, typer.Option("--from", help="First local day, as YYYY-MM-DD.", metavar="DAY")]
Last = Annotated[str | None, typer.Option("--to", help="Last local day, as YYYY-MM-DD.", metavar="DAY")]


def add(app: typer.Typer) -> None:
    """Hang the commands onto the tree."""
    app.command()(health)
    app.command()(findings)
    app.command()(explain)


def health(
    *, first: First = None, last: Last = None, as_json: AsJson = False, config_file: ConfigFile = BANK_TOML
) -> None:
    """Print every number the record supports, with its interval.

    Each with unit, 95 % interval, coverage and basis, or the reason why there is none.
    """
    from analysis.health import health as compute
    from logger.record.histories import bank

    config = options.load(config_file)
    begin, end = options.day_text(first, "--from"), options.day_text(last, "--to")
    if begin and end and end < begin:
        raise typer.BadParameter(f"--to {end} lies before --from {begin}")
    with options.record(config, "keep") as store, options.steps() as step:
        step("computing")
        result = compute(bank(store, config), begin, end)
    if as_json:
        options.print_json(result)
        return
    from logger.tables import show_health

    show_health(result)


def findings(*, as_json: AsJson = False, config_file: ConfigFile = BANK_TOML) -> None:
    """Print what has been found, the most serious first."""
    from analysis.findings import findings as find
    from logger.record.histories import bank

    config = options.load(config_file)
    with options.record(config, "keep") as store, options.steps() as step:
        step("computing")
        whole = bank(store, config)
        found = find(whole)
        if store.write:
            store.save_findings(found)
    if as_json:
        options.print_json([finding_json(f) for f in found])
        return
    from logger.tables import show_findings

    show_findings(found, whole)


def finding_json(finding: Finding) -> dict[str, Any]:
    """Return a finding as the object that scripts read."""
    interval = None if finding.low is None or finding.high is None else [finding.low, finding.high]
    return {
        "kind": finding.kind,
        "pack": finding.pack,
        "cell": finding.cell,
        "since": finding.since,
        "began_before": finding.began_before,
        "severity": finding.severity,
        "confidence": finding.confidence,
        "value": finding.value,
        "interval": interval,
        "unit": finding.unit,
        "forecast": None if finding.forecast is None else asdict(finding.forecast),
        "meaning": finding.meaning,
        "check_next": finding.check_next,
        "evidence": list(finding.evidence),
    }


def explain(
    kind: Annotated[str, typer.Argument(help="A kind of finding or warning; leave it out for a list.")] = "",
    *,
    as_json: AsJson = False,
) -> None:
    """Say what a kind of finding or live warning means."""
    from analysis.finding import KINDS
    from analysis.report.words import explain as words
    from logger.alerts.watch import KINDS as WARNINGS

    known = [*KINDS, *WARNINGS]
    if not kind:
        if as_json:
            options.print_json({"findings": list(KINDS), "warnings": list(WARNINGS)})
        else:
            print("Findings:      " + ", ".join(KINDS))
            print("Live warnings: " + ", ".join(WARNINGS))
        return
    if kind not in known:
        raise typer.BadParameter(f"there is no {kind!r}; one of {', '.join(known)}")
    text = words(kind) if kind in KINDS else f"{kind}: a live warning. It comes up when {WARNINGS[kind]}."
    if as_json:
        options.print_json({"kind": kind, "is": "finding" if kind in KINDS else "warning", "text": text})
    else:
        print(text)
