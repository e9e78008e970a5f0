"""The demo's utility: Harrow Fen Water, invented, small, and the same every time.

Forty premises, an assembly of every field-testable kind, four testers of two companies, four gauges, and two years of reports:
most pass, some fail and are repaired, a few are overdue, one failed and was never repaired. Everything follows from one seed and from
the day on which it is made, so that what is due is due about now. No name here is a person's, a maker's or a place's.
"""

import datetime as dt
import random
from collections.abc import Iterator
from typing import Any
from uuid import UUID

import msgspec
from msgspec import Struct

from rules.operation import PracticeTestRequest, practice_test

UTILITY = "harrow-fen"
TIME_ZONE = "America/Los_Angeles"
RULEBOOK = "us-wa"
SEED = 7_238

# (kind, how many, hazard, connection, what the premises are)
_PLACES = (
    ("pvb", 9, "health", "irrigation", "Irrigation, Plot"),
    ("svb", 4, "health", "irrigation", "Greenhouse, Bay"),
    ("rp", 12, "health", "non_residential", "Workshop, Unit"),
    ("dc", 9, "non_health", "non_residential", "Store, Unit"),
    ("dcda", 3, "non_health", "fire", "Warehouse, Hall"),
    ("rpda", 3, "health", "fire", "Plating works, Hall"),
)

# How strong a sound part's spring is, psi: its middle and how far it strays from assembly to assembly. Chosen to look like sound
# assemblies; not a rule of the trade.
_SPRINGS = {
    "rp": {"check_1": (7.4, 0.5), "relief_valve": (2.9, 0.25), "check_2": (2.2, 0.4)},
    "dc": {"check_1": (2.4, 0.4), "check_2": (2.1, 0.4)},
    "vb": {"check": (1.8, 0.25), "air_inlet": (1.9, 0.25)},
}
# One sound-looking assembly in sixteen or so fails all the same.
_CHANCE_OF_FAILURE = 0.06
# Half of those fail by leaking or sticking, half by a weak spring.
_CHANCE_OF_LEAK = 0.5


def family(kind: str) -> str:
    """Which procedure serves the kind."""
    return "rp" if kind.startswith("rp") else "dc" if kind.startswith("dc") else "vb"


class Premises(Struct, frozen=True, kw_only=True):
    """One place with its assembly; `habit` says how its owner behaves."""

    name: str
    address: str
    reference: str
    connection: str
    hazard: str
    kind: str
    size: float
    serial_number: str
    installed_on: dt.date
    location: tuple[float, float]
    habit: str


class Visit(Struct, frozen=True, kw_only=True):
    """One report to be: the place it is at (an index), who tested with what (indexes), and what is reported."""

    place: int
    tester: int
    gauge: int
    performed_at: dt.datetime
    received_at: dt.datetime
    document: dict[str, Any]


class Ids:
    """UUIDs of version 7 that follow from the scenario alone: the time given, and bits of one seeded source."""

    def __init__(self, source: random.Random) -> None:
        self._source = source

    def at(self, moment: dt.datetime) -> UUID:
        """A new id of that moment."""
        milliseconds = int(moment.timestamp() * 1000) & (2**48 - 1)
        bits = self._source.getrandbits(74)
        value = milliseconds << 80 | 0x7 << 76 | (bits >> 62) << 64 | 0b10 << 62 | bits & (2**62 - 1)
        return UUID(int=value)


