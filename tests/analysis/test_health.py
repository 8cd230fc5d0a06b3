import json
from collections.abc import Iterable, Iterator
from dataclasses import fields, is_dataclass

import pytest

from analysis.digest import digest
from analysis.estimate import Estimate
from analysis.health import health, recorded
from analysis.history import Bank, History
from analysis.plain import plain
from tests.analysis import made


@pytest.fixture(scope="module")
def bank() -> Bank:
    history = History.of(
        made.FACTS, [digest(f, made.FACTS) for f in made.frames(made.Pack(period_s=30.0), 9)]
    )
    return Bank((history,), "Europe/Vienna")


def estimates(value: object) -> Iterator[Estimate]:
    """Every estimate anywhere within a result."""
    if isinstance(value, Estimate):
        yield value
    elif isinstance(value, tuple):
        for item in value:
            yield from estimates(item)
    elif is_dataclass(value):
        for field in fields(value):
            yield from estimates(getattr(value, field.name))


def check(found: Iterable[Estimate]) -> None:
    """A number has an interval that holds it, or a reason; no number has a reason."""
    for one in found:
        if one.value is None or one.low is None or one.high is None:
            assert one.reason
        else:
            assert one.low <= one.value <= one.high


def test_every_number_has_an_interval_or_a_reason(bank: Bank) -> None:
    found = list(estimates(health(bank)))
    assert len(found) > 30
    check(found)


def test_it_is_json(bank: Bank) -> None:
    text = json.dumps(plain(health(bank, bank.packs[0].days[2], bank.packs[0].days[6])), allow_nan=False)
    assert '"round_trip"' in text


def test_the_time_asked_for(bank: Bank) -> None:
    days = bank.packs[0].days
    result = health(bank, days[2], days[4])
    assert result.packs[0].recorded.days == 3
    assert (result.first, result.last) == (days[2], days[4])
    with pytest.raises(ValueError, match="after"):
        health(bank, days[4], days[2])


@pytest.mark.parametrize("packs", [0, 1, 2])
def test_nothing_recorded(packs: int) -> None:
    result = health(Bank(tuple(History.of(made.FACTS, []) for _ in range(packs)), "UTC"))
    check(estimates(result))
    json.dumps(plain(result), allow_nan=False)


def test_one_day_and_one_sample() -> None:
    frame = made.Pack().frame(0, made.day_current(made.Pack())[:1])
    history = History.of(made.FACTS, [digest(frame, made.FACTS)])
    check(estimates(health(Bank((history,), "UTC"))))
    assert recorded(history).days == 1


def test_plain_refuses_what_it_does_not_know() -> None:
    assert plain({"a": (1, 2.5, None, float("nan"), True)}) == {"a": [1, 2.5, None, None, True]}
    with pytest.raises(ValueError, match="complex"):
        plain(1j)
