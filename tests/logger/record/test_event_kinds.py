"""The list of kinds is held to the kinds that the program enters, read from its own source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import logger
from logger.record.event_kinds import BEARING, EVENT_KINDS, WARNING

ENTERING = {"event": 0, "note": 0, "add_event": 1, "ClockChange": 0}
"""Calls that enter an event, and which argument is its kind."""


def literals(node: ast.expr) -> Iterator[str]:
    """Strings an argument can be; the fixed beginning of one that is put together."""
    if isinstance(node, ast.IfExp):
        yield from literals(node.body)
        yield from literals(node.orelse)
    elif isinstance(node, ast.JoinedStr):
        yield from literals(node.values[0])
    elif isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value


def entered() -> Iterator[tuple[str, str]]:
    for path in Path(logger.__file__).parent.rglob("*.py"):
        if path.parent.name == "page":
            continue  # its `event` writes to a browser
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(call, ast.Call):
                name = (
                    call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
                )
                place = ENTERING.get(name)
                if place is not None and len(call.args) > place:
                    yield from ((kind, path.name) for kind in literals(call.args[place]))


def test_every_kind_that_is_entered_is_listed_and_the_other_way_round() -> None:
    found = {kind for kind, _ in entered()}
    assert found - {WARNING} == set(EVENT_KINDS)
    assert WARNING in found


def test_what_a_claim_lists_can_happen() -> None:
    assert set(BEARING) <= set(EVENT_KINDS)
