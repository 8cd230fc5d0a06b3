"""bank.toml: found, read, checked. Every error names the key, its value and the remedy."""

from __future__ import annotations

import difflib
import os
import tomllib
from collections.abc import Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any, NoReturn, get_args
from zoneinfo import ZoneInfo

from pydantic import BaseModel, Field, PrivateAttr, ValidationError

from adapters.configs import SourceConfig
from adapters.errors import ConfigError
from adapters.registry import config_from
from analysis.facts import LeadFacts, PackFacts, WarrantyTerms
from logger.record.address import shown
from logger.settings import Mqtt, Pack, Page, Record, ReportTable, Site, Source, Table, Watch, Witness


class Config(Table):
    """The whole file. `Config.load` is the way in."""

    site: Site = Field(default_factory=Site, description="where the bank stands")
    record: Record = Field(default_factory=Record, description="the record's file")
    pack: tuple[Pack, ...] = Field(min_length=1, description="one [[pack]] for each battery")
    witness: tuple[Witness, ...] = Field((), description="one [[witness]] for each other instrument")
    source: tuple[Source, ...] = Field((), description="one [[source]] for each wire")
    watch: Watch = Field(default_factory=Watch, description="live early warnings")
    report: ReportTable = Field(default_factory=ReportTable, description="how reports look")
    mqtt: Mqtt | None = Field(None, description="publishing to a broker")
    page: Page = Field(default_factory=Page, description="the read-only page")
    _path: Path = PrivateAttr(default=Path("bank.toml"))

    @classmethod
    def load(cls, path: Path | str) -> Config:
        """Read and check a bank.toml.

        Raises
        ------
        ConfigError
            If it is missing, is not TOML, or says something that cannot be.
        """
        path = Path(path)
        return cls.parse(_read(path), path)

    @classmethod
    def parse(cls, tables: Mapping[str, Any], path: Path) -> Config:
        """Check tables that have been read already; `path` is where they came from.

        Raises
        ------
        ConfigError
            If they say something that cannot be.
        """
        try:
            config = cls.model_validate(tables)
        except ValidationError as exc:
            _refuse(path, tables, exc)
        config._path = path.absolute()  # noqa: SLF001 - its own private attribute
        config.check_names()
        config.sources()
        return config

    @property
    def path(self) -> Path:
        """Where the configuration was read."""
        return self._path

    @property
    def folder(self) -> Path:
        """The folder that relative names start from."""
        return self._path.parent

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.site.timezone)

    @property
    def database(self) -> str:
        """The record: an absolute path, or the address of a database server as written."""
        return self.record.file if "://" in self.record.file else str(self.folder / self.record.file)

    @property
    def record_shown(self) -> str:
        """The record as it may be shown: without the password of a server's address."""
        return shown(self.database)

    @property
    def report_folder(self) -> Path:
        """Where reports go."""
        return self.folder / self.report.folder

    @property
    def pack_names(self) -> tuple[str, ...]:
        """The packs, in the order of the file."""
        return tuple(p.name for p in self.pack)

    @cached_property
    def _facts(self) -> dict[str, PackFacts]:
        return {p.name: _facts(p) for p in self.pack}

    def pack_facts(self, name: str) -> PackFacts:
        """What the analysis is told about a pack.

        Raises
        ------
        ConfigError
            If no pack has that name.
        """
        if name not in self._facts:
            known = ", ".join(self.pack_names)
            raise ConfigError(
                f'{self.path}: there is no pack "{name}"',
                f"the packs are {known}; add a [[pack]] or use one of these",
            )
        return self._facts[name]

    def check_witness(self, name: str) -> None:
        """Raise ConfigError unless a witness has that name."""
        if name not in {w.name for w in self.witness}:
            known = ", ".join(w.name for w in self.witness) or "none"
            raise ConfigError(
                f'{self.path}: there is no witness "{name}" (known: {known})',
                f'add [[witness]] name = "{name}" to the file',
            )

    def sources(self) -> list[SourceConfig]:
        """Return one typed adapter configuration for each [[source]].

        Raises
        ------
        ConfigError
            If a source has an unknown kind or key, or a value that does not fit.
        """
        out = []
        for source in self.source:
            keys = source.model_dump(exclude_none=True, exclude={"kind"})
            try:
                out.append(config_from(source.kind, {"period_s": self.record.period_s} | keys, self.folder))
            except ConfigError as exc:
                raise ConfigError(f"{self.path}: {exc.message}", exc.remedy) from exc
        return out

    def check_names(self) -> None:
        """Raise ConfigError if names clash or point nowhere."""
        for table in ("pack", "witness", "source"):
            names = [entry.name for entry in getattr(self, table)]
            for name in names:
                if names.count(name) > 1:
                    raise ConfigError(
                        f'{self.path}: two [[{table}]] have name = "{name}"', "give each its own name"
                    )
        packs, witnesses = set(self.pack_names), {w.name for w in self.witness}
        if both := packs & witnesses:
            raise ConfigError(
                f'{self.path}: "{min(both)}" names a pack and a witness', "give one of them another name"
            )
        for source in self.source:
            where = f"{self.path}: [[source]] {source.name}"
            if (source.pack is None) == (source.witness is None):
                raise ConfigError(
                    f"{where}: needs pack or witness, exactly one",
                    'say whose readings it brings, as in pack = "A"',
                )
            if source.pack is not None and source.pack not in packs:
                raise ConfigError(
                    f'{where}: pack = "{source.pack}" is not a [[pack]]', _nearest(source.pack, sorted(packs))
                )
            if source.witness is not None and source.witness not in witnesses:
                raise ConfigError(
                    f'{where}: witness = "{source.witness}" is not a [[witness]]',
                    _nearest(source.witness, sorted(witnesses))
                    if witnesses
                    else f'add [[witness]] name = "{source.witness}"',
                )


