"""Every error of bank.toml names the key, its value and the remedy. The expected words are ours."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.errors import ConfigError
from analysis.facts import LeadFacts, PackFacts, WarrantyTerms
from logger.config import Config

A = '[[pack]]\nname = "A"\n'


def load(folder: Path, text: str) -> Config:
    (folder / "bank.toml").write_text(text, encoding="utf-8")
    return Config.load(folder / "bank.toml")


def refused(folder: Path, text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        load(folder, text)
    message = str(caught.value)
    assert "\n" not in message
    assert "bank.toml" in message
    assert caught.value.remedy
    return message


def test_one_pack_with_a_name_is_enough(tmp_path: Path) -> None:
    config = load(tmp_path, A)
    assert config.pack_facts("A") == PackFacts("A")  # our defaults and the analysis' are the same
    assert config.database == str(tmp_path / "bank.db")
    assert config.report_folder == tmp_path / "reports"
    assert config.sources() == []
    assert str(config.zone) == "UTC"


def test_everything_about_a_pack_reaches_the_analysis(tmp_path: Path) -> None:
    facts = load(
        tmp_path,
        """
        [[pack]]
        name = "B"
        cells = 8
        rated_ah = 100
        temps = 3
        cell_temps = 2
        cell_high_trip_v = 3.6
        cell_low_trip_v = 2.6
        full_cell_v = 3.4
        taper_c = 0.04
        balance_a = 0.2
        balance_start_v = 3.45
        heater_w = 140
        heater_measured = "inside"
        charge_floor_c = 2
        design_cold_c = -15
        installed = "2026-05-04"
        [pack.warranty]
        start_day = "2026-05-01"
        years = 10
        capacity_fraction = 0.7
        throughput_wh = 30e6
        cycles = 6000
        [pack.lead]
        loop_m = 6
        area_mm2 = 70
        """,
    ).pack_facts("B")
    assert facts == PackFacts(
        "B", 8, 100, 3.6, 2.6, 3.4, 0.04, 0.2, 3.45, 140, "inside", 2, 2, -15, "2026-05-04",
        WarrantyTerms("2026-05-01", 10, 0.7, 30e6, 6000), LeadFacts(6, 70),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["[[pack]] is missing"]),
        ('[[pack]]\nname = "A"\nrated_ah = "many"\n', ["[[pack]] A rated_ah = 'many'", "280"]),
        ('[[pack]]\nname = "A"\nrated_ahh = 2\n', ["rated_ahh = 2", 'did you mean "rated_ah"?']),
        ('[[pack]]\nname = "A"\ncells = 99\n', ["cells = 99", "1 to 32"]),
        ('[[pack]]\nname = "A"\n[pack.warranty]\nyears = -1\n', ["[warranty] years = -1", "greater than 0"]),
        ('[[pack]]\nname = "A A"\n', ["name = 'A A'", "letters, digits"]),
        ("[[pack]]\n", ["[[pack]] 1 name is missing"]),
        ('[pack]\nname = "A"\n', ["double brackets"]),
        (A + A, ['two [[pack]] have name = "A"']),
        (A + '[[witness]]\nname = "A"\n', ["names a pack and a witness"]),
        (A + '[site]\ntimezone = "Moon/Sea"\n', ["timezone = 'Moon/Sea'", "Europe/Vienna"]),
        (A + "[record]\nperiod_s = 0\n", ["[record] period_s = 0", "0.2 to 3600"]),
        (A + '[record]\nclock = "maybe"\n', ["clock = 'maybe'", '"trusted"']),
        (A + "[recrod]\nperiod_s = 1\n", ["recrod", 'did you mean "record"?']),
        (A + "[mqtt]\nport = 1883\n", ["[mqtt] host is missing", "127.0.0.1"]),
        (A + '[watch]\nnotify_from = "panic"\n', ["notify_from = 'panic'", '"act"']),
        (A + "rated_ah = = 3\n", ["not valid TOML", "line 3"]),
    ],
)
def test_errors_name_key_value_and_remedy(tmp_path: Path, text: str, words: list[str]) -> None:
    message = refused(tmp_path, text)
    for word in words:
        assert word in message


SOURCE = A + '[[source]]\nname = "bus"\n'
TCP = SOURCE + 'kind = "modbus-tcp"\npack = "A"\nmap = "m.toml"\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (SOURCE + 'kind = "telepathy"\npack = "A"\n', ["telepathy", "modbus-tcp"]),
        (SOURCE + 'kind = "modbus-tcp"\npack = "B"\n', ['pack = "B" is not a [[pack]]', "use one of A"]),
        (SOURCE + 'kind = "can"\nwitness = "hall"\n', ['witness = "hall"', "add [[witness]]"]),
        (SOURCE + 'kind = "can"\n', ["pack or witness, exactly one"]),
        (TCP, ["host is missing"]),
        (TCP + 'hots = "x"\n', ["hots", "host"]),
        (TCP + 'host = "x"\nport = 99999\n', ["port = 99999", "1 to 65535"]),
        (TCP + 'host = "x"\nport = "five"\n', ["port = 'five'", "number"]),
    ],
)
def test_errors_of_sources(tmp_path: Path, text: str, words: list[str]) -> None:
    message = refused(tmp_path, text)
    for word in words:
        assert word in message


def test_sources_take_the_period_of_the_record_unless_they_have_their_own(tmp_path: Path) -> None:
    text = A + "[record]\nperiod_s = 5\n"
    for name, extra in (("x", ""), ("y", "period_s = 2\n")):
        text += (
            f'[[source]]\nname = "{name}"\nkind = "modbus-tcp"\npack = "A"\nmap = "m"\nhost = "h"\n{extra}'
        )
    assert [s.period_s for s in load(tmp_path, text).sources()] == [5, 2]


def test_a_file_that_is_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"no such file — run `bankbook setup`"):
        Config.load(tmp_path / "bank.toml")
    (tmp_path / "bank.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="UTF-8"):
        Config.load(tmp_path / "bank.toml")


def test_a_servers_address_is_left_as_it_is(tmp_path: Path) -> None:
    config = load(tmp_path, A + '[record]\nfile = "postgresql://loft/bank"\n')
    assert config.database == "postgresql://loft/bank"


def test_a_servers_password_is_never_shown(tmp_path: Path) -> None:
    config = load(tmp_path, A + '[record]\nfile = "postgresql://loft:s3:cret@db:5432/bank"\n')
    assert config.record_shown == "postgresql://loft:***@db:5432/bank"
    assert load(tmp_path, A).record_shown == str(tmp_path / "bank.db")


def test_an_unknown_pack_is_told_with_the_known_ones(tmp_path: Path) -> None:
    config = load(tmp_path, A)
    with pytest.raises(ConfigError, match="the packs are A"):
        config.pack_facts("C")
    with pytest.raises(ConfigError, match=r"known: none"):
        config.check_witness("hall")
