"""Simulated programmes: a year of tests by several testers, honest, or with one of them dishonest in a stated way.

What an assembly shows comes from the rules' practice tests, run on the hydraulic model with springs that differ from assembly to assembly,
read off to a ten-thousandth; a programme then adds what a gauge and a year add: the gauge's own error within its accuracy, how far a
reading strays, the spring's change since the last test, and the dial's resolution. Testers differ honestly too: in their gauges,
their districts (springs a little stronger or weaker, more or fewer failures), how much they work. Chosen to look like sound programmes; no source.
"""

import datetime as dt
import math
import random
import string
from collections import Counter
from collections.abc import Callable
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
from msgspec import Struct
from msgspec.structs import replace

import rules
from rules.operation import PracticeTestRequest, practice_test
from rules.screening import (
    IdentityChange,
    Middles,
    Number,
    Screen,
    ScreenedTest,
    SecondLook,
    SharedSerial,
    Tally,
    halves_of,
    looks_at_changes,
    looks_at_gauges,
    looks_at_shared,
    looks_at_testers,
    looks_at_times,
    numbers_of,
)

ZONE = ZoneInfo("America/Los_Angeles")
YEAR = 2026
ACCURACY, RESOLUTION = 0.2, 0.1
STRAYS = 0.03
CHANGES_IN_A_YEAR = 0.12
KINDS = ("rp", "rp", "dc", "dc", "pvb", "svb")
SPRINGS = {
    "rp": {"check_1": (7.4, 0.6), "relief_valve": (2.9, 0.3), "check_2": (2.2, 0.4)},
    "dc": {"check_1": (2.4, 0.4), "check_2": (2.1, 0.4)},
    "pvb": {"check": (1.8, 0.3), "air_inlet": (1.9, 0.3)},
    "svb": {"check": (1.8, 0.3), "air_inlet": (1.9, 0.3)},
}
OF_EACH = 250


class Specimen(Struct, frozen=True):
    """An assembly in some condition: what a perfect gauge would read, and whether that fails."""

    kind: str
    numbers: tuple[Number, ...]
    fails: bool


