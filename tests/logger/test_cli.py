"""The command line: one line and the right exit code for every mistake, JSON for scripts, no traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from rich.console import Console

from logger import cli
from logger.commands import options

A = '[[pack]]\nname = "A"\n'


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BANKBOOK_CONFIG", "bank.toml")
    (tmp_path / "bank.toml").write_text(A, encoding="utf-8")
    return tmp_path


def run(
    *words: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["bankbook", *words])
    code: object = 0
    try:
        cli.main()
    except SystemExit as end:
        code = end.code or 0
    said = capsys.readouterr()
    return int(str(code)), said.out, said.err


class Shell:
    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._tools = {"monkeypatch": monkeypatch, "capsys": capsys}

    def __call__(self, *words: str) -> tuple[int, str, str]:
        return run(*words, **self._tools)  # type: ignore[arg-type]  # the two fixtures

    def refused(self, *words: str) -> tuple[int, str]:
        code, _, err = self(*words)
        assert code != 0
        assert "Traceback" not in err
        assert err.startswith("bankbook: ") or code == 2, err
        assert code == 2 or err.count("\n") == 1, err
        return code, err


@pytest.fixture
def shell(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Shell:
    return Shell(monkeypatch, capsys)


def table(folder: Path, *, days: int = 1, name: str = "a.csv") -> Path:
    """Write a quiet pack's readings, one a minute, ending the day before yesterday."""
    first = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=days + 1)
    cells = ",".join(f"cell_{i:02d}_v" for i in range(1, 17))
    lines = [f"timestamp,pack_v,pack_a,{cells}"]
    for minute in range(1440 * days):
        moment = (first + timedelta(minutes=minute)).isoformat()
        volts = ",".join(f"{3.3 + 0.001 * ((minute * 7 + cell * 3) % 5):.3f}" for cell in range(16))
        lines.append(f"{moment},52.80,{10 if minute % 120 < 60 else -10},{volts}")
    file = folder / name
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


@pytest.mark.parametrize(
    ("words", "code", "part"),
    [
        (["status", "-c", "nowhere.toml"], 3, "run `bankbook setup`"),
        (["log"], 3, "there is no [[source]]"),
        (["now"], 5, "there is no record yet"),
        (["health"], 5, "there is no record yet"),
        (["verify"], 5, "there is no record yet"),
        (["import", "nowhere.csv", "--pack", "A"], 6, "no such file"),
        (["import", "bank.toml", "--pack", "Z"], 3, 'there is no pack "Z"'),
        (["import", "bank.toml", "--witness", "Z"], 3, 'there is no witness "Z"'),
        (["import", "bank.toml"], 2, "--pack NAME or --witness NAME"),
        (["week", "yesterday"], 2, "2026-01-31"),
        (["health", "--from", "2026-02-02", "--to", "2026-02-01"], 2, "lies before"),
        (["explain", "ghosts"], 2, "self_discharge"),
        (["export"], 2, "--parquet FOLDER or --csv FILE"),
        (["salvage", "a", "b", "c"], 2, "salvage OLD into NEW"),
        (["fly"], 2, "fly"),
    ],
)
def test_mistakes(shell: Shell, words: list[str], code: int, part: str) -> None:
    got, err = shell.refused(*words)
    assert (got, part in " ".join(err.split())) == (code, True), err


def test_an_empty_or_truncated_or_foreign_file(shell: Shell, here: Path) -> None:
    (here / "empty.csv").write_bytes(b"")
    assert shell.refused("import", "empty.csv", "--pack", "A")[0] == 6
    (here / "foreign.csv").write_text("name,age\nx,3\n")
    assert shell.refused("import", "foreign.csv", "--pack", "A")[0] == 6
    file = table(here)
    file.write_bytes(file.read_bytes()[:-40])  # torn in the last line
    code, out, _ = shell("import", "a.csv", "--pack", "A", "--json")
    brought = json.loads(out)
    assert code == 0
    assert brought["rows"] == 1439
    assert brought["rejected"] == 1
    assert brought["reasons"][0][0] == 1441


