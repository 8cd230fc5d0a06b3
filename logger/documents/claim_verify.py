"""Checking a claim file: every hash, the chain, and the time stamp if there is one. Nothing is unpacked."""

from __future__ import annotations

import json
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from adapters.errors import ConfigError
from logger.documents.claim_files import CHAIN, DAYS, MANIFEST
from logger.documents.timestamp import ANSWER, check_stamp, stamped_time
from logger.record.chain import ORIGIN, link

MOST_LISTED = 20_000_000
"""No list of files or chain is larger. [bytes]"""


@dataclass(frozen=True, slots=True)
class ClaimVerdict:
    """What checking found.

    Attributes
    ----------
    files, days : int
        Files whose hash was compared; sealed days among them that the chain names.
    faults : tuple of str
        Empty if all is well.
    manifest_sha256 : str
        Of the list of files: compare with what was noted.
    stamped : str
        Time stamp and whether it was checked; empty without one.
    """

    files: int
    days: int
    faults: tuple[str, ...]
    manifest_sha256: str
    stamped: str

    @property
    def ok(self) -> bool:
        """Whether nothing is changed, missing or added."""
        return not self.faults


def verify_claim(archive: Path, authority: Path | None = None) -> ClaimVerdict:
    """Check a claim file.

    Parameters
    ----------
    archive : Path
        The zip.
    authority : Path, optional
        Certificates of the time-stamping authority to trust, PEM.

    Raises
    ------
    ConfigError
        If the file is not a claim.
    """
    try:
        with zipfile.ZipFile(archive) as inside:
            return _verdict(inside, authority)
    except (OSError, zipfile.BadZipFile, ValueError, NotImplementedError) as exc:
        raise ConfigError(
            f"{archive} is not a claim file: {exc}", "give the zip that `bankbook claim` wrote"
        ) from exc


def _verdict(inside: zipfile.ZipFile, authority: Path | None) -> ClaimVerdict:
    names = {_short(info.filename): info for info in inside.infolist() if not info.is_dir()}
    if MANIFEST not in names:
        raise ValueError(f"it holds no {MANIFEST}")
    manifest = _small(inside, names[MANIFEST])
    listed = dict(_lines(manifest.decode("utf-8")))
    faults, hashes = [], {}
    for name, wanted in listed.items():
        if name not in names:
            faults.append(f"{name} is missing")
            continue
        hashes[name] = _hash(inside, names[name])
        if hashes[name] != wanted:
            faults.append(f"{name} was changed")
    faults += [
        f"{name} is not on the list" for name in names if name not in listed and not name.startswith(MANIFEST)
    ]
    days, broken = _chain(inside, names, hashes)
    stamped, wrong = _stamp(inside, names, manifest, authority)
    return ClaimVerdict(len(hashes), days, (*faults, *broken, *wrong), sha256(manifest).hexdigest(), stamped)


def _short(name: str) -> str:
    """Name without the folder that holds everything."""
    return name.partition("/")[2] or name


def _lines(text: str) -> Iterator[tuple[str, str]]:
    for line in text.splitlines():
        wanted, _, name = line.partition("  ")
        if len(wanted) != 64 or not name:
            raise ValueError(f"a line of {MANIFEST} cannot be read: {line[:80]!r}")
        yield name, wanted


def _small(inside: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    if info.file_size > MOST_LISTED:
        raise ValueError(f"{info.filename} is far too large")
    return inside.read(info)


def _hash(inside: zipfile.ZipFile, info: zipfile.ZipInfo) -> str:
    digest = sha256()
    with inside.open(info) as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def _chain(
    inside: zipfile.ZipFile, names: dict[str, zipfile.ZipInfo], hashes: dict[str, str]
) -> tuple[int, list[str]]:
    """Walk the chain, and find each enclosed day in it."""
    if CHAIN not in names:
        return 0, [f"{CHAIN} is missing"]
    faults, known, previous = [], {}, ORIGIN
    for number, line in enumerate(_small(inside, names[CHAIN]).decode("utf-8").splitlines(), 1):
        entry = json.loads(line)
        previous = link(previous, (entry["record"] + "\n").encode())
        if previous != entry["chain"]:
            faults.append(f"entry {number} of the chain does not follow from the one before")
            previous = entry["chain"]
        record = json.loads(entry["record"])
        known[record["sha256"]] = record
    enclosed = [n for n in hashes if n.startswith(f"{DAYS}/")]
    faults += [
        f"{name} is not in the chain" for name in enclosed if not _is_that_day(name, known.get(hashes[name]))
    ]
    return len(enclosed), faults


def _is_that_day(name: str, record: dict[str, object] | None) -> bool:
    return record is not None and name == f"{DAYS}/{record['name']}/{record['day']}.parquet"


def _stamp(
    inside: zipfile.ZipFile, names: dict[str, zipfile.ZipInfo], manifest: bytes, authority: Path | None
) -> tuple[str, list[str]]:
    """Check the time stamp, if there is one and its authority is known."""
    if MANIFEST + ANSWER not in names:
        return "", []
    with tempfile.TemporaryDirectory() as folder:
        file, answer = Path(folder) / MANIFEST, Path(folder) / (MANIFEST + ANSWER)
        file.write_bytes(manifest)
        answer.write_bytes(_small(inside, names[MANIFEST + ANSWER]))
        if authority is None:
            return f"{stamped_time(answer)}, not checked: name the authority's certificates", []
        wrong = check_stamp(file, answer, authority)
        return stamped_time(answer), [] if wrong is None else [f"the time stamp does not hold: {wrong}"]
