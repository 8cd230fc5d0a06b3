"""What was found, in words first; and the short summary at the top."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from analysis.estimate import Estimate
from analysis.finding import SEVERITIES, Finding
from analysis.history import Bank
from analysis.report import words
from analysis.report.dates import humane
from analysis.report.numbers import say, value_text
from analysis.report.scope import Scope, together
from analysis.report.section_coverage import share
from analysis.report.section_energy import stock_words
from analysis.report.value import Card, Figure, Section, Statement, Tone

LITTLE = 0.9
"""A recorded share of the time below which the verdict says so. [1]"""


def ordered(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The worst first; among equals the surer first."""
    return tuple(
        sorted(findings, key=lambda f: (-SEVERITIES.index(f.severity), -f.confidence, f.pack, f.cell or 0))
    )


def with_open_begin(findings: Sequence[Finding], bank: Bank) -> tuple[Finding, ...]:
    """Findings as old as the record may be older: it cannot tell what was before it."""
    return as_old(findings, {h.facts.name: h.days[0] for h in bank.packs if h.days})


def as_old(findings: Sequence[Finding], first: Mapping[str, str]) -> tuple[Finding, ...]:
    """The same, from the first day on record of each pack."""
    return tuple(
        replace(f, began_before=True) if f.since and f.since <= first.get(f.pack, "") else f for f in findings
    )


def verdict(scope: Scope) -> Statement:
    """Say in one sentence whether the bank is in order, as far as the readings tell."""
    who = "Bank" if len(scope.names) > 1 else _who(scope.names[0]) if scope.names else "Bank"
    if not any(scope.days(h).digests for h in scope.bank.packs):
        return Statement("Nothing was recorded in these days, so nothing can be said.", "unknown", who)
    act, watch = (sum(f.severity == s for f in scope.findings) for s in ("act", "watch"))
    eye = f"{_count(watch)} to keep an eye on"
    tone: Tone = "act" if act else "watch" if watch else "good"
    if act:
        text = f"{_count(act)} to act on" + (f", {eye}" if watch else "")
    elif watch:
        text = f"{eye}; nothing that asks for action now"
    else:
        text = "in order: nothing found that needs watching or doing"
    return Statement(f"{text[:1].upper()}{text[1:]}{_as_far_as(scope)}.", tone, who)


def _count(n: int) -> str:
    return "one thing" if n == 1 else f"{n} things"


def _as_far_as(scope: Scope) -> str:
    """What the verdict could not look at."""
    doubts = []
    shares = [share(scope, scope.days(h)).value or 0.0 for h in scope.bank.packs]
    if min(shares) < LITTLE:
        doubts.append(f"only {100 * min(shares):.0f}\u202f% of the time was recorded")
    blind = [p.name for p in scope.health.packs if all(c.top.value is None for c in p.imbalance.cells)]
    if blind:
        doubts.append(f"the cells of pack {' and '.join(blind)} could not be compared")
    return f", but {' and '.join(doubts)}" if doubts else ""


def answer(scope: Scope) -> tuple[Statement, ...]:
    """The verdict, and what it rests on: a line for each finding, and for the packs without any."""
    return (verdict(scope), *(short_statements(scope) if scope.findings else ()))


def short_statements(scope: Scope) -> tuple[Statement, ...]:
    """One line for each finding and for each pack without any."""
    found = ordered(scope.findings)
    lines = [Statement(_one_line(f), f.severity, _who(f.pack)) for f in found]
    troubled = {f.pack for f in found}
    quiet = [name for name in scope.names if name not in troubled]
    lines += together(
        Statement("Nothing found that needs watching or doing.", "good", _who(name)) for name in quiet
    )
    return tuple(lines)


def _who(pack: str) -> str:
    return "Bank" if pack == "bank" else f"Pack {pack}"


def _one_line(finding: Finding) -> str:
    return (
        f"{words.headline(finding)}, since {words.begin_text(finding)}; {words.sureness(finding.confidence)}."
    )


def glance(scope: Scope) -> tuple[Statement, ...]:
    """The window at a glance, a line each: energy, efficiency, cold, capacity."""
    packs = scope.health.packs
    flows = [
        f"pack {p.name} {say(p.throughput.wh_in)} in, {value_text(p.throughput.wh_out)} out"
        for p in packs
        if p.throughput.wh_in.value is not None
    ]
    heat = [f"pack {p.name} {value_text(p.cold.on_time)}" for p in packs if (p.cold.on_time.value or 0) > 0]
    ratios = _known("of the energy put in came out again", [(p.name, p.efficiency.round_trip) for p in packs])
    held = [(p.name if p.capacity.pairs else f"{p.name} about", p.capacity.usable) for p in packs]
    full = _known("from full to empty", held)
    heated = f"The heater was on each day: {', '.join(heat)}." if heat else "No heater was on."
    energy = f"{_list(flows)}. {stock_words(scope)}".strip() if flows else "Nothing was recorded."
    return (
        Statement(energy, "plain", "Energy"),
        Statement(ratios, "plain", "Efficiency"),
        Statement(heated, "plain", "Cold"),
        Statement(full, "plain", "Capacity"),
    )


def _known(what: str, values: list[tuple[str, Estimate]]) -> str:
    """Say the values that are known, and why if none is."""
    known = [f"pack {name} {say(e)}" for name, e in values if e.value is not None]
    if known:
        return f"{_list(known)} {what}."
    reasons = {humane(e.reason) for _, e in values}
    return f"Not known yet: {'; '.join(sorted(reasons))}."


def _list(parts: list[str]) -> str:
    text = "; ".join(parts)
    return text[:1].upper() + text[1:]


def findings_section(scope: Scope, figures: Callable[[Finding], tuple[Figure, ...]]) -> Section:
    """A card for each finding.

    Parameters
    ----------
    scope : Scope
    figures : callable
        Gives the figures that show a finding; may give none.
    """
    cards = [Card(humane_finding(f), figures(f)) for f in ordered(scope.findings)]
    if not cards:
        text = "Nothing was found in these days that a skilled technician would act on or keep an eye on."
        return Section("found", "What was found", (Statement(text, "good"),))
    return Section("found", "What was found", tuple(cards))


def humane_finding(finding: Finding) -> Finding:
    """The finding with its dates written as people write them."""
    return replace(
        finding,
        meaning=humane(finding.meaning),
        check_next=humane(finding.check_next),
        evidence=tuple(humane(e) for e in finding.evidence),
    )
