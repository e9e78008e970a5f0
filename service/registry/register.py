"""Changing what is registered: a change on which standings rest works them out again in the same transaction.

An assembly registered as serving again has been put back: unless the change says when, it is taken to have happened on the day of the
change. One registered at other premises has been put right, and moved only where the change states a `relocation`.
"""

import datetime as dt
from functools import cache
from importlib import resources
from typing import Any, TypeVar
from uuid import UUID

from msgspec import UNSET, UnsetType
from msgspec.structs import replace

import rules
from service.problems import fault, problem, problem_of, rules_fault
from service.registry.calendar import today
from service.registry.follower import Follower, RegisterChange
from service.registry.replacing import check_replacement, follow_replacement
from service.registry.schemas import (
    Assembly,
    AssemblyFacts,
    AssemblyOccurrence,
    Event,
    Gauge,
    Premises,
    PremisesFacts,
    Tester,
    Utility,
    UtilityFacts,
    UtilityOnRecord,
)
from service.registry.service_periods import check_service, with_service
from service.registry.store import RegistryStore

T = TypeVar("T", Premises, Assembly, Tester, Gauge)


async def create_thing(
    registry: RegistryStore, follower: Follower, shape: type[T], code: str, facts: Any, *, new_id: UUID, now: dt.datetime
) -> T:
    """Keep a new thing under `new_id`, an assembly with its standing; 422 where it names what is not registered."""
    check_serial_number(facts, UNSET)
    if shape is not Assembly:
        await _check_organisation(registry, code, facts, before=UNSET)
        if shape is Premises:
            utility = await registry.utility(code)
            facts = _with_hazard(utility, facts, UNSET, today(utility, now))
        return await registry.create(shape, code, facts, new_id=new_id, now=now)
    async with follower.changing(code) as change:
        _check_installation(facts, UNSET, today(change.utility, now))
        check_service(facts, today(change.utility, now))
        facts = _with_hazard(change.utility, facts, UNSET, today(change.utility, now))
        await check_replacement(registry, change, facts, today(change.utility, now))
        await _check_twice(registry, change, facts, None)
        thing = await registry.create_on(change.connection, shape, code, facts, new_id=new_id, now=now)
        retired: list[UUID] = await follow_replacement(registry, change, thing, before=None, now=now)
        await change.rework([thing.id, *retired])
    return thing


async def change_thing(
    registry: RegistryStore,
    follower: Follower,
    shape: type[T],
    code: str,
    *,
    thing_id: UUID,
    facts: Any,
    version: int,
    now: dt.datetime,
) -> T:
    """Replace a thing's facts while its version is still that one; 412 where it is not, 422 where it names what is not registered."""
    if shape in (Tester, Gauge):
        registered: Any = await registry.get(shape, code, thing_id)
        check_serial_number(facts, registered)
        await _check_organisation(registry, code, facts, before=registered.organisation_id)
    async with follower.changing(code) as change:
        before: Assembly | None = None
        if shape is Assembly:
            before = await registry.get_on(change.connection, Assembly, code, thing_id)
            check_serial_number(facts, before)
            await _check_twice(registry, change, facts, before)
            if before.retired_on is not UNSET and facts.in_service:
                raise problem("assembly_retired", pointer="/in_service", on=before.retired_on.isoformat())
            await check_replacement(registry, change, facts, today(change.utility, now), itself=before)
            _check_installation(facts, before.installed_on, today(change.utility, now))
            facts = with_service(before, facts, today(change.utility, now))
            facts = _with_occurrences(before, facts, today(change.utility, now))
            facts = _with_hazard(change.utility, facts, before, today(change.utility, now))
        elif shape is Premises:
            premises = await registry.get_on(change.connection, Premises, code, thing_id)
            facts = _with_hazard(change.utility, facts, premises, today(change.utility, now))
        thing = await registry.change(change.connection, shape, code, thing_id=thing_id, facts=facts, version=version, now=now)
        if isinstance(thing, Assembly):
            retired: list[UUID] = await follow_replacement(registry, change, thing, before=before, now=now)
            await change.rework([thing.id, *retired])
        elif isinstance(thing, Premises):
            await change.rework(await change.assemblies_of(thing.id))
    return thing


def _check_installation(facts: AssemblyFacts, before: dt.date | UnsetType, on: dt.date) -> None:
    """ProblemError for a new day of installation that cannot be one; what is registered already is left alone."""
    if facts.installed_on in (UNSET, before):
        return
    if (impossible := rules.installation_fault(facts.installed_on, on, "/installed_on")) is not None:
        raise problem_of([rules_fault(impossible)])


def check_serial_number(facts: Any, before: Any) -> None:
    """ProblemError for a new serial number that is what people write where nobody knows it; what is registered already is left alone."""
    number = getattr(facts, "serial_number", UNSET)
    if number is UNSET or number == getattr(before, "serial_number", UNSET) or rules.words.is_serial_number(number):
        return
    raise problem("not_a_serial_number", pointer="/serial_number", value=number)


