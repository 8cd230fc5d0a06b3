from __future__ import annotations

from pathlib import Path

from adapters.found import Found, toml_source
from logger.commissioning.probe import Looked, Wires, lines, look, named, proposals, save_drafts, usual_wires

PACK = Found(
    "unit 1 fits", ("37 values",), ("check the sign",), toml_source(name="pack-a", kind="modbus-tcp", unit=1)
)
MUTE = Found("unit 9 shows nothing", (), ("a gateway may answer",))


def test_what_was_found_is_said_and_what_shows_nothing_is_only_counted() -> None:
    text = "\n".join(
        lines(
            [Looked("tcp x:502", (PACK, MUTE, MUTE, MUTE)), Looked("can can0", trouble="no such interface")]
        )
    )
    assert "+ 37 values" in text
    assert "? check the sign" in text
    assert 'kind = "modbus-tcp"' in text
    assert text.count("shows nothing") == 1
    assert "and 2 more like the last" in text
    assert "cannot be looked at: no such interface" in text
    assert "nothing answers" in "\n".join(lines([Looked("serial /dev/x")]))


def test_proposals_are_tables_that_setup_can_take() -> None:
    assert proposals([Looked("x", (PACK, MUTE))]) == [{"name": "pack-a", "kind": "modbus-tcp", "unit": 1}]


def test_a_wire_that_is_not_there_is_told_and_the_next_one_looked_at() -> None:
    said: list[str] = []
    looked = look(Wires(serial=("/dev/nowhere-1", "/dev/nowhere-2")), said.append)
    assert [bool(one.trouble) for one in looked] == [True, True]
    assert "no such port" in looked[0].trouble


def test_can_interfaces_are_known_by_their_type(tmp_path: Path) -> None:
    for name, kind in (("can0", "280"), ("scan1", "1"), ("eth0", "280")):  # 280: ARPHRD_CAN, linux/if_arp.h
        (tmp_path / name).mkdir()
        (tmp_path / name / "type").write_text(f"{kind}\n")
    assert usual_wires(tmp_path).can == (("socketcan", "can0", 0),)


def test_drafts_are_written_and_nothing_overwritten(tmp_path: Path) -> None:
    draft = Found("cells", draft="[binding]\n", database="BO_\n")
    assert [p.name for p in save_drafts([Looked("x", (PACK, draft))], tmp_path)] == [
        "my-pack.toml",
        "my-pack.dbc",
    ]
    (tmp_path / "my-pack.toml").write_text("mine")
    assert save_drafts([Looked("x", (draft,))], tmp_path) == []
    assert (tmp_path / "my-pack.toml").read_text() == "mine"


def test_drafts_that_differ_have_names_of_their_own(tmp_path: Path) -> None:
    def one(draft: str) -> Found:
        return Found("cells", source=toml_source(name="x", map="my-pack.toml"), draft=draft)

    looked = named([Looked("x", (one("a"), PACK, one("a"))), Looked("y", (one("b"),))])
    assert [table.get("map") for table in proposals(looked)] == [
        "my-pack.toml", None, "my-pack.toml", "my-pack-2.toml",
    ]  # fmt: skip
    assert [p.read_text() for p in save_drafts(looked, tmp_path)] == ["a", "b"]
