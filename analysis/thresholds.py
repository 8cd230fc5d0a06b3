"""Every limit that makes a cell finding, in one table. The user may change any of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from analysis.packs.pack_limits import PACK_ROWS

PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Threshold:
    """One limit.

    Attributes
    ----------
    name : str
    value : float
    unit : str
        Canonical; "C" is the rated current of one hour.
    meaning : str
        What happens at it, in a sentence.
    source : str
        Where it is from, or `PRACTICE`.
    """

    name: str
    value: float
    unit: str
    meaning: str
    source: str


TABLE: tuple[Threshold, ...] = (
    Threshold(
        "leak_note_ma",
        2.0,
        "mA",
        "A cell that loses charge this much faster than the others is noted.",
        PRACTICE,
    ),
    Threshold(
        "leak_watch_ma",
        4.0,
        "mA",
        "The same, watched: what 100 mA of balancing make good in an hour a day.",
        "0.1 A × 1 h / 24 h",
    ),
    Threshold(
        "leak_act_ma",
        40.0,
        "mA",
        "The same, acted upon whatever the forecast: a short may be growing.",
        PRACTICE,
    ),
    Threshold(
        "offset_note", 0.008, "1", "Part of the rated charge by which a cell stands apart, noted.", PRACTICE
    ),
    Threshold("offset_watch", 0.012, "1", "The same, watched.", PRACTICE),
    Threshold("deficit_note", 0.025, "1", "Part of the rated charge that a cell lacks, noted.", PRACTICE),
    Threshold("deficit_watch", 0.03, "1", "The same, watched.", PRACTICE),
    Threshold("deficit_act", 0.15, "1", "The same, acted upon.", PRACTICE),
    Threshold(
        "resistance_note",
        0.2,
        "1",
        "Excess over the median cell's resistance, as part of it, noted.",
        PRACTICE,
    ),
    Threshold("resistance_watch", 0.4, "1", "The same, watched.", PRACTICE),
    Threshold("resistance_act", 1.5, "1", "The same, acted upon.", PRACTICE),
    Threshold("growth_note", 0.12, "1", "A rise of that part within the record, noted.", PRACTICE),
    Threshold("growth_watch", 0.2, "1", "The same, watched.", PRACTICE),
    Threshold("joint_act_w", 2.0, "W", "Heat in a joint at the highest current seen, acted upon.", PRACTICE),
    Threshold("tap_note_v", 0.006, "V", "Opposite reading errors of two neighbours, noted.", PRACTICE),
    Threshold("tap_watch_v", 0.012, "V", "The same, watched.", PRACTICE),
    Threshold(
        "tap_noise_ratio", 6.0, "1", "Noise of one cell's reading against the median cell's.", PRACTICE
    ),
    Threshold("tap_noise_v", 0.004, "V", "And the least noise that counts.", PRACTICE),
    Threshold("tap_stuck_s", 7200.0, "s", "Time a reading may stand still while the others move.", PRACTICE),
    Threshold("trip_act_days", 30.0, "d", "A trip expected within this is acted upon.", PRACTICE),
    Threshold("trip_watch_days", 180.0, "d", "A trip expected within this is watched.", PRACTICE),
    Threshold("sure", 3.5, "1", "Standard deviations by which a number must differ from 0.", PRACTICE),
    Threshold("sure_deficit", 3.0, "1", "The same for a capacity deficit.", PRACTICE),
    Threshold("least_days", 5.0, "d", "Span of record below which no drift is judged.", PRACTICE),
    *(Threshold(*row) for row in PACK_ROWS),
)


@dataclass(frozen=True, slots=True)
class Thresholds:
    """The table with the user's changes.

    Raises
    ------
    ValueError
        By `of`, for a name that is not in the table.
    """

    values: Mapping[str, float] = field(
        default_factory=lambda: MappingProxyType({t.name: t.value for t in TABLE})
    )

    @classmethod
    def of(cls, changes: Mapping[str, float]) -> Thresholds:
        """Return the table with some values changed."""
        known = {t.name: t.value for t in TABLE}
        strange = sorted(set(changes) - set(known))
        if strange:
            raise ValueError(f"no threshold {strange[0]!r}: the names are {', '.join(sorted(known))}")
        return cls(MappingProxyType({**known, **changes}))

    def __getitem__(self, name: str) -> float:
        return self.values[name]


DEFAULT = Thresholds()
