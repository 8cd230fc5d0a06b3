from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.errors import ConfigError
from logger.commissioning.questions import a_count, a_number, a_zone, machine_zone
from logger.commissioning.setup import from_file, from_person, screens_from_person, write
from logger.commissioning.toml_text import toml_text
from logger.config import Config

PLAIN = st.one_of(
    st.booleans(), st.integers(-(2**53), 2**53), st.floats(allow_nan=False, allow_infinity=False), st.text()
)
KEYS = st.from_regex(r"\A[a-z_]{1,8}\Z")
TABLE = st.dictionaries(KEYS, PLAIN, max_size=5)


@given(st.dictionaries(KEYS, st.one_of(TABLE, st.lists(TABLE, min_size=1, max_size=3)), max_size=4))
def test_what_is_written_reads_back_the_same(tables: dict[str, object]) -> None:
    assert tomllib.loads(toml_text(tables, "two\nlines")) == tables


class Person:
    """Answers in order; empty takes the default."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.heard: list[str] = []

    def __call__(self, question: str, default: str = "") -> str:
        self.heard.append(question)
        return (self.answers.pop(0) if self.answers else "") or default


def test_a_person_with_two_packs(tmp_path: Path) -> None:
    pack = ["", "", "280", "", "", "", "140", "", "2026-01-01", "ten", "10", "0,7", "", ""]
    person = Person(
        "Cider house", "Europe/Vienna", "2", *pack, *[""] * 13,
        "can", "", "", "", "", "none",
    )  # fmt: skip
    said: list[str] = []
    tables = from_person(person, said.append)
    config = write(tables, tmp_path / "bank.toml", force=False)
    assert config.pack_names == ("A", "B")
    facts = Config.load(tmp_path / "bank.toml").pack_facts("A")
    assert (facts.heater_w, facts.warranty.years, facts.warranty.capacity_fraction) == (140, 10, 0.7)
    assert "  please give a number" in said  # "ten" was not one
    assert [(s.name, s.kind, s.pack) for s in config.source] == [("line-A", "can", "A")]
    assert str(config.zone) == "Europe/Vienna"


def test_what_the_probe_found_can_be_taken() -> None:
    found = [{"kind": "modbus-tcp", "host": "10.0.0.9", "map": "m.toml"}]
    person = Person("", "UTC", "1", *[""] * 13, "yes", "1")
    tables = from_person(person, lambda _: None, lambda: found)
    assert tables["source"] == [
        {"kind": "modbus-tcp", "host": "10.0.0.9", "map": "m.toml", "name": "line-A", "pack": "A"}
    ]


def test_the_second_pack_is_offered_what_was_found_second() -> None:
    found = [{"kind": "modbus-rtu", "port": "/dev/x", "unit": unit, "map": "m.toml"} for unit in (1, 2)]
    person = Person("", "UTC", "2", *[""] * 13, *[""] * 13, "yes", "", "")
    tables = from_person(person, lambda _: None, lambda: found)
    assert [(s["pack"], s["unit"]) for s in tables["source"]] == [("A", 1), ("B", 2)]


def test_screens_from_a_person() -> None:
    assert screens_from_person(Person("62", "char"), lambda _: None).soc == pytest.approx(0.62)
    assert screens_from_person(Person("62", "char"), lambda _: None).doing == "charging"
    assert screens_from_person(Person("", ""), lambda _: None).doing is None


def test_a_file_of_answers(tmp_path: Path) -> None:
    file = tmp_path / "answers.toml"
    file.write_text('[[pack]]\nname = "A"\n[screens]\nsoc = 0.5\ndoing = "resting"\n')
    tables, screens = from_file(file)
    assert (screens.soc, screens.doing) == (0.5, "resting")
    assert write(tables, tmp_path / "bank.toml", force=False).pack_names == ("A",)


@pytest.mark.parametrize("wrong", ["soc = 62", 'doing = "sleeping"', "volts = 3"])
def test_answers_about_screens_that_cannot_be(tmp_path: Path, wrong: str) -> None:
    file = tmp_path / "answers.toml"
    file.write_text(f"[screens]\n{wrong}\n")
    with pytest.raises(ConfigError, match="screens"):
        from_file(file)


def test_a_bank_toml_that_is_there_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "bank.toml"
    path.write_text("# mine\n")
    with pytest.raises(ConfigError, match="there already"):
        write({"pack": [{"name": "A"}]}, path, force=False)
    write({"pack": [{"name": "A"}]}, path, force=True)
    assert (tmp_path / "bank.toml.before").read_text() == "# mine\n"


def test_wrong_answers_write_nothing(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cells = 99"):
        write({"pack": [{"name": "A", "cells": 99}]}, tmp_path / "bank.toml", force=False)
    assert not (tmp_path / "bank.toml").exists()


def test_reading_answers() -> None:
    assert (a_number("3,65"), a_number("280"), a_count("16")) == (3.65, 280, 16)
    for wrong in ("x", "1,5"):
        with pytest.raises(ValueError, match="please give a"):
            a_count(wrong)
    assert a_zone("Europe/Vienna") == "Europe/Vienna"
    with pytest.raises(ValueError, match="no such time zone"):
        a_zone("Moon/Sea")
    assert machine_zone()


def test_the_machines_zone_is_read_from_its_link(tmp_path: Path) -> None:
    (tmp_path / "zoneinfo" / "Europe").mkdir(parents=True)
    (tmp_path / "zoneinfo" / "Europe" / "Vienna").touch()
    (tmp_path / "localtime").symlink_to(tmp_path / "zoneinfo" / "Europe" / "Vienna")
    assert machine_zone(tmp_path / "localtime") == "Europe/Vienna"
    assert machine_zone(tmp_path / "nothing") == "UTC"