async def _check_twice(registry: RegistryStore, change: RegisterChange, facts: AssemblyFacts, before: Assembly | None) -> None:
    """409 for a serial number that another assembly at the premises has, unless it is confirmed; what is registered is left alone."""
    stated = (facts.serial_number, facts.premises_id)
    if before is not None and stated == (before.serial_number, before.premises_id):
        return
    if facts.serial_number is UNSET or facts.serial_number_confirmed is True:
        return
    itself = None if before is None else before.id
    other = await registry.same_serial_number(
        change.connection, change.utility.code, facts.serial_number, facts.premises_id, itself
    )
    if other is not None:
        raise problem("serial_number_taken", pointer="/serial_number", assembly=str(other))


def _with_hazard(utility: Utility, facts: Any, before: Premises | Assembly | UnsetType, on: dt.date) -> Any:
    """The facts with the degree of hazard that a word of the utility's rulebook acts as; ProblemError for a word it does not have.

    What is registered already is left alone: the utility may have had another rulebook then.
    """
    stated = (facts.hazard, facts.hazard_class)
    if facts.hazard_class is UNSET or (before is not UNSET and stated == (before.hazard, before.hazard_class)):
        return facts
    try:
        hazard = rules.hazard_of_class(utility.rulebook, on, *stated)
    except rules.DocumentError as error:
        raise problem_of([rules_fault(error)]) from None
    # Premises whose hazard nobody knows are registered without a degree.
    return facts if hazard == "unknown" and isinstance(facts, PremisesFacts) else replace(facts, hazard=hazard)


async def _check_organisation(registry: RegistryStore, code: str, facts: Any, *, before: UUID | UnsetType) -> None:
    """ProblemError for a tester's or a gauge's new organisation that may not act in this utility, whether or not there is such a one."""
    organisation = getattr(facts, "organisation_id", UNSET)
    if organisation in (UNSET, before) or await registry.is_granted(code, organisation):
        return
    raise problem("organisation_without_grant", pointer="/organisation_id")


def _with_occurrences(before: Assembly, after: AssemblyFacts, on: dt.date) -> AssemblyFacts:
    """The changed facts with what happened by them, where they do not state it themselves."""
    listed = [occurrence.event for occurrence in after.occurrences if occurrence not in before.occurrences]
    happened: list[Event] = []
    if after.in_service and not before.in_service and "return_to_service" not in listed:
        happened.append("return_to_service")
    returned = on if after.service_since is UNSET else after.service_since
    added = [AssemblyOccurrence(event=event, on=returned if event == "return_to_service" else on) for event in happened]
    return replace(after, occurrences=[*after.occurrences, *added]) if added else after


async def change_utility(
    registry: RegistryStore, follower: Follower, before: Utility, facts: UtilityFacts, *, now: dt.datetime
) -> UtilityOnRecord:
    """Replace a utility's facts while it is still as in `before`; 412 where it is not.

    Under another rulebook or in another time zone every standing is worked out again, assembly by assembly so that reports need not wait
    for them all; where that is cut short, `nonreturn rebuild` finishes it.
    """
    async with follower.changing(before.code) as change:
        # Under the log's lock, so that no local rulebook is stated meanwhile.
        local = change.utility.local
        if facts.rulebook != change.utility.rulebook and local is not None and not local.rulebook.is_empty:
            raise problem(
                "local_rulebook_over_other", pointer="/rulebook", rulebook=local.rulebook.extends, version=local.version + 1
            )
        utility = await registry.change_utility(change.connection, before.code, facts, version=before.version, now=now)
    if (utility.rulebook, utility.time_zone) != (before.rulebook, before.time_zone):
        await follower.rebuild(utility)
    return utility


async def check_utility(registry: RegistryStore, facts: UtilityFacts) -> None:
    """Refuse an unknown rulebook, and a time zone that Postgres or Python does not know, both at once: both work days out."""
    faults = []
    if facts.rulebook not in rules.rulebook_ids():
        faults.append(
            fault("unknown_rulebook", pointer="/rulebook", rulebook=facts.rulebook, available=list(rules.rulebook_ids()))
        )
    if facts.time_zone not in _time_zones() or not await registry.knows_time_zone(facts.time_zone):
        faults.append(fault("unknown_time_zone", pointer="/time_zone"))
    if faults:
        raise problem_of(faults)


@cache
def _time_zones() -> frozenset[str]:
    """The names that the time-zone database has for places; a machine may have others (`localtime`), which say something else elsewhere."""
    names = resources.files("tzdata").joinpath("zones").read_text(encoding="utf-8").split()
    return frozenset(names) - {"Factory"}
