"""From pushed banks to the desk's pages, by the commands a person types."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from logger.cli import app
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
    assert "silent for 12 days" in page
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
