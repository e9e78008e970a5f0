"""An installation as stated, the rules that apply to it, and the findings: the shapes, and the rules in force on one day.

Every length comes in the caller's unit; what was not measured is left out, and is never assumed.
"""

import datetime as dt
from functools import cache, lru_cache
from typing import Annotated, Final, Literal, TypeVar

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from rules.files import read
from rules.quantities import FlowValue, LengthValue, Units
from rules.rulebook import MechanicalProtection
from rules.selection.air_gap import AirGap, AirGapRule
from rules.selection.hydraulics import KindCode
from rules.selection.tables import Outcome, RulebookReference
from rules.selection.texts import sentence
from rules.sources import Cited, Source

SEEN_AT_INSPECTION: Final = "inspection"
"""The set of rules that an inspection holds a kind to besides those of its placement."""
CAUTION: Final = sentence("caution", "local_codes")

ReliefDrain = Literal["air_gap", "direct", "none"]
Orientation = Literal["horizontal", "vertical_up", "vertical_down", "upright", "inverted"]
Bypass = Literal["none", "equal_assembly", "unprotected"]
Clearance = Annotated[float, Meta(ge=0, le=100_000, description="A length in `units.length`.")]


class Installation(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The facts of a place; lengths in `units.length`, flows in `units.flow`. What is left out was not measured.

    `relief_drain_capacity` is the flow that the drain takes, `relief_discharge` the largest that the relief valve can discharge by its
    maker's chart. `submergence_never_continuous`: where it can be submerged, it drains again.
    """

    height_above_highest_outlet: LengthValue | UnsetType = UNSET
    """The height over the highest downstream outlet, in `units.length`."""
    height_above_downstream_piping: LengthValue | UnsetType = UNSET
    """The height over the highest downstream piping, in `units.length`."""
    height_above_grade: LengthValue | UnsetType = UNSET
    """The height above the ground or floor, in `units.length`."""
    subject_to_submergence: bool | UnsetType = UNSET
    """Whether the place can be flooded."""
    submergence_never_continuous: bool | UnsetType = UNSET
    """Whether a flooded place drains again."""
    relief_drain: ReliefDrain | UnsetType = UNSET
    """How the relief port drains."""
    relief_drain_capacity: FlowValue | UnsetType = UNSET
    """The flow that the drain takes, in `units.flow`."""
    relief_discharge: FlowValue | UnsetType = UNSET
    """The largest flow that the relief valve can discharge, by its maker's chart, in `units.flow`."""
    relief_air_gap: AirGap | UnsetType = UNSET
    """The air gap below the relief port."""
    room_for_testing: bool | UnsetType = UNSET
    """Whether there is room to test and repair it."""
    clearance_all_round: Clearance | UnsetType = UNSET
    """The clearance all round, in `units.length`."""
    clearance_testing_side: Clearance | UnsetType = UNSET
    """The clearance on the side of the test cocks, in `units.length`."""
    downstream_shutoff: bool | UnsetType = UNSET
    """Whether a shutoff is downstream."""
    hours_under_pressure_per_day: Annotated[float, Meta(ge=0, le=24)] | UnsetType = UNSET
    """Hours under pressure in 24."""
    orientation: Orientation | UnsetType = UNSET
    """How it is mounted."""
    orientation_listed: bool | UnsetType = UNSET
    """Whether it is approved for that orientation."""
    bypass: Bypass | UnsetType = UNSET
    """Whether there is a bypass around it."""
    closed_system: bool | UnsetType = UNSET
    """Whether it makes a closed system."""
    thermal_expansion_provided: bool | UnsetType = UNSET
    """Whether thermal expansion is provided for."""
    freezing_exposure: bool | UnsetType = UNSET
    """Whether the place can freeze."""
    freeze_protected: bool | UnsetType = UNSET
    """Whether it is protected against freezing."""
    fire_line: bool | UnsetType = UNSET
    """Whether it is on a fire line."""
    metered_bypass: bool | UnsetType = UNSET
    """Whether its bypass has a meter."""
    air_gap: AirGap | UnsetType = UNSET
    """The air gap, for an air gap."""
    unobstructed: bool | UnsetType = UNSET
    """Whether nothing bridges the air gap; for an inspection."""
    air_inlet_opens: bool | UnsetType = UNSET
    """Whether the float falls and the air inlet opens as the supply is shut off; for an inspection."""


class PlacementRequest(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A planned or found installation of one kind; `size` is the nominal size in `units.length`."""

    rulebook: Annotated[str, Meta(min_length=1, max_length=60)]
    """The rulebook that decides."""
    kind: KindCode
    """The kind installed."""
    installation: Installation
    """The facts of the place."""
    units: Units | UnsetType = UNSET
    """The units of all numbers."""
    size: Annotated[float, Meta(gt=0, le=100_000)] | UnsetType = UNSET
    """The nominal size, in `units.length`."""
    on: dt.date | UnsetType = UNSET
    """The day whose rules decide; without it, today."""


class PlacementRule(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One rule: a bound on a length or on hours, a fact that must be so, the choices allowed, or a flow that another must reach.

    `given` names a fact without which the rule requires nothing; `unless` one that excuses it; `at_least_fact` the fact whose value is the
    bound. With `when_stated` the rule requires nothing where its fact was not stated. An advisory rule decides no outcome. `leaves` is what
    the kind would still do where the rule is not met: an inspection says no more.
    """

    set: str
    rule: str
    kinds: tuple[str, ...]
    fact: str
    at_least: float | None = None
    at_least_fact: str | None = None
    at_most: float | None = None
    below: float | None = None
    unit: Literal["in", "ft", "mm", "h"] | None = None
    must_be: bool | None = None
    one_of: tuple[str, ...] = ()
    size_at_most: float | None = None
    size_above: float | None = None
    given: str | None = None
    unless: str | None = None
    when_stated: bool = False
    advisory: bool = False
    leaves: MechanicalProtection = "unknown"
    says: str
    measure: str
    remedy: str


class PlacementData(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`data/placement.toml`, as written."""

    rules: tuple[PlacementRule, ...]
    air_gaps: tuple[AirGapRule, ...]


Fact = float | bool | str


class PlacementFinding(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One rule against the installation; figures in `unit`, which is the caller's own. An advisory one decides no outcome.

    `missing` names the facts without which it is not determined, as members of the installation or of the request.
    """

    rule: str
    """The rule."""
    outcome: Outcome
    """Whether it is met."""
    observed: Fact | UnsetType = UNSET
    """The fact."""
    at_least: float | UnsetType = UNSET
    """The least allowed."""
    at_most: float | UnsetType = UNSET
    """The most allowed."""
    below: float | UnsetType = UNSET
    """The fact has to be below this."""
    unit: str | UnsetType = UNSET
    """The unit of these numbers."""
    margin: float | UnsetType = UNSET
    """What is left over the limit; negative: it is not met."""
    advisory: bool = False
    """Whether the rule is advice."""
    missing: tuple[str, ...] = ()
    """The fact that was not given."""
    message: str
    """What was found and what is required."""
    source: Source
    """Where the rule is from."""


class PlacementAction(Struct, frozen=True, kw_only=True):
    """What to do about a rule: put the installation right, or measure what is not known."""

    code: Literal["put_right", "measure", "consider"]
    """What to do."""
    rule: str
    """The rule."""
    message: str
    """What to do, as an order."""
    because: str
    """Why."""


class Placement(Struct, frozen=True, kw_only=True):
    """Every rule for the kind, and what to do; `outcome` is the worst of the findings that are not advisory."""

    outcome: Outcome
    """Whether the installation meets the rules."""
    findings: tuple[PlacementFinding, ...]
    """Each rule against its fact."""
    actions: tuple[PlacementAction, ...]
    """What to do."""
    caution: str
    rulebook: RulebookReference
    """The rulebook that decides."""


class RulesInForce(Struct, frozen=True, kw_only=True):
    """The placement rules of one rulebook on one day."""

    rules: tuple[PlacementRule, ...]
    air_gaps: tuple[AirGapRule, ...]


@cache
def placement_data() -> PlacementData:
    """Every placement rule of every set, as written."""
    return read("placement.toml", PlacementData)


@lru_cache(maxsize=4096)
def placement_rules(sets: tuple[str, ...], on: dt.date) -> RulesInForce:
    """The rules of those sets in force on that day; of one rule stated twice for a kind, the earlier set's."""
    data = placement_data()
    return RulesInForce(rules=_first(data.rules, sets, on), air_gaps=_first(data.air_gaps, sets, on))


R = TypeVar("R", PlacementRule, AirGapRule)


def _first(rules: tuple[R, ...], sets: tuple[str, ...], on: dt.date) -> tuple[R, ...]:
    """The rules in force, set by set, each for the kinds for which no earlier set states it."""
    found: list[R] = []
    stated: set[tuple[str, str]] = set()
    for name in sets:
        own = [rule for rule in rules if rule.set == name and rule.in_force(on)]
        for rule in own:
            kinds = tuple(kind for kind in rule.kinds if (rule.rule, kind) not in stated)
            if kinds:
                found.append(msgspec.structs.replace(rule, kinds=kinds))
        stated |= {(rule.rule, kind) for rule in own for kind in rule.kinds}
    return tuple(found)
