from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from logger.record.chain import ORIGIN, DayRecord, fingerprint, link


def test_published_sha256_vectors() -> None:
    # NIST, FIPS 180-4 example values: "abc", the empty message, the 448-bit message, a million "a".
    assert fingerprint(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert fingerprint(b"") == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    long = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"
    assert fingerprint(long) == "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    assert fingerprint(b"a" * 1_000_000) == "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"


def test_chain_values_computed_apart() -> None:
    # Computed with sha256sum over the concatenated bytes.
    first = link(ORIGIN, b"record-1\n")
    assert first == "f6695724a8b3d52bd76228e7c8f3a63658f931b9814ce82f7e3c526c85adf6e1"
    assert link(first, b"record-2\n") == "6b37e89357d5673d653dee600929b5fcb7a9429762b6aeb34ba9c80686f8660c"


@given(st.lists(st.binary(max_size=20), min_size=2, max_size=6, unique=True), st.data())
def test_any_change_of_order_shows_at_the_end(records: list[bytes], draw: st.DataObject) -> None:
    shuffled = draw.draw(st.permutations(records))
    assert (_end(records) == _end(shuffled)) == (records == shuffled)


def test_a_record_is_one_line_in_a_fixed_order() -> None:
    record = DayRecord(2, "pack", "A", "2026-01-05", "Europe/Vienna", 1, None, 3, 10, 30, "ab")
    assert record.line() == (
        b'{"day":"2026-01-05","first_ms":10,"kind":"pack","last_ms":30,"name":"A","revision":1,"row_count":3,'
        b'"seq":2,"sha256":"ab","supersedes":null,"zone":"Europe/Vienna"}\n'
    )


def _end(records: list[bytes]) -> str:
    value = ORIGIN
    for one in records:
        value = link(value, one)
    return value