def test_a_csv_alone_gives_health_findings_and_a_week(shell: Shell, here: Path) -> None:
    table(here, days=3)
    code, out, err = shell("import", "a.csv", "--pack", "A")
    assert (code, err) == (0, "")
    assert "4,320 readings of A; 3 days sealed, 0 revised" in out
    code, out, _ = shell("import", "a.csv", "--pack", "A")
    assert "0 days sealed, 0 revised, 3 unchanged" in out
    code, out, _ = shell("health", "--json")
    pack = json.loads(out)["packs"][0]
    assert pack["recorded"]["days"] == 3
    # 36 h at 10 A in, as many out, less than the two minutes at each turn of the square wave; by hand
    assert pack["throughput"]["ah_in"]["value"] == pytest.approx(360, rel=0.01)
    assert pack["throughput"]["ah_in"]["unit"] == "Ah"
    code, out, _ = shell("findings", "--json")
    assert isinstance(json.loads(out), list)
    code, out, _ = shell("verify")
    assert code == 0
    assert "all is as it was sealed" in out
    code, out, _ = shell("status")
    assert code == 0  # nothing is to be logged, so nothing is missing
    code, out, _ = shell("export", "--csv", "out.csv")
    assert "4,320 readings" in out
    code, out, _ = shell("import", "out.csv", "--pack", "A")
    assert "3 unchanged" in out  # what is exported can be imported, and says nothing new
    code, out, _ = shell("backup", "copy.db")
    assert "3 sealed days, verified" in out


def test_alone_it_says_where_you_are_and_what_is_next(shell: Shell, here: Path) -> None:
    assert "import FILE --pack A" in shell()[1]
    table(here)
    shell("import", "a.csv", "--pack", "A")
    assert "bankbook findings" in shell()[1]
    (here / "bank.toml").unlink()
    assert "bankbook setup" in shell()[1]
    (here / "bank.toml").write_text("[[pack]]\n")
    assert "needs mending" in shell()[1]


def test_the_configuration_may_be_named_before_the_command(shell: Shell, here: Path) -> None:
    (here / "other.toml").write_text("[[pack]]\nname = 3\n")
    code, err = shell.refused("-c", "other.toml", "status")
    assert code == 3
    assert "other.toml" in err


def test_every_kind_is_explained(shell: Shell) -> None:
    from analysis.finding import KINDS
    from logger.alerts.watch import KINDS as WARNINGS

    listed = shell("explain")[1]
    for kind in (*KINDS, *WARNINGS):
        assert kind in listed
        code, out, _ = shell("explain", kind)
        assert code == 0
        assert len(out) > 40


