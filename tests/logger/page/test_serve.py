from __future__ import annotations

from pathlib import Path

import pytest

from adapters.errors import ConfigError
from logger.config import Config
from logger.page.serve import address, is_loopback, page_token

ALL = "0.0.0.0"  # noqa: S104 - a name to be understood, nothing is bound


def config(folder: Path, page: str = "") -> Config:
    file = folder / "bank.toml"
    file.write_text(f'[[pack]]\nname = "A"\n{page}')
    return Config.load(file)


def test_loopback_needs_no_token_and_the_network_does(tmp_path: Path) -> None:
    plain = config(tmp_path)
    assert plain.page.host == "127.0.0.1"
    assert page_token(plain, "127.0.0.1") is None
    made = page_token(plain, ALL)
    assert made is not None
    assert len(made) >= 24
    assert made != page_token(plain, ALL)


def test_a_token_from_a_file_counts_everywhere(tmp_path: Path) -> None:
    (tmp_path / "token").write_text("a-token-of-some-length\n")
    kept = config(tmp_path, '[page]\ntoken_file = "token"\n')
    assert page_token(kept, "127.0.0.1") == page_token(kept, ALL) == "a-token-of-some-length"


def test_a_short_or_missing_token_file_is_told(tmp_path: Path) -> None:
    kept = config(tmp_path, '[page]\ntoken_file = "token"\n')
    with pytest.raises(ConfigError, match="cannot be read"):
        page_token(kept, "127.0.0.1")
    (tmp_path / "token").write_text("short")
    with pytest.raises(ConfigError, match="fewer than 16"):
        page_token(kept, "127.0.0.1")


def test_the_address_can_be_clicked_on() -> None:
    assert address("127.0.0.1", 8420, None) == "http://127.0.0.1:8420/"
    assert address("::1", 8420, "t" * 16) == f"http://[::1]:8420/?token={'t' * 16}"
    assert ALL not in address(ALL, 8420, None)


def test_what_is_loopback() -> None:
    assert all(is_loopback(h) for h in ("localhost", "127.0.0.1", "127.9.9.9", "::1"))
    assert not any(is_loopback(h) for h in (ALL, "::", "192.168.1.4", "shed.local"))
