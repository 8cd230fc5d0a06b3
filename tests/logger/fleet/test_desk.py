"""From pushed banks to the desk's pages, by the commands a person types."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from analysis.finding import Finding
from analysis.fleet.visits import BankState
from logger.cli import app
from logger.fleet.desk import KNOWN_FILE, load_known, save_known
from tests.logger.fleet.centre import make_bank

CONFIG = (
    '[site]\nname = "{name}"\ntimezone = "UTC"\n[record]\nfile = "{file}"\n[[pack]]\nname = "A"\ncells = 4\n'
)


def run(*args: str) -> str:
    result = CliRunner().invoke(app, list(args), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture
def fleet(tmp_path: Path) -> str:
    url = f"sqlite:///{tmp_path / 'centre.db'}"
    run("fleet", "prepare", url)
    for i in (1, 2):
        file = make_bank(tmp_path / f"{i}.db", seed=i, days=4)
        config = tmp_path / f"{i}.toml"
        config.write_text(CONFIG.format(name=f"hut {i}", file=file))
        sent = json.loads(run("push", url, "--json", "--config", str(config)))
        assert (sent["bank"], sent["days"]) == (f"hut {i}", 4)
    return url


def test_report_lists_silent_banks_and_opens_theirs(fleet: str, tmp_path: Path) -> None:
    out = tmp_path / "desk"
    pages = run("fleet", "report", fleet, "--to", str(out), "--today", "2026-01-20", "--json")
    paths = [Path(p) for p in json.loads(pages)]
    assert [p.suffix for p in paths] == [".html", ".pdf", ".json"]
    page = paths[0].read_text()
    assert "nothing received for 12 days" in page.lower()
    assert 'href="banks/hut-1.html"' in page
    assert (out / "banks" / "hut-1.html").exists()
    assert paths[1].read_bytes().startswith(b"%PDF")


def test_nothing_to_compute_after_a_push(fleet: str) -> None:
    numbers = json.loads(run("fleet", "digest", fleet, "--json"))
    assert numbers["computed"] == 0


def test_a_pseudonym_hides_the_site(fleet: str, tmp_path: Path) -> None:
    config = tmp_path / "1.toml"
    sent = json.loads(run("push", fleet, "--pseudonym", "--json", "--config", str(config)))
    assert sent["bank"].startswith("bank-")
    assert "hut" not in sent["bank"]


def test_new_is_what_the_report_before_did_not_know(tmp_path: Path) -> None:
    leak = Finding("self_discharge", "A", 7, "2026-01-01", "watch", 0.9, 9.0, 8.0, 10.0, "mA", "m", "c")
    other = replace(leak, cell=9)
    states = [BankState("hut", "2026-01-11", (), (leak,))]
    assert load_known(tmp_path, "2026-01-12") == ("", {})
    save_known(tmp_path, "2026-01-12", states)
    assert load_known(tmp_path, "2026-01-12") == ("", {})  # repeated the same day: still new
    known = {"hut": {("self_discharge", "A", 7)}}
    assert load_known(tmp_path, "2026-01-19") == ("2026-01-12", known)
    save_known(tmp_path, "2026-01-19", [replace(states[0], findings=(leak, other))])
    assert load_known(tmp_path, "2026-01-19") == ("2026-01-12", known)
    (tmp_path / KNOWN_FILE).write_text("torn")
    assert load_known(tmp_path, "2026-01-26") == ("", {})
