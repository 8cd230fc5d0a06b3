"""The tables of the central database. Rows are added, never changed: the pushing role can do nothing else.

A PostgreSQL server checks every arriving day by itself (`ARRIVAL`): the blob against its hash, the record
against the columns, the chain against the day before. A client cannot talk it into anything else.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    Engine,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    inspect,
    text,
)

from adapters.errors import ConfigError, StoreError
from logger.fleet import address

metadata = MetaData()

day = Table(
    "fleet_day",
    metadata,
    Column("bank", Text, primary_key=True),
    Column("seq", Integer, primary_key=True, autoincrement=False),  # place in that bank's chain
    Column("kind", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("day", Text, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("zone", Text, nullable=False),
    Column("row_count", Integer, nullable=False),
    Column("last_ms", BigInteger, nullable=False),
    Column("sealed_ms", BigInteger, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("record", Text, nullable=False),  # the very line that was hashed
    Column("chain", Text, nullable=False),
    Column("blob", LargeBinary, nullable=False),
)

digest = Table(
    "fleet_digest",
    metadata,
    Column("bank", Text, primary_key=True),
    Column("pack", Text, primary_key=True),
    Column("day", Text, primary_key=True),
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("version", BigInteger, primary_key=True, autoincrement=False),
    Column("facts", Text, primary_key=True),
    Column("core", LargeBinary, nullable=False),
    Column("detail", LargeBinary, nullable=False),
)

pack = Table(
    "fleet_pack",
    metadata,
    Column("bank", Text, primary_key=True),
    Column("name", Text, primary_key=True),
    Column("sent_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("zone", Text, nullable=False),
    Column("facts", Text, nullable=False),  # JSON of analysis.facts.PackFacts
)

finding = Table(
    "fleet_finding",
    metadata,
    Column("bank", Text, primary_key=True),
    Column("sent_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("body", Text, nullable=False),  # JSON of analysis.finding.Finding; "null" alone: none stand
)

report = Table(
    "fleet_report",
    metadata,
    Column("bank", Text, primary_key=True),
    Column("kind", Text, primary_key=True),
    Column("last_day", Text, primary_key=True),
    Column("made_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("first_day", Text, nullable=False),
    Column("numbers", Text, nullable=False),
)

ARRIVAL = """
CREATE OR REPLACE FUNCTION fleet_day_arrives() RETURNS trigger LANGUAGE plpgsql
SET search_path FROM CURRENT AS $$
DECLARE
  before text;
  r jsonb := NEW.record::jsonb;
BEGIN
  PERFORM pg_advisory_xact_lock(hashtextextended(NEW.bank, 0));
  IF encode(sha256(NEW.blob), 'hex') <> NEW.sha256 THEN
    RAISE EXCEPTION 'bankbook: blob of % % does not have the hash it came with: % came, % computed',
      NEW.name, NEW.day, NEW.sha256, encode(sha256(NEW.blob), 'hex');
  END IF;
  IF (r->>'seq')::int <> NEW.seq OR r->>'sha256' <> NEW.sha256 OR r->>'name' <> NEW.name
     OR r->>'kind' <> NEW.kind OR r->>'day' <> NEW.day OR (r->>'revision')::int <> NEW.revision
     OR r->>'zone' <> NEW.zone OR (r->>'row_count')::int <> NEW.row_count
     OR (r->>'last_ms')::bigint <> NEW.last_ms THEN
    RAISE EXCEPTION 'bankbook: record of % % disagrees with its columns', NEW.name, NEW.day;
  END IF;
  IF NEW.seq = 1 THEN
    before := repeat('0', 64);
  ELSE
    SELECT chain INTO before FROM fleet_day WHERE bank = NEW.bank AND seq = NEW.seq - 1;
    IF before IS NULL THEN
      RAISE EXCEPTION 'bankbook: day % of the chain of % came before day %', NEW.seq, NEW.bank, NEW.seq - 1;
    END IF;
  END IF;
  IF encode(sha256(decode(before, 'hex') || convert_to(NEW.record, 'UTF8')), 'hex') <> NEW.chain THEN
    RAISE EXCEPTION 'bankbook: chain of % breaks at %: % came, % computed', NEW.bank, NEW.seq, NEW.chain,
      encode(sha256(decode(before, 'hex') || convert_to(NEW.record, 'UTF8')), 'hex');
  END IF;
  RETURN NEW;
END $$;
"""

TABLES = (day, digest, pack, finding, report)


def prepare(engine: Engine, pusher: str | None = None) -> None:
    """Make the tables, the check on arrival, and what the pushing role may do. Run once by the owner.

    Parameters
    ----------
    engine : Engine
        Connected as the owner of the database.
    pusher : str, optional
        Name of an existing server role; it may add and read, not change or delete.

    Raises
    ------
    ConfigError
        If the role's name is not plain, is not there, or is given for a file database, which has no roles.
    """
    server = engine.dialect.name == "postgresql"
    if pusher is not None and (not server or not pusher.replace("_", "").isalnum()):
        raise ConfigError(
            f"cannot give rights to the role {pusher!r}", "name a server role of letters, digits and _"
        )
    with address.speaking(engine):
        metadata.create_all(engine)
        if server:
            _guard(engine, pusher)


def _guard(engine: Engine, pusher: str | None) -> None:
    """Put the check on arrival in force, and give the pushing role its few rights."""
    with engine.begin() as conn:
        conn.execute(text(ARRIVAL.replace(":=", r"\:=").replace("::", r"\:\:")))
        conn.execute(
            text(
                "CREATE OR REPLACE TRIGGER fleet_day_arrives BEFORE INSERT ON fleet_day "
                "FOR EACH ROW EXECUTE FUNCTION fleet_day_arrives()"
            )
        )
        if pusher is not None:
            for table in TABLES:
                conn.execute(text(f'REVOKE ALL ON {table.name} FROM "{pusher}"'))
                conn.execute(text(f'GRANT SELECT, INSERT ON {table.name} TO "{pusher}"'))


def require(conn: Connection, where: str) -> None:
    """Check that the central tables are there.

    Raises
    ------
    StoreError
        If not.
    """
    have = set(inspect(conn).get_table_names())
    missing = [t.name for t in TABLES if t.name not in have]
    if missing:
        raise StoreError(
            f"the central database at {where} has no table {missing[0]}",
            "its owner runs `bankbook fleet prepare URL` once",
        )
