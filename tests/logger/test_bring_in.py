from __future__ import annotations

from logger.bring_in import Brought


def test_the_account_is_in_words() -> None:
    brought = Brought("a.csv", "A", 86400, 1, 0, 0, 120, 1, ((7, "no number"),), (), ("line 7: no number",))
    assert brought.lines() == [
        "a.csv: 86,400 readings of A; 1 days sealed, 0 revised, 0 unchanged",
        "  120 readings of the day that is not over yet",
        "  line 7: no number",
    ]
