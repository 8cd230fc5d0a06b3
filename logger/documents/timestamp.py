"""An outside time stamp (RFC 3161) for a file's hash, by the openssl program. Only the hash leaves the site.

References
----------
RFC 3161 (2001), sections 2.4 (request and response) and 3.4 (over HTTP), updated by RFC 5816.
"""

from __future__ import annotations

import shutil
import subprocess
import urllib.error
import urllib.request
from pathlib import Path

from adapters.errors import ConfigError, SourceLost

TIMEOUT_S = 30.0
MOST_BYTES = 1_000_000
"""No answer of a time-stamping authority is larger."""
REQUEST, ANSWER = ".tsq", ".tsr"


def stamp(file: Path, address: str) -> tuple[Path, Path]:
    """Ask an authority to stamp a file's SHA-256.

    Parameters
    ----------
    file : Path
    address : str
        Of the authority, http or https.

    Returns
    -------
    (Path, Path)
        Request and answer, beside the file.

    Raises
    ------
    ConfigError
        If openssl is not there, or the address is not one.
    SourceLost
        If the authority does not answer, or refuses.
    """
    if not address.startswith(("http://", "https://")):
        raise ConfigError(
            f"{address!r} is not the address of a time-stamping authority", "it starts with https://"
        )
    request, answer = file.with_name(file.name + REQUEST), file.with_name(file.name + ANSWER)
    _openssl("ts", "-query", "-data", str(file), "-sha256", "-cert", "-out", str(request))
    post = urllib.request.Request(  # noqa: S310 - http or https, checked above
        address, request.read_bytes(), {"Content-Type": "application/timestamp-query"}
    )
    try:
        with urllib.request.urlopen(post, timeout=TIMEOUT_S) as reply:  # noqa: S310 - as above
            answer.write_bytes(reply.read(MOST_BYTES))
    except (urllib.error.URLError, OSError) as exc:
        raise SourceLost(
            f"{address} gave no time stamp ({exc})", "make the claim without, or try again"
        ) from exc
    said = _openssl("ts", "-reply", "-in", str(answer), "-text")
    if "Status: Granted" not in said:
        raise SourceLost(f"{address} refused to stamp", said.splitlines()[0] if said else "no reason given")
    return request, answer


def check_stamp(file: Path, answer: Path, authority: Path) -> str | None:
    """Return what is wrong with a time stamp, or None.

    Parameters
    ----------
    file : Path
        What was stamped.
    answer : Path
        The authority's answer.
    authority : Path
        Certificates to trust, PEM.
    """
    command = ["ts", "-verify", "-data", str(file), "-in", str(answer), "-CAfile", str(authority)]
    try:
        _openssl(*command)
    except ConfigError as exc:
        return exc.message
    return None


def stamped_time(answer: Path) -> str:
    """Return the time an answer names, as openssl writes it."""
    for line in _openssl("ts", "-reply", "-in", str(answer), "-text").splitlines():
        if line.startswith("Time stamp:"):
            return line.partition(":")[2].strip()
    return ""


def _openssl(*arguments: str) -> str:
    program = shutil.which("openssl")
    if program is None:
        raise ConfigError(
            "the program openssl is not installed", "apt install openssl, or leave the time stamp out"
        )
    done = subprocess.run(
        [program, *arguments], capture_output=True, text=True, check=False, timeout=TIMEOUT_S
    )
    if done.returncode != 0:
        last = (done.stderr.strip() or done.stdout.strip()).splitlines()
        raise ConfigError(
            f"openssl {arguments[0]} {arguments[1]} failed: {last[0] if last else 'no reason given'}"
        )
    return done.stdout
