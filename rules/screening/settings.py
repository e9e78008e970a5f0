"""What the screens treat as unusual, and what they were measured to do: `data/screening.toml`."""

from functools import cache
from typing import Literal

from msgspec import Struct

from rules.files import read
from rules.sources import Cited

Screen = Literal[
    "implausible_hour",
    "too_many_tests",
    "too_far_to_travel",
    "repeats_last_test",
    "repeats_same_day",
    "last_digits",
    "seldom_fails",
    "gauge_shift",
    "identity_changed",
    "serial_number_shared",
]


class Setting(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One value with its unit and what it is for."""

    key: str
    value: float
    unit: Literal["h", "min", "km", "km/h", "tests", "readings", "reports", "letters", "probability", "ratio"]
    says: str


class Stated(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a screen was measured to do on simulated programmes.

    `false_alarms` is at most how often honest work is flagged, counted per `of`; `power` at least how often what `against` describes is.
    """

    screen: Screen
    says: str
    of: str
    false_alarms: float
    against: str
    power: float


class ScreeningData(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`data/screening.toml`."""

    settings: tuple[Setting, ...]
    stated: tuple[Stated, ...]


@cache
def data() -> ScreeningData:
    """The file, read once."""
    return read("screening.toml", ScreeningData)


@cache
def setting(key: str) -> float:
    """The value of that name; KeyError for one that the data do not hold."""
    return {entry.key: entry.value for entry in data().settings}[key]


@cache
def stated() -> dict[Screen, Stated]:
    """What each screen was measured to do."""
    return {entry.screen: entry for entry in data().stated}
