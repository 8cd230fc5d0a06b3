"""The record opened as the configuration describes it: time zone, packs and their facts, witnesses."""

from __future__ import annotations

import json
import logging
import os
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from adapters.errors import StoreError, StoreFull
from logger.record.store import Store

if TYPE_CHECKING:
    from logger.config import Config

log = logging.getLogger(__name__)

Mode = Literal["read", "keep", "write", "log"]
"""read: change nothing. keep: the record must exist; what had to be made again is kept if it may be written.
write: make the record if it is not there. log: be its one logger."""


def open_record(config: Config, mode: Mode = "read") -> Store:
    """Open the record of a configuration.

    Parameters
    ----------
    config : Config
        Names the record, its time zone, packs and witnesses; entered into the record unless only reading.
    mode : {"read", "keep", "write", "log"}

    Raises
    ------
    StoreError
        If it is missing, from a later version, damaged, full or in use.
    """
    server = "://" in config.database
    if not server:
        check_place(config, must_exist=mode in {"read", "keep"})
    if mode in {"write", "log"}:
        return enter(_writable(config, logging=mode == "log"), config)
    if mode == "keep" and (server or os.access(config.database, os.W_OK)):
        try:
            return enter(_writable(config, logging=False), config)
        except (StoreFull, PermissionError):
            log.info("%s cannot be written; only reading", config.record_shown)
    store = Store.open(config.database)
    store.set_timezone(config.site.timezone)
    return store


def check_place(config: Config, *, must_exist: bool) -> None:
    """Raise StoreError if the record cannot be where the configuration says."""
    path = Path(config.database)
    if must_exist and not path.exists():
        raise StoreError(f"{path}: there is no record yet", "start `bankbook log`, or use `bankbook import`")
    if not path.parent.is_dir():
        raise StoreError(f"{path}: its folder does not exist", "create it, or correct [record] file")
    if path.is_dir():
        raise StoreError(f"{path} is a folder", "give [record] file the name of a file")


def _writable(config: Config, *, logging: bool) -> Store:
    return Store.open(config.database, write=True, logging=logging, timezone=config.site.timezone)


def enter(store: Store, config: Config) -> Store:
    """Enter packs, their facts and witnesses, where the record does not know them yet; closes it on error."""
    try:
        if not _as_described(store, config):
            for name in config.pack_names:
                store.ensure_pack(name, config.pack_facts(name))
            for witness in config.witness:
                store.ensure_witness(witness.name)
    except BaseException:
        store.close()
        raise
    return store


def _as_described(store: Store, config: Config) -> bool:
    """Whether the record knows every pack and witness, with the facts of the configuration."""
    known = {(s.name, s.kind) for s in store.subjects()}
    wanted = {(p, "pack") for p in config.pack_names} | {(w.name, "witness") for w in config.witness}
    return wanted <= known and all(_same(store, config, name) for name in config.pack_names)


def _same(store: Store, config: Config, name: str) -> bool:
    ours, kept = asdict(config.pack_facts(name)), asdict(store.facts(name))
    return json.dumps(ours, sort_keys=True) == json.dumps(kept, sort_keys=True)
