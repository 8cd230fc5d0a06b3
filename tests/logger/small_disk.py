"""A real small filesystem, where the machine allows one, to fill and to make read-only."""

from __future__ import annotations

import ctypes
import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

MS_RDONLY, MS_REMOUNT = 1, 32  # mount(2)
SIZE = 1 << 20


def mount(source: str, target: Path, kind: str, flags: int, options: str) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mount(source.encode(), os.fsencode(target), kind.encode(), flags, options.encode()):
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))


@contextmanager
def mounted(place: Path) -> Iterator[Path]:
    """Mount a filesystem of one MiB of its own; the test is skipped where that may not be."""
    place.mkdir()
    try:
        mount("bankbook-test", place, "tmpfs", 0, f"size={SIZE}")
    except OSError as error:
        pytest.skip(f"cannot mount a filesystem here: {error.strerror}")
    try:
        yield place
    finally:
        ctypes.CDLL(None).umount2(os.fsencode(place), 2)  # MNT_DETACH


def fill(path: Path) -> None:
    """Write a file until the disk is full."""
    with path.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"x" * 4096)
        except OSError as error:
            if error.errno != errno.ENOSPC:
                raise
