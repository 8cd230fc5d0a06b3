"""Who a pack is: label and wire side by side, and a word where they differ."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from logger.documents.identity import differing, identity_rows, is_serial
from logger.record.store_identity import ReadIdentity
from logger.settings import Pack

VIENNA = ZoneInfo("Europe/Vienna")
LABEL = Pack(name="B", serial="PB-0418", model="Hill 48")
LATE = 1_768_345_200_000  # 2026-01-14 00:00 in Vienna
DAY = 86_400_000


def read(name: str, value: str, first: int = LATE, last: int = LATE) -> ReadIdentity:
    return ReadIdentity("B", "line-1", name, value, first, last)


def test_label_and_wire_stand_side_by_side() -> None:
    rows = identity_rows(LABEL, [read("serial", "PB0418"), read("version", "1.7")], VIENNA)
    assert rows == (
        ("Serial number", "PB-0418", "PB0418 (first read 2026-01-14)"),
        ("Model", "Hill 48", "not read: no source gives it"),
        ("Version of its program", "–", "1.7 (first read 2026-01-14)"),
    )


def test_spaces_and_hyphens_make_no_difference() -> None:
    assert differing(LABEL, [read("serial", "pb 0418")]) == ()


def test_another_number_is_told() -> None:
    (text,) = differing(LABEL, [read("serial", "PB-0999")])
    assert text == "The serial number read from pack B is not the one entered from its label."


def test_a_pack_that_was_exchanged_shows_both_with_their_days() -> None:
    told = [
        read("serial", "PB-0999", LATE, LATE + DAY),
        read("serial", "PB-0418", LATE + 2 * DAY, LATE + 2 * DAY),
    ]
    assert identity_rows(LABEL, told, VIENNA)[0][2] == (
        "PB-0999 (2026-01-14 to 2026-01-15); PB-0418 (2026-01-16)"
    )
    assert differing(LABEL, told) == ("Pack B has given more than one serial number.",)


def test_redaction_withholds_every_serial_number_and_nothing_else() -> None:
    rows = identity_rows(LABEL, [read("cell_serial", "C-77"), read("serial", "X")], VIENNA, redact=True)
    assert ("Cell serial", "not entered", "(withheld)") in rows
    assert ("Serial number", "(withheld)", "(withheld)") in rows
    assert ("Model", "Hill 48", "not read: no source gives it") in rows
    assert is_serial("module_SERIAL_2")
