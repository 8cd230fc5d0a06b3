from __future__ import annotations

import json
import re
import shutil
import subprocess
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from adapters.errors import ConfigError, StoreError
from logger.documents.claim import Claim, write_claim
from logger.documents.claim_facts import Wish
from logger.documents.claim_files import MANIFEST, hash_of
from logger.documents.claim_verify import verify_claim
from logger.record.store_identity import note_identity
from tests.logger.made import Place, make_site

WISH = Wish("B", "Cell 11 loses charge by itself")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    made = make_site(tmp_path_factory.mktemp("site"))
    yield made
    made[1].close()


@pytest.fixture(scope="module")
def claim(place: Place, tmp_path_factory: pytest.TempPathFactory) -> Claim:
    config, store, now = place
    return write_claim(store, config, WISH, now_s=now, out_dir=tmp_path_factory.mktemp("claims"))


def spoiled(claim: Claim, target: Path, change: Callable[[str, bytes], bytes | None], add: str = "") -> Path:
    """Copy a claim with some entries changed or left out, or one added."""
    with zipfile.ZipFile(claim.archive) as old, zipfile.ZipFile(target, "w") as new:
        for info in old.infolist():
            content = change(info.filename, old.read(info))
            if content is not None:
                new.writestr(info.filename, content)
        if add:
            new.writestr(f"{claim.folder.name}/{add}", b"new")
    return target


