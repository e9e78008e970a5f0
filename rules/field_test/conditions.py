"""What all readings of one phase have in common: the plan, the gauge and its level, the shutoffs that leak, a test kit that failed.

There are few such conditions, however the readings vary. So they are shared and compared by identity, and the result of a reading under
them can be cached.
"""

from collections.abc import Iterator
from functools import lru_cache

from msgspec import UNSET, Struct, UnsetType

from rules.catalogue import Component, StatedMethod
from rules.field_test.answer import Flag, PhaseName
from rules.field_test.document import Method, Phase, Shutoffs
from rules.field_test.flags import flag
from rules.field_test.gauge import Gauged, Level
from rules.field_test.plan import COMPONENTS, Plan
from rules.field_test.shutoffs import Claim, Spoil, cancelled_by, spoils_in


class Conditions(Struct, frozen=True, kw_only=True, eq=False):
    """The conditions of a phase.

    `level` is `level` wherever the gauge's height does not matter. `cancelled` holds for each component the claims that a leaking shutoff
    cancels, `below_minimum` the rows that do so only where another component is below its minimum. `flags` are those that every test under
    these conditions has.
    """

    plan: Plan
    name: PhaseName
    uncertainty: float
    accuracy: float
    level: Level
    cancelled: dict[Component, dict[Claim, Spoil]]
    below_minimum: tuple[Spoil, ...]
    test_kit_fault: bool
    backpressure_present: bool
    flags: tuple[Flag, ...]


_How = tuple[Shutoffs, Method | UnsetType, bool | UnsetType, bool | UnsetType, bool | UnsetType]


def conditions_of(plan: Plan, name: PhaseName, gauged: Gauged, phase: Phase) -> Conditions:
    """The conditions under which a phase was read."""
    how = (phase.shutoffs, phase.method, phase.backpressure_present, phase.test_kit_fault, phase.bypass_meter_moved)
    return _conditions(plan, name, gauged, how)


@lru_cache(maxsize=1024)
def _conditions(plan: Plan, name: PhaseName, gauged: Gauged, how: _How) -> Conditions:
    shutoffs, method, backpressure, kit_fault, meter = how
    phase = Phase(
        readings=[],
        shutoffs=shutoffs,
        method=method,
        backpressure_present=backpressure,
        test_kit_fault=kit_fault,
        bypass_meter_moved=meter,
    )
    spoils = spoils_in(plan.spoils, phase)
    everywhere = [spoil for spoil in spoils if spoil.only_below_minimum is None]
    stated: StatedMethod = "not_stated" if method is UNSET else method
    level: Level = gauged.level if stated in plan.kind.level_matters_by else "level"
    return Conditions(
        plan=plan,
        name=name,
        uncertainty=gauged.uncertainty,
        accuracy=gauged.accuracy,
        level=level,
        cancelled={component: cancelled_by(everywhere, component) for component in COMPONENTS},
        below_minimum=tuple([spoil for spoil in spoils if spoil.only_below_minimum is not None]),
        test_kit_fault=kit_fault is True,
        backpressure_present=backpressure is True,
        flags=tuple(_flags(plan, name, phase, level)),
    )


def _flags(plan: Plan, name: PhaseName, phase: Phase, level: Level) -> Iterator[Flag]:
    at = f"/{name}_test"
    for side, state in (("inlet", phase.shutoffs.inlet), ("outlet", phase.shutoffs.outlet)):
        if state == "not_checked":
            yield flag("shutoffs_not_checked", f"{at}/shutoffs/{side}", shutoff=side)
    if level != "level":
        yield flag("gauge_not_level", "/gauge/height_above_assembly", case=level)
    if phase.backpressure_present is True:
        yield flag("backpressure_present", f"{at}/backpressure_present")
    if phase.test_kit_fault is True:
        yield flag("test_kit_fault", f"{at}/test_kit_fault")
    if phase.bypass_meter_moved is not UNSET:
        if len(plan.kind.lines) == 1:
            yield flag("unexpected_component", f"{at}/bypass_meter_moved", case="bypass_meter", kind=plan.kind.kind)
        elif not phase.bypass_meter_moved:
            yield flag("bypass_meter_still", f"{at}/bypass_meter_moved")