class Scenario:
    """Everything of the demo, as data; `today` is the day on which it is made."""

    def __init__(self, today: dt.date) -> None:
        self.today = today
        self._random = random.Random(SEED)  # noqa: S311 - reproducible on purpose
        self.ids = Ids(self._random)
        self.testers = [self._tester(number) for number in range(4)]
        self.gauges = [self._gauge(number) for number in range(4)]
        self.places = list(self._places())
        # In the order in which their reports arrive: that is the order of the log, and the audit checks it.
        self.visits = sorted(self._visits(), key=lambda visit: visit.received_at)

    @property
    def founded(self) -> dt.datetime:
        """When the utility began to keep its record here: a little over two years ago."""
        return dt.datetime.combine(self.today - dt.timedelta(days=760), dt.time(9), dt.UTC)

    def _tester(self, number: int) -> dict[str, Any]:
        kinds = ["rp", "dc", "pvb", "svb", "rpda", "dcda"]
        first = self.today - dt.timedelta(days=900 - 60 * number)
        return {
            "name": f"Tester {'ABCD'[number]}",
            "certificates": [
                {
                    "certificate": f"HF-{410 + number}",
                    "kinds": kinds,
                    "valid_from": first.isoformat(),
                    "valid_until": (first + dt.timedelta(days=1500)).isoformat(),
                }
            ],
        }

    def _gauge(self, number: int) -> dict[str, Any]:
        newest = self.today - dt.timedelta(days=40 + 20 * number)
        return {
            "serial_number": f"G-{1200 + number}",
            "units": {"pressure": "psi"},
            "accuracy": 0.2,
            "resolution": 0.1,
            "calibrations": [{"calibrated_on": (newest - dt.timedelta(days=350 * back)).isoformat()} for back in (2, 1, 0)],
        }

    def _places(self) -> Iterator[Premises]:
        number = 0
        habits = ["prompt"] * 6 + ["fails"] * 2 + ["late"] + ["overdue"]
        for kind, count, hazard, connection, name in _PLACES:
            for place in range(1, count + 1):
                number += 1
                habit = (
                    "broken"
                    if (kind, place) == ("pvb", 3)
                    else "near"
                    if (kind, place) == ("dc", 2)
                    else self._random.choice(habits)
                )
                yield Premises(
                    name=f"{name} {place}",
                    address=f"{100 + 7 * number} Sluice Lane, Harrow Fen",
                    reference=f"C-{5000 + 13 * number}",
                    connection=connection,
                    hazard=hazard,
                    kind=kind,
                    size={"pvb": 1.0, "svb": 0.75, "rp": 2.0, "dc": 1.5}.get(kind, 6.0),
                    serial_number=f"{kind.upper()}-{30_000 + self._random.randrange(60_000)}",
                    installed_on=self.today - dt.timedelta(days=self._random.randrange(900, 4000)),
                    location=(round(47.1 + self._random.random() / 20, 5), round(-122.6 + self._random.random() / 20, 5)),
                    habit=habit,
                )

    def _visits(self) -> Iterator[Visit]:
        for index, place in enumerate(self.places):
            first = self.today - dt.timedelta(days=self._random.randrange(380, 720))
            last_due = 375 if place.habit == "overdue" else 10
            day = first
            turn = 0
            while day <= self.today - dt.timedelta(days=last_due):
                yield self._visit(index, place, day, failing=self._fails(place, turn))
                turn += 1
                day += dt.timedelta(
                    days=365 + (self._random.randrange(20, 60) if place.habit == "late" else -self._random.randrange(0, 20))
                )

    def _fails(self, place: Premises, turn: int) -> bool:
        return (
            (place.habit == "broken" and turn > 0)
            or (place.habit == "fails" and turn % 2 == 1)
            or self._random.random() < _CHANCE_OF_FAILURE
        )

    def _visit(self, index: int, place: Premises, day: dt.date, *, failing: bool) -> Visit:
        tester = self._random.randrange(4)
        performed = dt.datetime.combine(
            day, dt.time(8 + self._random.randrange(8), self._random.choice((0, 10, 25, 40))), dt.timezone(dt.timedelta(hours=-8))
        )
        bad = self._random.choice(list(_SPRINGS[family(place.kind)])) if failing else None
        bad = "check" if place.habit == "broken" and failing else bad
        line_pressure = self._random.randrange(48, 90)
        document: dict[str, Any] = {
            "performed_at": performed.isoformat(),
            "reason": "periodic",
            "units": {"pressure": "psi", "length": "in"},
            "line_pressure": line_pressure,
            "gauge_height_above_assembly": 0,
            "initial_test": self._phase(place, line_pressure, bad),
            "declared": "fail" if failing else "pass",
        }
        if failing and place.habit != "broken":
            part = "spring" if bad in ("relief_valve", "air_inlet") else "disc"
            line = {"line": "bypass"} if place.kind in ("rpda", "dcda") else {}
            document["repairs"] = [{"component": bad, "part": part, "action": "replaced", **line}]
            document["final_test"] = self._phase(place, line_pressure, None)
            document["declared"] = "pass"
        received = performed + dt.timedelta(hours=self._random.randrange(2, 90))
        return Visit(
            place=index,
            tester=tester,
            gauge=tester,
            performed_at=performed,
            received_at=received.astimezone(dt.UTC),
            document=document,
        )

    def _phase(self, place: Premises, line_pressure: int, bad: str | None) -> dict[str, Any]:
        """The readings that a tester takes on the place's assembly, with that part failing: a practice test run on the model."""
        detector = place.kind in ("rpda", "dcda")
        main = self._condition(place, None if detector else bad)
        ask = {
            "kind": place.kind,
            "units": {"pressure": "psi"},
            "line_pressure": line_pressure,
            "seed": self._random.randrange(2**31),
            "gauge": {"resolution": 0.1},
            **main,
        }
        if detector:
            ask["bypass"] = self._condition(place, bad)
        practice = practice_test(msgspec.convert(ask, PracticeTestRequest, strict=False))
        return msgspec.to_builtins(practice.key.initial_test)  # type: ignore[no-any-return]

    def _condition(self, place: Premises, bad: str | None) -> dict[str, Any]:
        springs = {
            part: round(middle + self._random.uniform(-stray, stray), 2)
            for part, (middle, stray) in _SPRINGS[family(place.kind)].items()
        }
        conditions: dict[str, str] = {}
        if place.habit == "near":
            springs["check_2"] = 1.0
        if bad is not None and place.habit == "broken":
            springs[bad] = 0.6
        elif bad is not None and self._random.random() < _CHANCE_OF_LEAK:
            conditions[bad] = "leaking" if bad.startswith("check") else "stuck_closed"
        elif bad is not None:
            springs[bad] = round(springs[bad] * 0.3, 2)
        return {"conditions": conditions, "loadings": springs}