def test_the_claim_holds_document_days_chain_and_how_to_check(claim: Claim) -> None:
    names = {p.relative_to(claim.folder).as_posix() for p in claim.folder.rglob("*") if p.is_file()}
    assert names == {
        "claim.pdf", "claim.html", "claim.json", "channels.csv", "HOW-TO-CHECK.txt", "MANIFEST.sha256",
        "record/chain.jsonl", "days/B/2026-01-12.parquet", "days/B/2026-01-13.parquet",
        "days-csv/B/2026-01-12.csv", "days-csv/B/2026-01-13.csv",
    }  # fmt: skip
    assert claim.days == 2
    assert claim.folder.name == "claim-B-2026-01-14"
    assert not list(claim.folder.parent.glob(".*"))


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="needs coreutils")
def test_standard_tools_agree_with_the_list(claim: Claim, tmp_path: Path) -> None:
    with zipfile.ZipFile(claim.archive) as inside:
        inside.extractall(tmp_path)  # our own zip, just made
    done = subprocess.run(
        ["sha256sum", "--strict", "-c", MANIFEST],
        cwd=tmp_path / claim.folder.name,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.count(": OK") == 10


def test_the_days_are_the_very_bytes_that_were_sealed(place: Place, claim: Claim) -> None:
    _, store, _ = place
    for sealed in store.sealed_days("B"):
        file = claim.folder / "days" / "B" / f"{sealed.day}.parquet"
        assert hash_of(file) == sealed.sha256
        assert pq.read_metadata(file).num_rows == sealed.row_count


def test_a_sound_claim_verifies(claim: Claim) -> None:
    verdict = verify_claim(claim.archive)
    assert verdict.ok, verdict.faults
    assert (verdict.files, verdict.days) == (10, 2)
    assert verdict.manifest_sha256 == claim.manifest_sha256


def test_one_changed_byte_of_a_day_is_found_twice(claim: Claim, tmp_path: Path) -> None:
    def flip(name: str, content: bytes) -> bytes:
        return (
            content[:100] + bytes([content[100] ^ 1]) + content[101:]
            if name.endswith("12.parquet")
            else content
        )

    verdict = verify_claim(spoiled(claim, tmp_path / "x.zip", flip))
    assert verdict.faults == (
        "days/B/2026-01-12.parquet was changed",
        "days/B/2026-01-12.parquet is not in the chain",
    )


def test_a_missing_and_an_added_file_are_named(claim: Claim, tmp_path: Path) -> None:
    verdict = verify_claim(
        spoiled(
            claim, tmp_path / "x.zip", lambda n, c: None if n.endswith("claim.pdf") else c, add="extra.txt"
        )
    )
    assert set(verdict.faults) == {"claim.pdf is missing", "extra.txt is not on the list"}


def test_a_chain_with_an_entry_cut_out_does_not_follow(claim: Claim, tmp_path: Path) -> None:
    def cut(name: str, content: bytes) -> bytes:
        return b"".join(content.splitlines(keepends=True)[1:]) if name.endswith("chain.jsonl") else content

    faults = verify_claim(spoiled(claim, tmp_path / "x.zip", cut)).faults
    assert "entry 1 of the chain does not follow from the one before" in faults


@pytest.mark.parametrize("content", [b"", b"PK\x05\x06" + bytes(18), b"no zip at all"])
def test_what_is_no_claim_is_refused_in_one_line(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "x.zip"
    file.write_bytes(content)
    with pytest.raises(ConfigError, match="not a claim file"):
        verify_claim(file)
    with pytest.raises(ConfigError, match="not a claim file"):
        verify_claim(tmp_path / "nothing.zip")


def test_the_document_speaks_safely_and_names_the_serial(claim: Claim) -> None:
    text = (claim.folder / "claim.html").read_text(encoding="utf-8")
    assert not re.search(r"\b(breach|defective|proves?)\b", text, re.IGNORECASE)
    assert "PB-0418" in text
    assert "A test by the method in the terms decides." in text


def test_redaction_leaves_no_trace_of_site_and_serial(place: Place, tmp_path: Path) -> None:
    config, store, now = place
    made = write_claim(store, config, replace(WISH, redact=True, csv=False), now_s=now, out_dir=tmp_path)
    for path in made.folder.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert b"PB-0418" not in content
            assert b"orchard" not in content
    assert not (made.folder / "days-csv").exists()
    assert verify_claim(made.archive).ok


def test_the_same_record_gives_the_same_zip(place: Place, claim: Claim, tmp_path: Path) -> None:
    config, store, now = place
    again = write_claim(store, config, WISH, now_s=now, out_dir=tmp_path)
    assert again.archive.read_bytes() == claim.archive.read_bytes()


def test_numbers_are_json_with_intervals(claim: Claim) -> None:
    made = json.loads((claim.folder / "claim.json").read_text(encoding="utf-8"))
    energy = made["numbers"]["energy"]["in"]["B"]
    assert energy["low"] < energy["value"] < energy["high"]


def test_a_claim_needs_a_pack_a_reason_and_a_sealed_day(place: Place, tmp_path: Path) -> None:
    config, store, now = place
    with pytest.raises(ConfigError, match='no pack "C"'):
        write_claim(store, config, replace(WISH, pack="C"), now_s=now, out_dir=tmp_path)
    with pytest.raises(ConfigError, match="reason"):
        write_claim(store, config, replace(WISH, reason="  "), now_s=now, out_dir=tmp_path)
    with pytest.raises(StoreError, match="sealed"):
        write_claim(store, config, replace(WISH, first="2027-01-01"), now_s=now, out_dir=tmp_path)


def test_what_was_read_tested_and_suffered_is_in_the_document(tmp_path: Path) -> None:
    config, store, now = make_site(tmp_path)
    with store.writing() as conn:
        note_identity(conn, "B", "line-1", {"serial": "PB-0999"}, round(now * 1000))
    store.event(
        "disk", "the disk took nothing for a while", start_ms=round(now * 1000), end_ms=round(now * 1000)
    )
    tests = (
        {"pack": "B", "phase": "rejected", "say": "Again.", "reasons": ["it was 3 °C"], "capacity": None},
    )
    for test in tests:
        store.save_report("captest", "2026-01-13", "2026-01-13", json.dumps(test))
    made = write_claim(store, config, replace(WISH, csv=False), now_s=now, out_dir=tmp_path / "open")
    text = (made.folder / "claim.html").read_text(encoding="utf-8")
    assert "PB-0999 (first read 2026-01-14)" in text
    assert "is not the one entered from its label" in text
    assert "the disk took nothing for a while" in text
    assert "it was 3 °C" in text
    hidden = write_claim(
        store, config, replace(WISH, csv=False, redact=True), now_s=now, out_dir=tmp_path / "hidden"
    )
    for path in hidden.folder.rglob("*"):
        assert path.is_dir() or b"PB-0999" not in path.read_bytes()
    store.close()
