"""The tables and keys of bank.toml, as pydantic models. Descriptions are the remedies in error messages."""

from __future__ import annotations

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, field_validator

Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,39}$")]
Day = Annotated[str, StringConstraints(pattern=r"^\d{4}-\d{2}-\d{2}$")]
Positive = Annotated[float, Field(gt=0)]
Fraction = Annotated[float, Field(gt=0, le=1)]


class Table(BaseModel):
    """A table of bank.toml: unknown keys are errors, values never change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, coerce_numbers_to_str=False)


class Site(Table):
    """Where the bank stands."""

    name: str = Field(
        default="bank", min_length=1, max_length=80, description="a name for the place, shown in reports"
    )
    timezone: str = Field(
        default="UTC",
        description='a zone of the IANA list, for example "Europe/Vienna"; it decides where days end',
    )

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (KeyError, ValueError, OSError) as exc:
            raise ValueError("no such time zone") from exc
        return zone


class Record(Table):
    """The file everything is stored in, and how readings get into it."""

    file: str = Field(
        default="bank.db", min_length=1, description="the record's file, beside bank.toml unless absolute"
    )
    period_s: float = Field(
        default=1.0,
        ge=0.2,
        le=3600,
        description="seconds between readings, 0.2 to 3600; a source may set its own",
    )
    commit_s: float = Field(
        default=10.0,
        ge=1,
        le=600,
        description="seconds between writes to the disk, 1 to 600; a power cut loses at most this",
    )
    buffer_rows: int = Field(
        default=20_000, ge=1_000, le=5_000_000,
        description="readings kept in memory while the disk refuses writes, 1000 to 5000000",
    )  # fmt: skip
    clock: Literal["auto", "trusted"] = Field(
        default="auto",
        description='"auto" waits for network time or a clock chip; "trusted" if you know the clock is right',
    )


class Warranty(Table):
    """Figures from your own papers; leave out what they do not say."""

    start_day: Day | None = Field(default=None, description="the day the warranty began, as YYYY-MM-DD")
    years: Positive | None = Field(default=None, description="years, for example 10")
    capacity_fraction: Fraction | None = Field(
        default=None, description="remaining capacity promised, 0 to 1, for example 0.7"
    )
    throughput_wh: Positive | None = Field(
        default=None, description="energy throughput promised, in Wh: 30 MWh is 30e6"
    )
    cycles: Positive | None = Field(default=None, description="cycles promised, for example 6000")


class Lead(Table):
    """The conductor between the pack and the witness."""

    loop_m: Positive | None = Field(default=None, description="length out and back, in metres")
    area_mm2: Positive | None = Field(default=None, description="copper area, in mm²")


class Pack(Table):
    """One battery with its own address. Only `name` is needed; the defaults are practice for 16 LFP cells."""

    name: Name = Field(description='a short name such as "A", of letters, digits and - _ .')
    cells: int = Field(default=16, ge=1, le=32, description="cells in series, 1 to 32")
    rated_ah: float = Field(
        default=280.0, gt=0, le=20_000, description="rated capacity from the label, in Ah, for example 280"
    )
    temps: int = Field(default=4, ge=0, le=8, description="temperature sensors the pack reports, 0 to 8")
    cell_temps: int | None = Field(
        default=None, ge=0, le=8, description="how many of the first sensors sit on cells; all unless given"
    )
    cell_high_trip_v: float = Field(
        default=3.65, gt=2, lt=5, description="cell voltage at which charging is cut off, in V"
    )
    cell_low_trip_v: float = Field(
        default=2.5, gt=0.5, lt=4, description="cell voltage at which discharging is cut off, in V"
    )
    full_cell_v: float = Field(
        default=3.45,
        gt=2,
        lt=5,
        description="cell voltage that counts as full once the current has tapered, in V",
    )
    taper_c: float = Field(
        default=0.05,
        gt=0,
        le=1,
        description="current that ends a charge, as a multiple of the capacity, for example 0.05",
    )
    balance_a: float = Field(
        default=0.1, ge=0, le=20, description="current the balancer can move on one cell, in A"
    )
    balance_start_v: float = Field(
        default=3.40, gt=2, lt=5, description="cell voltage above which balancing runs, in V"
    )
    heater_w: float | None = Field(
        default=None, ge=0, le=5000, description="heater power from the label, in W"
    )
    heater_measured: Literal["inside", "outside", "unknown"] = Field(
        default="unknown",
        description='"inside" if the heater current passes the pack\'s own current sensor, else "outside"',
    )
    charge_floor_c: float = Field(
        default=0.0, ge=-40, le=40, description="temperature at or below which charging is not allowed, in °C"
    )
    design_cold_c: float = Field(
        default=-10.0, ge=-60, le=30, description="mean of the coldest day to plan for, in °C"
    )
    installed: Day | None = Field(default=None, description="the day it went into service, as YYYY-MM-DD")
    serial: str | None = Field(
        default=None, max_length=80, description="serial number from the label; only for the claim file"
    )
    model: str | None = Field(
        default=None, max_length=80, description="model from the label, as you would write it in a letter"
    )
    warranty: Warranty = Field(default_factory=Warranty, description="figures from your own papers")
    lead: Lead = Field(default_factory=Lead, description="the conductor between the pack and the witness")


class Witness(Table):
    """Another instrument that sees the same bank: an inverter, a shunt meter, a thermometer."""

    name: Name = Field(description='a short name such as "hall", of letters, digits and - _ .')
    place: str = Field(default="", max_length=80, description="where it measures, in words")


class Source(BaseModel):
    """One wire to listen on. The keys beyond these belong to its kind and are checked with it."""

    model_config = ConfigDict(extra="allow", frozen=True)

    name: Name = Field(description="a short name for messages, of letters, digits and - _ .")
    kind: str = Field(description="what speaks on the wire")
    pack: Name | None = Field(default=None, description="the pack it speaks about, by name")
    witness: Name | None = Field(default=None, description="or the witness it speaks about, by name")


class Watch(Table):
    """Live early warnings. The numbers are common practice, no source: set them to what your papers say."""

    enabled: bool = Field(default=True, description="false switches the live warnings off")
    cell_high_v: float | None = Field(
        default=None,
        gt=2,
        lt=5,
        description="warn above this cell voltage, in V; 0.07 below the trip unless given",
    )
    cell_low_v: float | None = Field(
        default=None,
        gt=0.5,
        lt=4,
        description="warn below this cell voltage, in V; 0.30 above the trip unless given",
    )
    top_spread_v: float = Field(
        default=0.15, gt=0, lt=2, description="warn when cells differ by more than this at the top, in V"
    )
    top_from_v: float = Field(
        default=3.45, gt=2, lt=5, description="the highest cell at which the top begins, in V"
    )
    cold_charge_a: float = Field(
        default=2.0,
        gt=0,
        le=1000,
        description="charging current that counts when a cell is at its floor, in A",
    )
    silent_s: float = Field(
        default=120.0, gt=0, description="seconds without a reading after which a source counts as silent"
    )
    heater_minutes: float = Field(
        default=90.0, gt=0, description="minutes of heating without a rise after which it is suspect"
    )
    heater_rise_c: float = Field(default=0.5, gt=0, description="rise that proves the heater works, in °C")
    disk_free_mb: float = Field(
        default=500.0, ge=0, description="warn when less than this is free on the disk, in MB"
    )
    command: str | None = Field(
        default=None, description="a program to start at each warning; it gets the warning as JSON on stdin"
    )
    notify_file: str | None = Field(
        default=None, description="a file with one Apprise address a line, readable by the service only"
    )
    notify_from: Literal["watch", "act"] = Field(
        default="watch", description='the least severity that is sent on, "watch" or "act"'
    )


class Mqtt(Table):
    """Publishing to a broker of your own; needs the extra `mqtt`."""

    host: str = Field(min_length=1, description='the broker, for example "127.0.0.1"')
    port: int = Field(default=1883, ge=1, le=65535, description="its port, 1 to 65535")
    topic: str = Field(
        default="bankbook", pattern=r"^[^#+]+$", description="the first part of every topic, without # and +"
    )
    username: str | None = Field(default=None, description="user name at the broker")
    password_file: str | None = Field(
        default=None, description="a file with the password, readable by the service only"
    )
    tls: bool = Field(default=False, description="true encrypts the connection")
    every_s: float = Field(
        default=5.0, ge=1, le=3600, description="seconds between publications of live values, 1 to 3600"
    )


class ReportTable(Table):
    """How reports look and where they go."""

    folder: str = Field(
        default="reports", min_length=1, description="where reports go, beside bank.toml unless absolute"
    )
    temperature: Literal["C", "F"] = Field(default="C", description='"C" or "F"')
    wire: Literal["mm2", "awg"] = Field(default="mm2", description='"mm2" or "awg"')


class Page(Table):
    """The read-only page on the local network; needs the extra `page`."""

    host: str = Field(
        default="127.0.0.1", description='"127.0.0.1" for this machine only, "0.0.0.0" for the local network'
    )
    port: int = Field(default=8420, ge=1, le=65535, description="its port, 1 to 65535")
    token_file: str | None = Field(
        default=None, description="a file with the token that other machines must give"
    )
