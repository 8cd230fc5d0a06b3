"""The same report on paper, set by typst.

Every text reaches typst as JSON data and is shown as a string, so nothing in it can be markup.
"""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import matplotlib as mpl
import typst

from analysis.report import numbers
from analysis.report.cards import card_text
from analysis.report.html import SIGNS
from analysis.report.numbers import METRIC, Units
from analysis.report.value import Block, Card, Figure, Gallery, Numbers, Report, Statement


def render(report: Report, units: Units = METRIC) -> bytes:
    """Set a report as PDF (A4, tagged, fonts embedded)."""
    template = files("analysis.report") / "templates" / "report.typ"
    sources: dict[str, bytes] = {"main": template.read_bytes()}
    sources["report.json"] = json.dumps(_document(report, units), ensure_ascii=False).encode()
    for figure in report.figures():
        sources[f"{figure.key}.svg"] = figure.svg.encode()
    return _compile(sources)


def _compile(sources: dict[str, bytes]) -> bytes:
    fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"
    compiler: Any = typst.compile  # its stub does not know that files may come from memory
    result = compiler(
        sources,
        font_paths=[str(fonts)],
        ignore_system_fonts=True,
        timestamp=0,
    )
    return bytes(result)


def _document(report: Report, units: Units) -> dict[str, Any]:
    return {
        "site": report.site,
        "title": report.title,
        "subtitle": report.subtitle,
        "footer": f"{report.footer} Times are local: {report.timezone}.",
        "sections": [
            {"title": s.title, "blocks": paired([_block(b, units) for b in s.blocks if _shown(b)])}
            for s in report.sections
        ],
        "glossary": [list(pair) for pair in report.glossary],
    }


def paired(blocks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Set two single figures that follow each other side by side: there is room on paper."""
    out: list[dict[str, Any]] = []
    for block in blocks:
        before = out[-1] if out else block
        if out and all(b["kind"] == "figures" and len(b["figures"]) == 1 for b in (before, block)):
            out[-1] = {"kind": "figures", "figures": [*before["figures"], *block["figures"]]}
        else:
            out.append(block)
    return out


def _shown(block: Block) -> bool:
    return not (isinstance(block, Numbers) and numbers.is_silent(block))


def _block(block: Block, units: Units) -> dict[str, Any]:
    if isinstance(block, Statement):
        return {
            "kind": "say",
            "sign": SIGNS[block.tone],
            "tone": block.tone,
            "label": block.label,
            "text": block.text,
        }
    if isinstance(block, Figure):
        return {"kind": "figures", "figures": [_figure(block)]}
    if isinstance(block, Gallery):
        return {"kind": "figures", "figures": [_figure(f) for f in block.figures]}
    if isinstance(block, Card):
        return _card(block, units)
    if isinstance(block, Numbers):
        return _numbers(block, units)
    return {
        "kind": "table",
        "title": block.title,
        "columns": list(block.columns),
        "rows": [list(r) for r in block.rows],
    }


def _figure(figure: Figure) -> dict[str, str]:
    source = f"{figure.window}. {figure.source}" if figure.source else figure.window
    return {"file": f"{figure.key}.svg", "title": figure.title, "alt": figure.alt, "source": source}


def _card(card: Card, units: Units) -> dict[str, Any]:
    text = card_text(card.finding, units)
    return {
        "kind": "card",
        "severity": card.finding.severity,
        "tag": text.tag,
        "headline": text.headline,
        "lines": [list(line) for line in text.lines],
        "caution": text.caution,
        "figures": [_figure(f) for f in card.figures],
        "evidence": list(card.finding.evidence),
    }


def _numbers(block: Numbers, units: Units) -> dict[str, Any]:
    placed = numbers.bases(block)
    rows = [
        {
            "label": row.label,
            "note": row.note,
            "basis": f"From {shared}." if shared else "",
            "why": numbers.same_reason(row.values) if len(row.values) > 1 else "",
            "cells": [
                {
                    "value": numbers.value_text(e, units),
                    "interval": numbers.interval_text(e, units),
                    "basis": basis,
                }
                for e, basis in zip(row.values, own, strict=True)
            ],
        }
        for row, shared, own in zip(block.rows, placed.rows, placed.values, strict=True)
    ]
    return {
        "kind": "numbers",
        "folded": block.folded,
        "title": block.title,
        "columns": list(block.columns),
        "rows": rows,
        "basis": f"All of these from {placed.block}." if placed.block else "",
    }
