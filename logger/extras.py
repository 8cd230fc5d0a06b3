"""How an optional part is added, for the errors that say it is missing."""

from __future__ import annotations


def how_to_add(extra: str) -> str:
    """Say how to install an extra of pyproject.toml, from a clone or as a service."""
    service = f"sudo EXTRAS={extra} systemd/install.sh upgrade"
    return f"in the clone: pip install -e '.[{extra}]'; as a service: {service}"
