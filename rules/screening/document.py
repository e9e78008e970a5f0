"""What the screens look at, and what they answer: records that deserve a second look, with the evidence, never an accusation."""

import datetime as dt
from collections.abc import Sequence
from typing import Any, Final, Literal

from msgspec import UNSET, Struct, UnsetType

from rules.field_test.document import AirInletReading, Reading, ReliefValveReading
from rules.field_test.without_criteria import COMPONENT_OF
from rules.quantities import PressureUnit
from rules.screening.settings import Screen, setting, stated
from rules.screening.texts import sentence

CAUTION: Final = sentence("caution", "look_again")
Subject = Literal["tester", "gauge", "assembly"]


class Number(Struct, frozen=True, kw_only=True):
    """One number that was read: on which line and component, in the unit of the test."""

    part: str
    value: float


class ScreenedTest(Struct, frozen=True, kw_only=True):
    """A test as far as the screens look at it.

    `performed_at` is the moment in the utility's time zone. `metres_from_last` is the geodesic distance from the place of the same tester's
    timed test before; None where either place is unknown, or the distance is within reach anyway. `resolution` is the gauge's, in `unit`;
    None
    where the gauge reads in another unit, whose digits a conversion has blurred. `accuracy` in `unit`. `repeats_last`: whether every number
    equals that of the assembly's test before; None where there is nothing to compare.
    """

    report_id: str
    assembly_id: str
    tester_id: str
    gauge_id: str
    performed_at: dt.datetime
    kind: str
    unit: PressureUnit
    failed: bool
    numbers: tuple[Number, ...]
    resolution: float | None = None
    accuracy: float = 0.0
    calibrated_on: dt.date | None = None
    repeats_last: bool | None = None
    metres_from_last: float | None = None

    @property
    def timed(self) -> bool:
        """Whether a time of day was stated: midnight to the second is what a day without a time becomes."""
        return self.performed_at.time() != dt.time()


class ScreeningEvidence(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Why a record deserves a second look.

    `figures` are the numbers that it rests on, by name. `chance` is how often honest work alone would look so at least;
    `adjusted_chance` the same with all `comparisons` of that run accounted for.
    """

    report_ids: list[str]
    """The reports that it rests on."""
    figures: dict[str, float]
    """The figures, by name."""
    chance: float | UnsetType = UNSET
    """The chance of as much by accident."""
    adjusted_chance: float | UnsetType = UNSET
    """The same, adjusted for the number of comparisons."""
    comparisons: int | UnsetType = UNSET
    """How many comparisons were made."""
    texts: dict[str, str] = {}
    """The texts compared, by name."""


class SecondLook(Struct, frozen=True, kw_only=True):
    """A record that deserves a second look. `occasion` distinguishes it from others of the same screen and subject.

    `on` is the day it is about.

    `false_alarms` states at most how often honest work is flagged by this screen, per `false_alarms_of`.
    """

    screen: Screen
    subject: Subject
    subject_id: str
    occasion: str
    on: dt.date
    message: str
    evidence: ScreeningEvidence

    @property
    def false_alarms(self) -> tuple[float, str]:
        """At most how often honest work is flagged by this screen, and of what."""
        measured = stated()[self.screen]
        return measured.false_alarms, measured.of


def numbers_of(readings: Sequence[Reading]) -> tuple[Number, ...]:
    """Every number of a phase, by line and component."""
    found = []
    for reading in readings:
        value: Any = reading.opened_at if isinstance(reading, AirInletReading | ReliefValveReading) else reading.held_at
        if value is not UNSET:
            found.append(Number(part=f"{reading.line}/{COMPONENT_OF[type(reading)]}", value=value))
    return tuple(sorted(found, key=lambda number: number.part))


def named(report_ids: Sequence[str]) -> list[str]:
    """The newest of them, as many as evidence names."""
    return list(report_ids[-int(setting("most_named")) :])
