"""The tables of the record, for SQLAlchemy Core. Times are ms UTC, values the catalogue's integers.

Anyone may read them with plain SQL: `reading` and `witness_reading` hold the days not yet sealed, one row a
subject and instant; `sealed_day` holds every earlier day as a Parquet blob (see `logger.record.sealing`).
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
)

from adapters.channels import CATALOGUE, WITNESS_CATALOGUE, Channel

SCHEMA_VERSION = 3
"""Kept in `meta`; raised by every migration (see `logger.record.migrate`)."""

metadata = MetaData()


def _number() -> Column[int]:
    """Return an INTEGER PRIMARY KEY that counts up."""
    return Column("id", Integer, primary_key=True, autoincrement=True)


def _columns(catalogue: dict[str, Channel]) -> list[Column[int]]:
    """Return one column a channel; bit sets and readings without a unit's bound need 64 bits on a server."""
    return [Column(c.name, BigInteger if c.kind == "bits" else Integer) for c in catalogue.values()]


meta = Table("meta", metadata, Column("key", Text, primary_key=True), Column("value", Text, nullable=False))

pack = Table(
    "pack",
    metadata,
    _number(),
    Column("name", Text, nullable=False, unique=True),
    Column("facts", Text, nullable=False),  # JSON of analysis.facts.PackFacts
    Column("created_ms", BigInteger, nullable=False),
)

source = Table(
    "source",
    metadata,
    _number(),
    Column("name", Text, nullable=False, unique=True),  # a witness, by its name in bank.toml
    Column("created_ms", BigInteger, nullable=False),
)

boot = Table(
    "boot",
    metadata,
    _number(),
    Column("boot_id", Text, nullable=False, unique=True),
    Column("offset_ms", BigInteger, nullable=False),  # wall = monotonic + offset
    Column("trust", Text, nullable=False),
    Column("first_ms", BigInteger, nullable=False),
)

reading = Table(
    "reading",
    metadata,
    Column("time_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("pack_id", Integer, ForeignKey("pack.id"), primary_key=True, autoincrement=False),
    Column("provisional", Integer),  # boot.id while that boot's clock is not known to be right
    *_columns(CATALOGUE),
    sqlite_with_rowid=False,
)

witness_reading = Table(
    "witness_reading",
    metadata,
    Column("time_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("source_id", Integer, ForeignKey("source.id"), primary_key=True, autoincrement=False),
    Column("provisional", Integer),
    *_columns(WITNESS_CATALOGUE),
    sqlite_with_rowid=False,
)

event = Table(
    "event",
    metadata,
    _number(),
    Column("start_ms", BigInteger, nullable=False),
    Column("end_ms", BigInteger),  # NULL while it lasts
    Column("kind", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("count", Integer, nullable=False),  # how many like it were folded into this row
    Index("event_by_start", "start_ms"),
)

sealed_day = Table(
    "sealed_day",
    metadata,
    Column("seq", Integer, primary_key=True, autoincrement=True),  # the order of the chain
    Column("kind", Text, nullable=False),  # "pack" or "witness"
    Column("name", Text, nullable=False),
    Column("day", Text, nullable=False),  # local date, YYYY-MM-DD
    Column("revision", Integer, nullable=False),
    Column("supersedes", Integer),  # seq of the revision this one replaces
    Column("zone", Text, nullable=False),
    Column("row_count", Integer, nullable=False),
    Column("first_ms", BigInteger, nullable=False),
    Column("last_ms", BigInteger, nullable=False),
    Column("sealed_ms", BigInteger, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("chain", Text, nullable=False),
    Column("blob", LargeBinary, nullable=False),
    Index("sealed_day_by_subject", "kind", "name", "day", "revision", unique=True),
)

digest = Table(
    "digest",
    metadata,
    Column("pack", Text, primary_key=True),
    Column("day", Text, primary_key=True),
    Column("seq", Integer, nullable=False),  # the sealed_day it was made from
    Column("version", BigInteger, nullable=False),
    Column("facts", Text, nullable=False),  # fingerprint of the facts it was made with
    Column("core", LargeBinary, nullable=False),  # what every long look back reads, zlib
    Column("detail", LargeBinary, nullable=False),  # what only recent months need, zlib
)

finding = Table(
    "finding",
    metadata,
    _number(),
    Column("pack", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("cell", Integer),
    Column("severity", Text, nullable=False),
    Column("confidence", Float, nullable=False),
    Column("since", Text, nullable=False),
    Column("first_seen_ms", BigInteger, nullable=False),
    Column("last_seen_ms", BigInteger, nullable=False),
    Column("gone_ms", BigInteger),  # NULL while it stands
    Column("body", Text, nullable=False),  # JSON of analysis.finding.Finding
)

identity = Table(
    "identity",
    metadata,
    _number(),
    Column("subject", Text, nullable=False),
    Column("source", Text, nullable=False),  # by its name in bank.toml
    Column("name", Text, nullable=False),  # "serial", "model", … as the map calls it
    Column("value", Text, nullable=False),
    Column("first_ms", BigInteger, nullable=False),
    Column("last_ms", BigInteger, nullable=False),
    Column("provisional", Integer),  # boot.id while that boot's clock is not known to be right
)

report = Table(
    "report",
    metadata,
    _number(),
    Column("kind", Text, nullable=False),
    Column("first_day", Text, nullable=False),
    Column("last_day", Text, nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("numbers", Text, nullable=False),  # JSON of every number in it
    Index("report_by_day", "kind", "last_day"),
)
