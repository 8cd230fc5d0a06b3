"""BLF captures with their containers unpacked, within bounds, on the way to the library's reader."""

from __future__ import annotations

import struct
import zlib
from typing import IO

from adapters.capture_outcome import CaptureOutcome
from adapters.errors import ImportFormatError

MOST_OBJECT = 64_000_000
"""Largest object, packed or unpacked; writers keep to 128 kB. [bytes]"""
_HEADER = struct.Struct("<4sHHII")
_CONTAINER = struct.Struct("<H6xI4x")
_LOG_CONTAINER, _PLAIN, _DEFLATED, _IGNORED = 10, 0, 2, 0


class PlainBlf:
    """A BLF file whose containers read as if they had never been compressed.

    The library unpacks a container whole, whatever comes out of it: a file of a few megabytes could fill the
    memory. It is given this instead of the file, and so never unpacks anything itself.

    Parameters
    ----------
    file : binary file
        The capture.
    outcome : CaptureOutcome
        Told how far it is read.

    References
    ----------
    Objects as in python-can, can/io/blf.py: signature `LOBJ`, sizes of header and object, type; a log
    container has type 10, its method (0 plain, 2 zlib) and its unpacked size.
    """

    def __init__(self, file: IO[bytes], outcome: CaptureOutcome) -> None:
        self._file = file
        self._outcome = outcome
        self._ready = b""
        self._began = False
        self.barren = 0

    def read(self, size: int) -> bytes:
        """Return so many bytes, fewer at the end.

        Raises
        ------
        ImportFormatError
            If an object is larger than any writer makes them, or nothing useful comes for long.
        """
        if not 0 <= size <= MOST_OBJECT:
            raise self._too_large()
        while len(self._ready) < size:
            piece = self._next(size)
            if not piece:
                break
            self._ready += piece
        out, self._ready = self._ready[:size], self._ready[size:]
        self.barren += len(out)
        if self.barren > 2 * MOST_OBJECT:
            raise self._too_large()
        return out

    def _next(self, size: int) -> bytes:
        if not self._began:  # the file's own header comes first, in two reads
            head = self._file.read(8)
            self._began = True
            if head[:4] != b"LOGG" or len(head) < 8:
                return head + self._file.read(max(size, 144) - len(head))
            return head + self._file.read(min(max(struct.unpack("<I", head[4:])[0], 144), 4096) - len(head))
        self._outcome.bytes_read = self._file.tell()
        head = self._file.read(_HEADER.size)
        if len(head) < _HEADER.size:
            return head
        signature, header_size, version, object_size, kind = _HEADER.unpack(head)
        if signature != b"LOBJ":
            return head
        if not _HEADER.size <= object_size <= MOST_OBJECT:
            raise self._too_large()
        body = self._file.read(object_size - _HEADER.size)
        pad = self._file.read(object_size % 4)
        if kind != _LOG_CONTAINER or len(body) < _CONTAINER.size:
            return head + body + pad
        method, _ = _CONTAINER.unpack_from(body)
        if method not in {_PLAIN, _DEFLATED}:
            self._outcome.damaged = f"a part of it is packed in an unknown way (method {method})"
            return _HEADER.pack(signature, header_size, version, object_size, _IGNORED) + body + pad
        if method != _DEFLATED:
            return head + body + pad
        plain = self._unpacked(body[_CONTAINER.size :])
        new_size = _HEADER.size + _CONTAINER.size + len(plain)
        return (
            _HEADER.pack(signature, header_size, version, new_size, kind)
            + _CONTAINER.pack(_PLAIN, len(plain))
            + plain
            + bytes(new_size % 4)
        )

    def _unpacked(self, packed: bytes) -> bytes:
        unpacker = zlib.decompressobj()
        plain = unpacker.decompress(packed, MOST_OBJECT - 64)
        if unpacker.unconsumed_tail:
            raise self._too_large()
        return plain

    def _too_large(self) -> ImportFormatError:
        words = f"an object in it is larger than {MOST_OBJECT // 1_000_000} MB"
        return ImportFormatError(words, "record it again, or save it as .asc or .log")

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    @property
    def closed(self) -> bool:
        """Whether it is closed."""
        return self._file.closed
