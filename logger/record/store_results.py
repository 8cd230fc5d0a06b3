"""Findings and the numbers of reports, kept so that one can see when each was first said."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, insert, select, update

from logger.record import schema

if TYPE_CHECKING:
    from analysis.finding import Finding


def save_findings(conn: Connection, found: Sequence[Finding], now_ms: int) -> None:
    """Enter what stands now; findings that no longer do are marked gone."""
    f = schema.finding
    standing = {
        (r["pack"], r["kind"], r["cell"]): r
        for r in conn.execute(select(f).where(f.c.gone_ms.is_(None))).mappings()
    }
    for new in found:
        kept = standing.pop((new.pack, new.kind, new.cell), None)
        one = new if kept is None else dated(new, finding_from(kept["body"]))
        row: dict[str, Any] = {
            "severity": one.severity,
            "confidence": one.confidence,
            "since": one.since,
            "last_seen_ms": now_ms,
            "body": json.dumps(asdict(one), ensure_ascii=False),
        }
        if kept is None:
            conn.execute(
                insert(f).values(pack=one.pack, kind=one.kind, cell=one.cell, first_seen_ms=now_ms, **row)
            )
        else:
            conn.execute(update(f).where(f.c.id == kept["id"]).values(row))
    for gone in standing.values():
        conn.execute(update(f).where(f.c.id == gone["id"]).values(gone_ms=now_ms))


def dated(new: Finding, kept: Finding) -> Finding:
    """Keep the day that was found while it was still looked back on."""
    if not new.began_before or not kept.since or kept.since >= new.since:
        return new
    return replace(new, since=kept.since, began_before=kept.began_before)


def finding_from(body: str) -> Finding:
    """Return a finding from its JSON form."""
    from analysis.finding import Finding, Forecast

    kept = json.loads(body)
    kept["evidence"] = tuple(kept["evidence"])
    kept["forecast"] = None if kept["forecast"] is None else Forecast(**kept["forecast"])
    return Finding(**kept)


def load_findings(conn: Connection, *, standing: bool = True) -> list[Finding]:
    """Return the findings kept, the standing ones or all, by when they were first seen."""
    f = schema.finding
    query = select(f.c.body).order_by(f.c.first_seen_ms, f.c.id)
    if standing:
        query = query.where(f.c.gone_ms.is_(None))
    return [finding_from(body) for body in conn.execute(query).scalars()]


def save_report(conn: Connection, kind: str, first_day: str, last_day: str, numbers: str, now_ms: int) -> int:
    """Keep the numbers of a report (JSON); return its number."""
    r = schema.report
    row = {"kind": kind, "first_day": first_day, "last_day": last_day, "made_ms": now_ms, "numbers": numbers}
    return int(conn.execute(insert(r).values(row).returning(r.c.id)).scalar_one())


def load_reports(conn: Connection, kind: str | None = None) -> list[dict[str, Any]]:
    """Return the reports kept, as rows of the table `report`."""
    r = schema.report
    query = select(r).order_by(r.c.made_ms)
    if kind is not None:
        query = query.where(r.c.kind == kind)
    return [dict(row) for row in conn.execute(query).mappings()]
