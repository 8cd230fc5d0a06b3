from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pytest

from analysis.codec import decode, encode, fingerprint, names_of


@dataclass(frozen=True, slots=True)
class Inner:
    name: str
    value: float


@dataclass(frozen=True, slots=True)
class Outer:
    kind: Literal["a", "b"]
    n: int
    maybe: float | None
    numbers: tuple[float, ...]
    pairs: tuple[tuple[str, int], ...]
    inner: Inner
    many: tuple[Inner, ...] = ()
    optional: Inner | None = None


@dataclass(frozen=True, slots=True)
class Wider:
    name: str
    value: float
    more: float


@dataclass(frozen=True, slots=True)
class Foreign:
    value: complex


@dataclass(frozen=True, slots=True)
class Checked:
    value: float

    def __post_init__(self) -> None:
        raise AssertionError


VALUE = Outer(
    "a", 3, None, (1.5, 2.0), (("x", 1),), Inner("i", 0.25), (Inner("j", 1e9 + 0.5),), Inner("k", 1.0)
)


def test_there_and_back() -> None:
    assert decode(Outer, (names_of(Outer), encode(VALUE))) == VALUE


def test_nan_comes_back_as_nan() -> None:
    back = decode(Inner, (names_of(Inner), encode(Inner("x", float("nan")))))
    assert back.value != back.value


def test_seven_digits_and_tenths_of_instants_are_kept_and_stay() -> None:
    once = encode(Inner("x", 1 / 3))
    back = decode(Inner, (names_of(Inner), once))
    assert back.value == 0.3333333
    assert encode(back) == once
    assert decode(Inner, (names_of(Inner), encode(Inner("x", 1760486399.96)))).value == 1760486400.0


def test_a_part_leaves_defaults_for_the_rest() -> None:
    core = [name for name in names_of(Outer) if name not in {"many", "optional"}]
    back = decode(Outer, (core, encode(VALUE, core)))
    assert back.many == ()
    assert back.optional is None
    assert decode(Outer, (core, encode(VALUE, core)), (["many"], encode(VALUE, ["many"]))).many == VALUE.many


@pytest.mark.parametrize(
    "raw", [b"", b"[1]", encode(Wider("x", 1.0, 2.0)), encode(VALUE), encode(Inner("", 1.0))[:9]]
)
def test_other_bytes_are_refused(raw: bytes) -> None:
    with pytest.raises(ValueError, match=r"Inner|short"):
        decode(Inner, (names_of(Inner), raw))


def test_what_is_not_finite_comes_back_as_nan() -> None:
    back = decode(Inner, (names_of(Inner), encode(Inner("x", float("inf")))))
    assert back.value != back.value


def test_foreign_kinds_are_refused() -> None:
    with pytest.raises(TypeError, match="list"):
        encode([1.0])
    with pytest.raises(TypeError, match="complex"):
        encode(Foreign(1j))


def test_the_fingerprint_follows_the_fields_of_the_fields() -> None:
    assert fingerprint(Inner) == fingerprint(Inner)
    assert fingerprint(Inner) != fingerprint(Wider)
    assert fingerprint(Outer) != fingerprint(Inner)


def test_a_class_that_checks_itself_is_refused_rather_than_read_unchecked() -> None:
    with pytest.raises(TypeError, match="Checked"):
        decode(Checked, (names_of(Checked), encode(Inner("x", 1.0))))