def _read(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except FileNotFoundError as exc:
        raise ConfigError(
            f"{path}: no such file", "run `bankbook setup`, or name the file with --config or BANKBOOK_CONFIG"
        ) from exc
    except tomllib.TOMLDecodeError as exc:
        raise ConfigError(f"{path}: is not valid TOML: {exc}", "correct that line") from exc
    except UnicodeDecodeError as exc:
        raise ConfigError(f"{path}: is not a text file in UTF-8", "save it as UTF-8") from exc
    except OSError as exc:
        raise ConfigError(
            f"{path}: cannot be read: {exc.strerror}", "check the name and the file's permissions"
        ) from exc


def _facts(pack: Pack) -> PackFacts:
    given = pack.model_dump(exclude={"cells", "temps", "cell_temps", "serial", "model", "warranty", "lead"})
    return PackFacts(
        n_cells=pack.cells,
        cell_temps=pack.temps if pack.cell_temps is None else pack.cell_temps,
        warranty=WarrantyTerms(**pack.warranty.model_dump()),
        lead=LeadFacts(**pack.lead.model_dump()),
        **given,
    )


def _nearest(wrong: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(wrong, known, n=1)
    return f'did you mean "{near[0]}"?' if near else f"use one of {', '.join(known)}"


def _plain(message: str) -> str:
    """Put pydantic's words into ours."""
    if "match pattern" in message:
        return "is not written as it should be"
    if "valid tuple" in message:
        return "must be written with double brackets, as in [[pack]]"
    return message.removeprefix("Value error, ").removeprefix("Input ").removesuffix(".")


def _refuse(path: Path, tables: Mapping[str, Any], exc: ValidationError) -> NoReturn:
    """Turn the first of pydantic's errors into one line."""
    first = exc.errors()[0]
    model: type[BaseModel] = Config
    words: list[str] = []
    remedy, known = "", list(Config.model_fields)
    at: Any = tables
    for part in first["loc"]:
        if isinstance(part, int):
            at = at[part]
            words.append(str(at.get("name", part + 1)) if isinstance(at, dict) else str(part + 1))
            continue
        field = model.model_fields.get(part)
        remedy = f"expected: {field.description}" if field and field.description else ""
        known = list(model.model_fields)
        inner = _model_of(field.annotation) if field else None
        model = inner or model
        many = field is not None and str(field.annotation).startswith("tuple")
        words.append(f"[[{part}]]" if many else f"[{part}]" if inner else part)
        at = at.get(part) if isinstance(at, dict) else None
    where = f"{path}: {' '.join(words)}"
    key = str(first["loc"][-1]) if first["loc"] else ""
    if first["type"] == "missing":
        raise ConfigError(f"{where} is missing", remedy) from exc
    if first["type"] == "extra_forbidden":
        raise ConfigError(
            f"{where} = {first['input']!r}: there is no such key", _nearest(key, known)
        ) from exc
    raise ConfigError(f"{where} = {first['input']!r}: {_plain(first['msg'])}", remedy) from exc


def _model_of(annotation: Any) -> type[BaseModel] | None:
    """Return the table behind a field's annotation, if it is one."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_model_of, get_args(annotation)) if m), None)


def default_path() -> Path:
    """Return the configuration named by BANKBOOK_CONFIG, else ./bank.toml."""
    return Path(os.environ.get("BANKBOOK_CONFIG") or "bank.toml")