def test_a_fault_of_ours_is_one_line_unless_asked(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    from logger.commands import options

    def broken(_path: object) -> None:
        raise RuntimeError("boom")

    monkeypatch.setattr(options, "load", broken)
    code, err = shell.refused("status")
    assert code == 70
    assert "BANKBOOK_DEBUG=1" in err
    monkeypatch.setenv("BANKBOOK_DEBUG", "1")
    with pytest.raises(RuntimeError, match="boom"):
        shell("status")


def test_version(shell: Shell) -> None:
    assert shell("--version")[1].startswith("bankbook 0.")


def test_setup_from_a_file_writes_checks_and_keeps_the_baseline(shell: Shell, here: Path) -> None:
    (here / "answers.toml").write_text('[[pack]]\nname = "C"\n')
    code, err = shell.refused("setup", "--answers", "answers.toml")
    assert code == 3
    assert "there already" in err
    code, _, err = shell("setup", "--answers", "answers.toml", "--force")
    assert code == 0
    assert "wrote bank.toml" in err
    assert (here / "bank.toml.before").read_text() == A
    wire = 'kind = "modbus-tcp"\npack = "C"\nhost = "127.0.0.1"\nport = 1\nmap = "m.toml"\n'
    source = '[[source]]\nname = "x"\n' + wire
    (here / "m.toml").write_text(
        '[map]\nname = "m"\nsource = "made up"\n[[register]]\nchannel = "pack_v"\naddress = 0\ntype = "u16"\n'
        'scale = 0.01\nunit = "V"\n'
    )
    (here / "answers.toml").write_text('[[pack]]\nname = "C"\n' + source)
    code, out, _ = shell("setup", "--answers", "answers.toml", "--force", "--seconds", "1", "--json")
    page = json.loads(out)
    assert code == 1  # nothing answers
    assert page["good"] is False
    (answer,) = [c for c in page["checks"] if c["subject"] == "C"]
    assert "nothing listens there" in answer["text"]
    from logger.record.store import Store

    with Store.open(here / "bank.db") as store:
        assert [report["kind"] for report in store.reports()] == ["commissioning"]


def test_without_a_terminal_setup_asks_for_a_file(shell: Shell, here: Path) -> None:
    (here / "bank.toml").unlink()
    assert shell.refused("setup")[0] == 2


def test_an_output_without_our_signs_gets_question_marks(tmp_path: Path) -> None:
    (tmp_path / "bank.toml").write_text('[site]\nname = "Hügel"\n[[pack]]\nname = "A"\n', encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "logger"],
        cwd=tmp_path,
        env={"PYTHONIOENCODING": "ascii", "PYTHONPATH": str(Path(cli.__file__).parents[1])},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert b"H?gel" in done.stdout


@pytest.mark.parametrize("how", [["-u"], []], ids=["while it writes", "at the end"])
def test_a_reader_that_has_gone_ends_it_quietly(how: list[str]) -> None:
    """As `bankbook explain … | head -1`; unbuffered the first write fails, buffered the last flush."""
    read, write = os.pipe()
    os.close(read)
    try:
        done = subprocess.run(
            [sys.executable, *how, "-m", "logger", "explain", "self_discharge"],
            stdout=write, stderr=subprocess.PIPE, check=False,
        )  # fmt: skip
    finally:
        os.close(write)
    assert (done.returncode, done.stderr) == (0, b"")


def test_fewer_cells_than_configured_is_told_with_key_and_remedy(shell: Shell, here: Path) -> None:
    head = "timestamp,pack_v,pack_a," + ",".join(f"cell_{i:02d}_v" for i in range(1, 9))
    rows = [f"2026-01-05T07:{m:02d}:00Z,26.4,1.0," + ",".join(["3.300"] * 8) for m in range(60)]
    (here / "eight.csv").write_text("\n".join([head, *rows]), encoding="utf-8")
    code, out, _ = shell("import", "eight.csv", "--pack", "A")
    assert code == 0
    assert (
        'the file has 8 cells, the configuration counts on 16: set cells = 8 under [[pack]] name = "A"' in out
    )
    assert shell("week", "2026-01-05")[0] == 0
    page = (here / "reports" / "week-2026-01-05.html").read_text(encoding="utf-8")
    assert "The configuration counts on 16 cells; 8 were read. Set cells = 8" in page


def test_a_claim_from_two_readings_says_that_they_support_nothing(shell: Shell, here: Path) -> None:
    (here / "two.csv").write_text(
        "timestamp,pack_v,pack_a\n2026-01-12T10:00:00Z,52.8,1.0\n2026-01-12T10:00:10Z,52.8,1.0\n"
    )
    assert shell("import", "two.csv", "--pack", "A")[0] == 0
    shell("seal")
    code, out, _ = shell("claim", "--reason", "It holds less than it should", "--no-csv")
    assert code == 1
    assert "this record supports nothing yet" in out
    page = next(here.glob("reports/claim-A-*/claim.html")).read_text(encoding="utf-8")
    assert "This record supports nothing yet: no finding, no capacity" in page
    assert "Nothing found that needs watching or doing" not in page
    assert shell("verify", str(next(here.glob("reports/claim-A-*.zip"))))[0] == 0


def test_explain_and_export_speak_json_too(shell: Shell, here: Path) -> None:
    kinds = json.loads(shell("explain", "--json")[1])
    assert {"self_discharge", "data_gap"} <= set(kinds["findings"])
    assert "cold_charge" in kinds["warnings"]
    told = json.loads(shell("explain", "loose_link", "--json")[1])
    assert (told["kind"], told["is"]) == ("loose_link", "finding")
    assert "busbar" in told["text"]
    assert json.loads(shell("explain", "silent", "--json")[1])["is"] == "warning"
    shell("import", str(table(here)), "--pack", "A")
    made = json.loads(shell("export", "--csv", "out.csv", "--json")[1])
    assert made == {"file": "out.csv", "readings": 1440}
    made = json.loads(shell("export", "--parquet", "all", "--json")[1])
    assert [Path(f).suffix for f in made["files"]] == [".parquet"]


def test_alone_it_says_what_comes_next_for_what_is_here(shell: Shell, here: Path) -> None:
    assert "bankbook import FILE --pack A" in shell()[1]
    shell("import", str(table(here)), "--pack", "A")
    told = shell()[1]
    assert "bankbook checkup" in told
    assert "bankbook now" not in told  # nothing is logged here
    source = '[[source]]\nname = "s"\nkind = "replay"\npack = "A"\nfile = "a.log"\n'
    (here / "bank.toml").write_text(A + source, encoding="utf-8")
    assert "bankbook now" in shell()[1]
    (here / "bank.toml").unlink()
    assert "bankbook setup" in shell()[1]


@pytest.mark.parametrize("terminal", [True, False])
def test_only_a_terminal_is_told_what_takes_a_while(
    terminal: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(Console, "is_terminal", property(lambda _: terminal))
    with options.steps() as step:
        step("enclosing 2026-01-12")
    said = capsys.readouterr()
    assert said.out == ""
    assert ("enclosing 2026-01-12" in said.err) == terminal
