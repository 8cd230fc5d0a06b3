"""What is alike is said once."""

from __future__ import annotations

from analysis.report.scope import together
from analysis.report.value import Statement


def test_the_same_words_about_two_packs_become_one_line() -> None:
    lines = [Statement("Calm.", "good", "Pack A"), Statement("Calm.", "good", "Pack B")]
    assert together(lines) == [Statement("Calm.", "good", "Packs A, B")]


def test_other_words_or_another_tone_stay_apart() -> None:
    lines = [
        Statement("Calm.", "good", "Pack A"),
        Statement("Calm.", "watch", "Pack B"),
        Statement("Cold.", "good", "Pack C"),
    ]
    assert together(lines) == lines


def test_what_is_not_about_a_pack_keeps_its_label() -> None:
    lines = [Statement("Calm.", "plain", "Energy"), Statement("Calm.", "plain", "Cold")]
    assert together(lines) == lines
