"""A field test as reported: the assembly, the gauge, the tester, the readings, the repairs and the readings after them.

Absent members are UNSET, so that *not stated* is never mistaken for a value. A reading is a union tagged by its component, so that the
published contract says which members belong to which part.
"""

import datetime as dt
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.catalogue import Hazard, Line, Purpose, TestableKind
from rules.quantities import LengthUnit, LengthValue, PressureUnit, PressureValue

Word = Annotated[str, Meta(min_length=1, max_length=100)]
Declared = Literal["pass", "fail", "incomplete"]
Moment = Annotated[dt.datetime, Meta(tz=True)]
Nonnegative = Annotated[float, Meta(ge=0, le=100_000)]
Shutoff = Literal["tight", "leaking", "leaking_no_flow_proved", "not_checked"]
Method = Literal["one_hose", "two_hoses", "sight_tube", "duplex_gauge"]
"""How the differentials were read. What it decides: which shutoff leaks spoil a reading, and whether the gauge's level matters."""
HowOften = Literal["continuous", "intermittent"]


class TestUnits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The units of a test; `length` is needed only where the test states a length."""

    __test__ = False
    pressure: PressureUnit
    """The unit of all pressures and differentials."""
    length: LengthUnit | UnsetType = UNSET
    """The unit of all lengths; required where the test states a length."""


class TestedAssembly(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The assembly tested; `size` in `units.length`.

    `purpose`, `backpressure_possible` and `in_plant_air_gap` (an air gap on record in the plant behind it) decide with the hazard whether
    the kind is suitable; where one is not stated, that part of the answer is not determined.
    """

    kind: TestableKind
    """The kind of assembly."""
    hazard: Hazard | Literal["unknown"] | UnsetType = UNSET
    """The degree of hazard it protects against; required unless `hazard_class` is stated."""
    hazard_class: Word | UnsetType = UNSET
    """The hazard in the rulebook's own word, one of its `hazard_words`, such as `class I` or `fluid category 4`."""
    purpose: Purpose | UnsetType = UNSET
    """What it isolates."""
    backpressure_possible: bool | UnsetType = UNSET
    """Whether the customer's side can push back."""
    in_plant_air_gap: bool | UnsetType = UNSET
    """Whether an approved air gap inside the plant is on record."""
    size: Annotated[float, Meta(gt=0, le=100_000)] | UnsetType = UNSET
    """The nominal size, in `units.length`."""


