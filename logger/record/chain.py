"""The hash chain over sealed days: h_i = SHA-256(h_{i-1} ‖ record_i), h_0 = 32 zero bytes.

A record is one line of JSON with the metadata of a sealed day, the hash of its blob among them. Changing,
dropping or reordering a day changes every later value. It proves integrity after logging only, and cutting
the end off is seen only by one who noted the last value elsewhere.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from hashlib import sha256

ORIGIN = bytes(32).hex()
"""The value before the first record."""


@dataclass(frozen=True, slots=True)
class DayRecord:
    """What the chain holds of one sealed day.

    Attributes
    ----------
    seq : int
        Place in the chain, from 1.
    kind, name : str
        "pack" or "witness", and its name.
    day, zone : str
        Local date and the time zone it is local in.
    revision : int
        1 for the first sealing of that day.
    supersedes : int or None
        `seq` of the revision it replaces.
    row_count, first_ms, last_ms : int
        Readings, and the first and last instant.
    sha256 : str
        Of the blob.
    """

    seq: int
    kind: str
    name: str
    day: str
    zone: str
    revision: int
    supersedes: int | None
    row_count: int
    first_ms: int
    last_ms: int
    sha256: str

    def line(self) -> bytes:
        """Return the bytes that are hashed: compact JSON, keys in order, and a line end."""
        return (
            json.dumps(asdict(self), sort_keys=True, separators=(",", ":"), ensure_ascii=False) + "\n"
        ).encode()


def link(previous: str, record: bytes) -> str:
    r"""Return the chain's next value, in hexadecimal.

    Parameters
    ----------
    previous : str
        The value before, in hexadecimal.
    record : bytes
        The record's bytes.

    Examples
    --------
    >>> link(ORIGIN, b"record-1\n")[:16]
    'f6695724a8b3d52b'
    """
    return sha256(bytes.fromhex(previous) + record).hexdigest()


def fingerprint(blob: bytes) -> str:
    """Return the SHA-256 of a blob, in hexadecimal."""
    return sha256(blob).hexdigest()
