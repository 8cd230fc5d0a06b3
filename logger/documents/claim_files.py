"""What a claim encloses: the sealed days, the chain, the list of files with their hashes, and the zip."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.channels import CATALOGUE
from logger.record.sealing_index import all_sealed, record_of, sealed_blob

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.record.store import Store
    from logger.record.store_types import SealedDay

MANIFEST = "MANIFEST.sha256"
HOW = "HOW-TO-CHECK.txt"
CHAIN = "record/chain.jsonl"
DAYS, TABLES = "days", "days-csv"
FIXED_DATE = (1980, 1, 1, 0, 0, 0)
"""Zip entries carry no time of their own: the same claim gives the same bytes."""
CHECKS = (
    (
        f"Unpack the zip and open a terminal in its folder. Type: sha256sum -c {MANIFEST}. Every line must "
        "end in OK. (On Windows: certutil -hashfile FILE SHA256; compare with the line of that file.)"
    ),
    (
        f"Each line of {CHAIN} describes one sealed day and names the hash of its Parquet file. It also "
        "names the chain value: the SHA-256 of the chain value before (32 bytes; zeros at the start) "
        "followed by the line under “record” and a line feed."
    ),
    (
        "Open any file under days-csv with a spreadsheet, or any under days with a Parquet reader; "
        "channels.csv names unit and scale of each column. The Parquet files hold integers: value = integer"
        " × scale."
    ),
    "Or let the program do all of it: bankbook verify CLAIM.zip.",
)
"""How to check a claim, step by step."""


def write_days(
    store: Store, pack: str, days: list[SealedDay], folder: Path, *, csv: bool, on_day: Callable[[str], None]
) -> None:
    """Write each sealed day as the very bytes that were sealed, and as CSV in physical units."""
    for sealed in days:
        on_day(sealed.day)
        with store.reading() as conn:
            blob = sealed_blob(conn, sealed.seq)
        _put(folder / DAYS / pack / f"{sealed.day}.parquet", blob)
        if csv:
            _put(folder / TABLES / pack / f"{sealed.day}.csv", _csv(blob))


def _csv(blob: bytes) -> bytes:
    import pyarrow.csv

    from logger.record.export import as_physical
    from logger.record.sealing import decode_day

    sheet = io.BytesIO()
    pyarrow.csv.write_csv(as_physical(decode_day(blob), "pack"), sheet)
    return sheet.getvalue()


def write_chain(store: Store, folder: Path) -> str:
    """Write the chain of the whole record, without readings; return its last value."""
    lines, last = [], ""
    with store.reading() as conn:
        for sealed in all_sealed(conn):
            line = record_of(sealed).line().decode().rstrip("\n")
            lines.append(json.dumps({"record": line, "chain": sealed.chain}, ensure_ascii=False) + "\n")
            last = sealed.chain
    _put(folder / CHAIN, "".join(lines).encode())
    return last


def write_channels(folder: Path) -> None:
    """Write what each column means."""
    rows = ["name,unit,scale,meaning"]
    rows += [f'{c.name},{c.unit},{c.scale:g},"{c.note}"' for c in CATALOGUE.values()]
    _put(folder / "channels.csv", ("\n".join(rows) + "\n").encode())


def write_how(folder: Path) -> None:
    """Write how to check the claim, for somebody who has nothing but the zip."""
    steps = "\n\n".join(f"{i}. {step}" for i, step in enumerate(CHECKS, 1))
    limits = (
        "What this shows: that nothing was changed since each day was sealed, and since this list was made. "
        "What it does not show: that the sensors were right."
    )
    _put(folder / HOW, f"HOW TO CHECK THIS FILE\n\n{steps}\n\n{limits}\n".encode())


def write_manifest(folder: Path) -> Path:
    """Write the list of all files with their hashes, in the form `sha256sum -c` reads."""
    lines = [f"{hash_of(path)}  {name}\n" for name, path in files_of(folder) if not name.startswith(MANIFEST)]
    return _put(folder / MANIFEST, "".join(lines).encode())


def files_of(folder: Path) -> Iterator[tuple[str, Path]]:
    """Yield name and path of every file, in order of name."""
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            yield path.relative_to(folder).as_posix(), path


def hash_of(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    digest = sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def write_zip(folder: Path) -> Path:
    """Pack the folder; what is compressed already is only stored."""
    target = folder.with_name(folder.name + ".zip")
    part = target.with_name(target.name + ".part")
    with zipfile.ZipFile(part, "w") as out:
        for name, path in files_of(folder):
            entry = zipfile.ZipInfo(f"{folder.name}/{name}", FIXED_DATE)
            entry.external_attr = 0o644 << 16
            packed = name.endswith((".parquet", ".pdf"))
            entry.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
            with out.open(entry, "w", force_zip64=True) as sink, path.open("rb") as source:
                while block := source.read(1 << 20):
                    sink.write(block)
    return part.replace(target)


def _put(path: Path, content: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path