class GaugeUsed(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The differential pressure gauge: accuracy (±) and resolution in `units.pressure`, height in `units.length`.

    `height_above_assembly` is measured from the level that the procedure states, negative below it. It never corrects a reading: where
    the level matters, a gauge held elsewhere gives no number.
    """

    accuracy: Nonnegative | UnsetType = UNSET
    """The accuracy (plus or minus), in `units.pressure`."""
    resolution: Nonnegative | UnsetType = UNSET
    """The smallest step it shows, in `units.pressure`."""
    calibrated_on: dt.date | UnsetType = UNSET
    """The day of its last calibration before the test."""
    height_above_assembly: LengthValue | UnsetType = UNSET
    """How high it was held above the level that the procedure states, in `units.length`; negative: below."""


class CertifiedTester(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The tester's certificate, the kinds it covers, and its first and last day."""

    certificate: Word | UnsetType = UNSET
    """The number of the certificate."""
    kinds: Annotated[tuple[TestableKind, ...], Meta(max_length=12)] | UnsetType = UNSET
    """The kinds of assembly it covers."""
    valid_from: dt.date | UnsetType = UNSET
    """Its first day."""
    valid_until: dt.date | UnsetType = UNSET
    """Its last day."""


class _Check(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True, tag_field="component"):
    """A check valve: whether it closed tight, and the static drop that it held, in the direction of flow.

    `fluctuated`: the needle swung, and the lowest reading is recorded.
    """

    closed_tight: bool | UnsetType = UNSET
    """Whether it closed tight."""
    held_at: PressureValue | UnsetType = UNSET
    """The static drop that it held in the direction of flow, in `units.pressure`."""
    fluctuated: bool | UnsetType = UNSET
    """Whether the needle swung; record the lowest reading."""
    line: Line = "main"
    """The line."""


class Check1Reading(
    _Check, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True, tag_field="component", tag="check_1"
):
    """Check 1 of an RP, a DC or a detector assembly; `tight_against_backpressure` for a DC's, tested by putting pressure behind it."""

    tight_against_backpressure: bool | UnsetType = UNSET
    """Whether it closed tight against backpressure, apart from its number in the direction of flow."""


class Check2Reading(
    _Check, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True, tag_field="component", tag="check_2"
):
    """Check 2 of an RP, a DC or a detector assembly.

    Whether it is tight against backpressure is apart from its drop in the direction of flow.
    """

    tight_against_backpressure: bool | UnsetType = UNSET
    """Whether it closed tight against backpressure, apart from its number in the direction of flow."""


class CheckReading(
    _Check, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True, tag_field="component", tag="check"
):
    """The check of a vacuum breaker, or the one check on the bypass of a Type II detector assembly."""


class ReliefValveReading(
    Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True, tag_field="component", tag="relief_valve"
):
    """A relief valve: whether it opened, and the differential (inlet over zone) at which it did.

    `discharging`: it discharged before the test, all the time or now and then. `fluctuated`: the lowest reading is recorded.
    """

    opened: bool | UnsetType = UNSET
    """Whether it opened."""
    opened_at: PressureValue | UnsetType = UNSET
    """The differential (inlet over zone) at which it opened, in `units.pressure`."""
    discharging: HowOften | UnsetType = UNSET
    """Whether the relief valve discharges before the test: all the time, or now and then."""
    fluctuated: bool | UnsetType = UNSET
    """Whether the needle swung; record the lowest reading."""
    line: Line = "main"
    """The line."""


class AirInletReading(
    Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True, tag_field="component", tag="air_inlet"
):
    """An air inlet: whether it opened, at what pressure over atmosphere, and whether it opened fully as the body drained.

    `spilling`: it spilled before the test, all the time or now and then. `fluctuated`: the lowest reading is recorded.
    """

    opened: bool | UnsetType = UNSET
    """Whether it opened."""
    opened_at: PressureValue | UnsetType = UNSET
    """The pressure above atmosphere at which it opened, in `units.pressure`."""
    opened_fully: bool | UnsetType = UNSET
    """Whether it opened fully as the body drained."""
    spilling: HowOften | UnsetType = UNSET
    """Whether water spills from the air inlet before the test: all the time, or now and then."""
    fluctuated: bool | UnsetType = UNSET
    """Whether the needle swung; record the lowest reading."""
    line: Line = "main"
    """The line."""


Reading = Check1Reading | Check2Reading | CheckReading | ReliefValveReading | AirInletReading


class Shutoffs(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """How the two shutoff valves held during the test."""

    inlet: Shutoff = "not_checked"
    """The upstream shutoff (No. 1)."""
    outlet: Shutoff = "not_checked"
    """The downstream shutoff (No. 2)."""


class Phase(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """An initial or a final test: the shutoffs and the readings, in any order.

    `method` is how the differentials were read; where it is not stated, the stricter reading is taken. `procedure` is the name that its
    publisher gives the procedure, kept as text. `backpressure_present`: the downstream side pushed back during the test.
    `test_kit_fault`: the kit failed, so the test was abandoned. `bypass_meter_moved`: a detector assembly's meter moved as water ran
    through the bypass.
    """

    readings: Annotated[list[Reading], Meta(max_length=24)]
    """The readings, in any order."""
    shutoffs: Shutoffs = Shutoffs()
    """How the shutoffs held."""
    method: Method | UnsetType = UNSET
    """How the gauge was connected. Without it, the stricter reading is taken."""
    procedure: Word | UnsetType = UNSET
    """The procedure by its publisher's own name."""
    backpressure_present: bool | UnsetType = UNSET
    """Whether the customer's side pushed back during the test."""
    test_kit_fault: bool | UnsetType = UNSET
    """Whether the test kit failed; the test is then incomplete, not failed."""
    bypass_meter_moved: bool | UnsetType = UNSET
    """Whether the meter of a detector assembly's bypass moved when water ran."""


class Repair(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What was done to which part between the tests."""

    component: Literal["check_1", "relief_valve", "check_2", "check", "air_inlet"] | UnsetType = UNSET
    """The part of the assembly."""
    part: Literal[
        "disc",
        "seat",
        "spring",
        "guide",
        "diaphragm",
        "o_ring",
        "stem",
        "body",
        "test_cock",
        "shutoff",
        "whole_assembly",
        "other",
    ]
    """What was repaired."""
    action: Literal["cleaned", "replaced", "adjusted", "other"]
    """What was done."""
    line: Line = "main"
    """The line."""


class Test(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A field test, with all that judging it needs; `performed_at` has its offset, and its own date is the day of the test."""

    __test__ = False
    rulebook: Annotated[str, Meta(min_length=1, max_length=60)]
    """The rulebook to judge by, such as `us-wa`."""
    performed_at: Moment
    """When the test was performed, with its offset; its own date is the day of the test."""
    assembly: TestedAssembly
    """The assembly tested."""
    units: TestUnits
    """The units of all numbers."""
    initial_test: Phase
    """The initial test."""
    line_pressure: PressureValue | UnsetType = UNSET
    """The line pressure, in `units.pressure`."""
    gauge: GaugeUsed | UnsetType = UNSET
    """The gauge."""
    tester: CertifiedTester | UnsetType = UNSET
    """The tester."""
    repairs: Annotated[list[Repair], Meta(max_length=50)] | UnsetType = UNSET
    """What was repaired between the tests."""
    final_test: Phase | UnsetType = UNSET
    """The final test, after the repair."""
    declared: Declared | UnsetType = UNSET
    """The outcome that the report itself declares."""
    accepted_on_paper: bool = False
    """Whether the report was accepted on paper before the record began: where readings are missing, its declared outcome is the result."""


class PreviousReadings(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The readings of the test before this one, for noticing that every digit repeats; none where there are none to compare with.

    `corrected` is how the report came out that this one corrects, where it corrects one.
    """

    readings: list[Reading]
    """The readings of the test before."""
    corrected: Declared | UnsetType = UNSET
    """The outcome of the report that this one corrects."""
