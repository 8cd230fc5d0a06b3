"""A copy of the record that is whole, also while the logger writes."""

from __future__ import annotations

import os
import shutil
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from adapters.errors import StoreDamaged, StoreError, StoreFull
from logger.record.store import Store
from logger.record.store_engine import connect_file, file_exists, is_url, translate
from logger.record.verify import VerifyResult


@dataclass(frozen=True, slots=True)
class BackupResult:
    """A finished backup.

    Attributes
    ----------
    path : Path
        The copy.
    size : int
        [byte]
    verified : VerifyResult
        Of the copy.
    """

    path: Path
    size: int
    verified: VerifyResult


def backup(address: str, to: Path | str) -> BackupResult:
    """Copy a record with SQLite's own backup: one state of it, whatever the logger does meanwhile.

    Parameters
    ----------
    address : str
        The record's file.
    to : Path or str
        A file, replaced only once the copy is complete; or a folder, where it keeps its name.

    Returns
    -------
    BackupResult
        The copy has been verified.

    Raises
    ------
    StoreFull
        If there is no room.
    StoreError
        If it cannot be copied, or onto itself.
    """
    final = _target(address, Path(to))
    size = Path(address).stat().st_size
    if shutil.disk_usage(final.parent).free < size * 1.02:
        raise StoreFull(f"no room for {size / 1e6:.0f} MB in {final.parent}", "free some space there")
    part = final.with_name(final.name + ".part")
    try:
        _copy(address, part)
        with Store.open(part) as copy:
            verified = copy.verify()
        _sync(part)
        part.replace(final)
        _sync(final.parent)
    except (sqlite3.Error, OSError) as error:
        raise _told(error, address, final) from error
    finally:
        for suffix in ("", "-wal", "-shm"):
            Path(f"{part}{suffix}").unlink(missing_ok=True)
    return BackupResult(final, final.stat().st_size, verified)


def _told(error: Exception, address: str, final: Path) -> StoreError:
    """Name the file that is to blame: damage is the record's, whatever else the copy's."""
    found = error if isinstance(error, StoreError) else translate(error, str(final))
    if not isinstance(found, StoreDamaged):
        return found
    return StoreDamaged(
        f"{address} is damaged, so the copy was not kept", "run `bankbook salvage` on it into a new record"
    )


def _target(address: str, to: Path) -> Path:
    if is_url(address):
        raise StoreError("a database server has backup tools of its own", "use those")
    if not file_exists(address):
        raise StoreError(f"there is no record at {address}")
    final = to / Path(address).name if to.is_dir() else to
    if not final.parent.is_dir():
        raise StoreError(f"{final.parent} is not a folder", "make it first, or name another")
    if final.exists() and final.samefile(address):
        raise StoreError("a backup onto the record itself", "name another file or folder")
    return final


def _copy(address: str, part: Path) -> None:
    """Copy in one step: a reader never holds up the logger, and the copy is of one instant."""
    part.unlink(missing_ok=True)
    old, new = connect_file(address, write=False), sqlite3.connect(part)
    try:
        old.backup(new)
        new.execute("PRAGMA journal_mode=DELETE")  # one file, complete in itself
    finally:
        old.close()
        new.close()


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
