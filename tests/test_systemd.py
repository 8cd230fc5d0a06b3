"""The units and the install script: valid, and in step with the command tree."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from logger.cli import app

UNITS = Path(__file__).parent.parent / "systemd"
VENV = "/opt/bankbook/venv/bin/bankbook"


def test_every_unit_starts_a_command_that_exists_with_options_it_has() -> None:
    commands = typer.main.get_command(app).commands  # type: ignore[attr-defined]  # it is a group
    for unit in UNITS.glob("*.service"):
        for line in re.findall(rf"^ExecStart={VENV} (.*)$", unit.read_text(), re.MULTILINE):
            name, *words = line.split()
            known = {option for parameter in commands[name].params for option in parameter.opts}
            assert {w for w in words if w.startswith("-")} <= known, f"{unit.name}: {line}"


def test_the_can_unit_brings_the_interface_up_listen_only() -> None:
    assert "listen-only on" in (UNITS / "bankbook-can@.service").read_text()


def test_the_logger_runs_as_its_own_user_with_a_watchdog_and_no_capabilities() -> None:
    text = (UNITS / "bankbook.service").read_text()
    for line in (
        "Type=notify",
        "User=bankbook",
        "CapabilityBoundingSet=",
        "NoNewPrivileges=yes",
        "ProtectSystem=strict",
    ):
        assert f"\n{line}\n" in text
    assert re.search(r"^WatchdogSec=\d+$", text, re.MULTILINE)


def test_the_page_can_reach_no_device_and_gain_nothing() -> None:
    text = (UNITS / "bankbook-page.service").read_text()
    for line in (
        "User=bankbook",
        "PrivateDevices=yes",
        "CapabilityBoundingSet=",
        "NoNewPrivileges=yes",
        "ProtectSystem=strict",
        "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6",
    ):
        assert f"\n{line}\n" in text
    assert "--host" not in text  # on this machine only, unless bank.toml says otherwise


def test_the_filter_of_system_calls_lets_the_clock_be_read_and_a_priority_be_lowered() -> None:
    """A later line takes away or puts back (systemd.exec(5)); adjtimex is in @privileged: it comes last."""
    text = (UNITS / "bankbook.service").read_text()
    lines = re.findall(r"^SystemCallFilter=(.*)$", text, re.MULTILINE)
    assert lines[-1].split() == ["adjtimex", "clock_adjtime", "setpriority"]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")
def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    program = tmp_path / "bankbook"
    program.write_text(f"#!{sys.executable}\n")
    program.chmod(0o755)
    for file in UNITS.iterdir():
        if file.suffix in {".service", ".timer"}:
            (tmp_path / file.name).write_text(file.read_text().replace(VENV, str(program)))
    names = [file.name for file in UNITS.iterdir() if file.suffix in {".service", ".timer"}]
    done = subprocess.run(
        ["systemd-analyze", "verify", *(str(tmp_path / n) for n in names)],
        capture_output=True,
        text=True,
        check=False,
    )
    ours = [line for line in done.stderr.splitlines() if "bankbook" in line]
    assert (done.returncode, ours) == (0, [])


def test_the_install_script_is_valid_shell_and_places_every_unit() -> None:
    script = UNITS / "install.sh"
    assert subprocess.run(["sh", "-n", str(script)], check=False).returncode == 0
    for file in UNITS.iterdir():
        if file.name != "install.sh":
            assert file.name in script.read_text(), f"install.sh forgets {file.name}"


def test_the_install_script_refuses_nonsense() -> None:
    done = subprocess.run(
        ["sh", str(UNITS / "install.sh"), "dance"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert "usage" in done.stderr or "root" in done.stderr