@cache
def specimens(kind: Any, *, failing: bool) -> list[Specimen]:
    """Assemblies of a kind, sound or failing (half of these by a leak or a stuck part, half by a weak spring), from practice tests."""
    source = random.Random(f"{kind}{failing}")  # noqa: S311 - reproducible on purpose
    found: list[Specimen] = []
    while len(found) < (OF_EACH // 4 if failing else OF_EACH):
        springs = {part: round(source.gauss(middle, stray), 4) for part, (middle, stray) in SPRINGS[kind].items()}
        conditions = {}
        if failing:
            bad = source.choice(list(springs))
            if source.random() < 0.5:
                conditions[bad] = "leaking" if bad.startswith("check") else "stuck_closed"
            else:
                springs[bad] = round(springs[bad] * 0.3, 4)
        ask = {
            "kind": kind,
            "units": {"pressure": "psi"},
            "line_pressure": 62,
            "seed": len(found),
            "loadings": springs,
            "conditions": conditions,
            "gauge": {"resolution": 0.0001, "scatter": 0},
        }
        phase = practice_test(msgspec.convert(ask, PracticeTestRequest)).key.initial_test
        test = rules.Test(
            rulebook="us-wa",
            performed_at=dt.datetime(YEAR, 5, 1, 12, tzinfo=ZONE),
            assembly=rules.TestedAssembly(kind=kind, hazard="non_health"),
            units=rules.TestUnits(pressure="psi"),
            initial_test=phase,
        )
        outcome = rules.judge(test, received_at=dt.datetime(YEAR, 5, 2, 12, tzinfo=ZONE)).outcome
        if outcome == ("fail" if failing else "pass"):
            found.append(Specimen(kind, numbers_of(phase.readings), failing))
    return found


class Tester(Struct, frozen=True, kw_only=True):
    """One tester's year: the gauge's error over the year, the district's springs and failures, the amount of work."""

    name: str
    gauge_error: Callable[[float], float]
    springs: float
    fails: float
    tests: int


def honest_tester(source: random.Random, number: int) -> Tester:
    error = source.uniform(-ACCURACY, ACCURACY)
    return Tester(
        name=f"tester {number}",
        gauge_error=lambda _share: error,
        springs=source.gauss(0, 0.05),
        fails=0.08 * source.uniform(0.75, 1.25),
        tests=source.randrange(60, 260),
    )


def read(source: random.Random, value: float, error: float) -> float:
    """What a gauge with that error shows for a pressure."""
    shown = value + error + source.uniform(-STRAYS, STRAYS)
    return round(max(0, round(shown / RESOLUTION)) * RESOLUTION, 9)


def work(source: random.Random, tester: Tester, *, before: Tester | None = None) -> list[ScreenedTest]:
    """An honest year of one tester; the assemblies' tests of the year before were made with another gauge within its accuracy."""
    tests: list[ScreenedTest] = []
    day = dt.date(YEAR, 1, 5)
    days = max(1, tester.tests // 8)
    step = 340 / days
    made = 0
    while made < tester.tests:
        moment = dt.datetime.combine(day, dt.time(7, 30), ZONE) + dt.timedelta(minutes=source.randrange(0, 90))
        place = (source.uniform(0, 20), source.uniform(0, 20))
        for of_day in range(min(source.randrange(5, 12), tester.tests - made)):
            kilometres = 0.0
            if of_day and source.random() > 0.3:
                there = (source.uniform(0, 20), source.uniform(0, 20))
                kilometres = math.dist(place, there)
                place = there
                moment += dt.timedelta(hours=1.3 * kilometres / source.uniform(35, 80))
            tests.append(one_test(source, tester, moment, kilometres, len(tests)))
            moment += dt.timedelta(minutes=source.uniform(12, 40))
            made += 1
        day += dt.timedelta(days=max(1, round(step)))
        while day.weekday() > 4:
            day += dt.timedelta(days=1)
        if day.year > YEAR:
            day = dt.date(YEAR, 1, 6)
    return sorted(tests, key=lambda one: one.performed_at)


def one_test(source: random.Random, tester: Tester, moment: dt.datetime, kilometres: float, number: int) -> ScreenedTest:
    """One honest test: its time is written down to five minutes."""
    specimen = source.choice(specimens(source.choice(KINDS), failing=source.random() < tester.fails))
    error = tester.gauge_error((moment.date() - dt.date(YEAR, 1, 1)).days / 365)
    other_gauge = source.uniform(-ACCURACY, ACCURACY)
    numbers, last = [], []
    for one in specimen.numbers:
        true = one.value + tester.springs
        numbers.append(Number(part=one.part, value=read(source, true, error)))
        last.append(read(source, true + source.gauss(0, CHANGES_IN_A_YEAR), other_gauge))
    written = moment.replace(second=0, microsecond=0, minute=moment.minute // 5 * 5)
    name = f"{tester.name}, {number}"
    return ScreenedTest(
        report_id=name,
        assembly_id=f"assembly of {name}",
        tester_id=tester.name,
        gauge_id=f"gauge of {tester.name}",
        performed_at=written,
        kind=specimen.kind,
        unit="psi",
        failed=specimen.fails,
        numbers=tuple(numbers),
        resolution=RESOLUTION,
        accuracy=ACCURACY,
        calibrated_on=dt.date(YEAR, 1, 1),
        repeats_last=bool(last) and [one.value for one in numbers] == last,
        metres_from_last=1000 * kilometres if number else None,
    )


def programme(
    seed: int, testers: int = 12, crooked: Callable[[random.Random, Tester], list[ScreenedTest]] | None = None
) -> dict[str, list[ScreenedTest]]:
    """A year of a programme; the first tester works as `crooked` says, the others honestly."""
    source = random.Random(seed)  # noqa: S311 - reproducible on purpose
    years = {}
    for number in range(testers):
        tester = honest_tester(source, number)
        years[tester.name] = crooked(source, tester) if crooked is not None and number == 0 else work(source, tester)
    return years


def looks(years: dict[str, list[ScreenedTest]]) -> list[SecondLook]:
    """Everything that the screens point out in a programme."""
    found: list[SecondLook] = []
    tallies: dict[str, Tally] = {}
    middles = Middles()
    for name, tests in years.items():
        tallies[name] = Tally()
        found += looks_at_times(tests)
        for test in tests:
            tallies[name].add(test)
            middles.add(test)
    found += looks_at_testers(YEAR, tallies)
    halves = [halves_of(tests, middles) for tests in years.values()]
    return [*found, *looks_at_gauges([one for one in halves if one is not None])]


# What the dishonest do, each a change of an honest year.


def copies_the_last_test(source: random.Random, tester: Tester) -> list[ScreenedTest]:
    return [replace(one, repeats_last=True) if one.numbers and source.random() < 0.3 else one for one in busy(source, tester)]


def uses_numbers_again(source: random.Random, tester: Tester) -> list[ScreenedTest]:
    tests: list[ScreenedTest] = []
    for one in busy(source, tester):
        same = [
            other.numbers
            for other in tests[-12:]
            if other.kind == one.kind
            and other.performed_at.date() == one.performed_at.date()
            and len(other.numbers) == len(one.numbers)
        ]
        tests.append(replace(one, numbers=source.choice(same)) if same and source.random() < 0.3 else one)
    return tests


def rounds_to_half_a_psi(source: random.Random, tester: Tester) -> list[ScreenedTest]:
    return [
        replace(one, numbers=tuple(replace(n, value=round(2 * n.value) / 2) if source.random() < 0.4 else n for n in one.numbers))
        for one in busy(source, tester)
    ]


def passes_everything(source: random.Random, tester: Tester) -> list[ScreenedTest]:
    return [
        replace(
            one_test(source, replace(tester, fails=0.0), one.performed_at, (one.metres_from_last or 0) / 1000, number),
            failed=False,
        )
        for number, one in enumerate(busy(source, tester))
    ]


def gauge_drifts(source: random.Random, tester: Tester) -> list[ScreenedTest]:
    start = tester.gauge_error(0)
    return busy(source, replace(tester, gauge_error=lambda share: start + 0.8 * share))


def tests_at_night(source: random.Random, tester: Tester) -> list[ScreenedTest]:
    *tests, last = busy(source, tester)
    return [*tests, replace(last, performed_at=last.performed_at.replace(hour=23, minute=40))]


def forty_five_in_a_day(source: random.Random, tester: Tester) -> list[ScreenedTest]:
    tests = busy(source, tester)
    start = tests[-1].performed_at.replace(hour=7, minute=0)
    return tests + [one_test(source, tester, start + dt.timedelta(minutes=15 * n), 0, 1000 + n) for n in range(45)]


def is_in_two_places(source: random.Random, tester: Tester) -> list[ScreenedTest]:
    tests = busy(source, tester)
    last = tests[-1]
    away = one_test(source, tester, last.performed_at + dt.timedelta(minutes=15), 90, 1000)
    return [*tests, away]


def busy(source: random.Random, tester: Tester) -> list[ScreenedTest]:
    """The honest year of a tester with 150 tests."""
    return work(source, replace(tester, tests=150))


CROOKED: dict[Screen, Callable[[random.Random, Tester], list[ScreenedTest]]] = {
    "implausible_hour": tests_at_night,
    "too_many_tests": forty_five_in_a_day,
    "too_far_to_travel": is_in_two_places,
    "repeats_last_test": copies_the_last_test,
    "repeats_same_day": uses_numbers_again,
    "last_digits": rounds_to_half_a_psi,
    "seldom_fails": passes_everything,
    "gauge_shift": gauge_drifts,
}
PER_TESTER: tuple[Screen, ...] = ("implausible_hour", "too_many_tests", "too_far_to_travel")
"""The screens whose false alarms are stated per tester and year; those of the others, per programme and year."""

ALNUM = string.ascii_uppercase + string.digits


def honest_counts(seeds: range) -> tuple[Counter[str], dict[Screen, int]]:
    """How often each screen points anything out in honest programmes, and of how many testers, programmes, slips or registers."""
    alarms: Counter[str] = Counter()
    testers = 0
    for seed in seeds:
        years = programme(seed)
        testers += len(years)
        alarms.update(
            screen for screen, _ in {(one.screen, one.subject_id if one.screen in PER_TESTER else "") for one in looks(years)}
        )
    source = random.Random(seeds.start)  # noqa: S311 - reproducible on purpose
    slips, registers = 10 * len(seeds), max(1, len(seeds) // 10)
    alarms["identity_changed"] = len(
        list(looks_at_changes([changed(source, n, slip(source, serial(source))) for n in range(slips)]))
    )
    alarms["serial_number_shared"] = sum(bool(list(looks_at_shared(register(source)))) for _ in range(registers))
    units: dict[Screen, int] = {screen: testers if screen in PER_TESTER else len(seeds) for screen in CROOKED}
    return alarms, units | {"identity_changed": slips, "serial_number_shared": registers}


def hits(screen: Screen, seeds: range) -> tuple[int, int]:
    """In how many programmes with one dishonest tester that tester (or gauge) is pointed out, and of how many."""
    found = 0
    for seed in seeds:
        source = random.Random(seed)  # noqa: S311 - reproducible on purpose
        if screen == "identity_changed":
            found += bool(list(looks_at_changes([changed(source, seed, (serial(source), serial(source)))])))
        elif screen == "serial_number_shared":
            found += len(list(looks_at_shared(register(source, doubled=1)))) == 1
        else:
            pointed = looks(programme(seed, crooked=CROOKED[screen]))
            found += any(one.screen == screen and one.subject_id.endswith("tester 0") for one in pointed)
    return found, len(seeds)


def serial(source: random.Random) -> str:
    """A serial number as a maker might give it."""
    return "".join(source.choices(ALNUM, k=8))


def slip(source: random.Random, right: str) -> tuple[str, str]:
    """A serial number as it was first typed, with one or two letters wrong, and as it is corrected."""
    letters = list(right)
    for at in source.sample(range(len(letters)), source.choice((1, 2))):
        letters[at] = source.choice(ALNUM)
    return "".join(letters), right


def changed(source: random.Random, number: int, serials: tuple[str, str]) -> IdentityChange:
    """A change of an assembly's serial number."""
    return IdentityChange(
        assembly_id=f"assembly {number}",
        version=2,
        on=dt.date(YEAR, 3, source.randrange(1, 29)),
        serial_number=serials,
        size=("1 in", "1 in"),
        replaced=False,
    )


def register(source: random.Random, doubled: int = 0) -> list[SharedSerial]:
    """The serial numbers that more than one of a thousand assemblies has, `doubled` of them registered twice."""
    numbers = [serial(source) for _ in range(1000 - doubled)]
    numbers += source.sample(numbers, doubled)
    return [
        SharedSerial(
            serial_number=number, kind="dc", assembly_ids=tuple(f"assembly {n}" for n in range(count)), on=dt.date(YEAR, 3, 1)
        )
        for number, count in Counter(numbers).items()
        if count > 1
    ]
