"""Standings listed, and the standing of a past day.

A past day is answered from the record as it stood at that day's end where the utility is: the reports received by then, superseded only
by corrections received by then, as had been decided of them by then, and the incidents and exceptions as recorded by then. What the
register says of the assembly
(its hazard, whether it serves) and the utility's rulebook are today's, since the register keeps no past.
"""

import datetime as dt
from collections.abc import Sequence
from uuid import UUID
from zoneinfo import ZoneInfo

import msgspec
from msgspec import UNSET, Struct, UnsetType

import rules
from service.db.pool import company_looks, whole_view
from service.problems import not_found, problem
from service.record.incidents.schemas import TestingException
from service.record.incidents.store import IncidentStore
from service.record.reports.rows import AssemblyRow, HistoryRow
from service.record.reports.store import ReportStore
from service.record.standings.store import StandingLine, StandingStore, Wanted
from service.record.standings.work_out import read_standing, work_out
from service.registry.calendar import today
from service.registry.schemas import Assembly, Location, UtilityOnRecord

MOST_EXCEPTIONS = 100
"""So many exceptions in force at once are shown with a standing; `exceptions?assembly_id=` lists them all."""


class PastStanding(rules.Standing, frozen=True, kw_only=True):
    """The standing of an assembly, and the exceptions from testing in force, if there are any; they change nothing of it.

    Of a past day, `as_of` names it, `later_corrections` the reports that have since changed the answer, `later_decisions` the held reports
    of
    which it has since been decided otherwise, and `incidents_revised` the incidents, known on that day, that have been revised since.
    """

    as_of: dt.date | UnsetType = UNSET
    """The day answered for."""
    later_corrections: list[UUID] | UnsetType = UNSET
    """Reports that have changed the answer since."""
    incidents_revised: list[UUID] | UnsetType = UNSET
    """Incidents known on that day that were revised since."""
    later_decisions: list[UUID] | UnsetType = UNSET
    """Held reports that were decided otherwise since."""
    exceptions: list[TestingException] | UnsetType = UNSET
    """Exceptions from a due test in force on that day."""


class AssemblyStanding(rules.Standing, frozen=True, kw_only=True):
    """An assembly in a list, with its location and its standing today."""

    assembly_id: UUID
    premises_id: UUID
    premises: str
    """The name of the premises."""
    address: str
    """Their address."""
    reference: str | None
    """The utility's own number for them."""
    location: Location | None
    """Where they are."""
    kind: str
    """The kind of assembly."""
    hazard: str
    """The degree of hazard it protects against."""
    serial_number: str | None
    """Its serial number."""
    position: str | None
    """Where on the premises it is."""


class LocatedAssembly(Struct, frozen=True, kw_only=True):
    """An assembly as registered, with where its premises are."""

    assembly: Assembly
    location: Location | None


class Cursor(Struct, frozen=True, kw_only=True):
    """Where a list goes on: behind that due day and assembly."""

    due: dt.date
    assembly_id: UUID


async def list_standings(
    store: StandingStore, utility: UtilityOnRecord, wanted: Wanted, *, after: Cursor | None, limit: int
) -> list[tuple[Cursor, AssemblyStanding]]:
    """Up to `limit` of the wanted standings, each with the place it has in the list."""
    place = None if after is None else (after.due, after.assembly_id)
    lines = await store.lines(utility.code, wanted, after=place, limit=limit)
    return [(Cursor(due=line.due, assembly_id=line.assembly_id), _shown(utility, line, wanted.today)) for line in lines]


async def list_assemblies(
    store: StandingStore, utility: UtilityOnRecord, wanted: Wanted, *, after: Cursor | None, limit: int
) -> list[tuple[Cursor, LocatedAssembly]]:
    """Up to `limit` of the wanted assemblies as registered, each with the place it has in the list."""
    place = None if after is None else (after.due, after.assembly_id)
    lines = await store.things(utility.code, wanted, after=place, limit=limit)
    return [
        (
            Cursor(due=line.due, assembly_id=line.assembly_id),
            LocatedAssembly(assembly=msgspec.json.decode(line.thing, type=Assembly), location=_location(line.location)),
        )
        for line in lines
    ]


def soon(utility: UtilityOnRecord, on: dt.date) -> dt.date:
    """The last due day that counts as due soon on that day."""
    return dt.date.fromordinal(min(on.toordinal() + utility.due_soon_days, dt.date.max.toordinal() - 1))


def _shown(utility: UtilityOnRecord, line: StandingLine, on: dt.date) -> AssemblyStanding:
    if line.basis is not None:
        kept = msgspec.json.decode(line.basis, type=rules.Standing)
    else:
        kept = work_out(
            utility,
            AssemblyRow(
                basis=None,
                kind=line.kind,
                hazard=line.hazard,
                purpose=line.purpose,
                backpressure_possible=line.backpressure_possible,
                in_plant_air_gap=line.in_plant_air_gap,
                hazard_class=line.hazard_class,
                installed_on=line.installed_on,
                in_service=line.in_service,
                connection=line.connection,
                created_at=line.created_at,
            ),
            [],
        )
    now = rules.standing_on(kept, on, utility.due_soon_days)
    return AssemblyStanding(
        **msgspec.structs.asdict(now),
        assembly_id=line.assembly_id,
        premises_id=line.premises_id,
        premises=line.premises,
        address=line.address,
        reference=line.reference,
        location=_location(line.location),
        kind=line.kind,
        hazard=line.hazard,
        serial_number=line.serial_number,
        position=line.position,
    )


def _location(kept: str | None) -> Location | None:
    return None if kept is None else msgspec.json.decode(kept, type=Location)


async def standing_then(
    reports: ReportStore,
    store: StandingStore,
    incidents: IncidentStore,
    utility: UtilityOnRecord,
    assembly_id: UUID,
    *,
    as_of: dt.date,
    now: dt.datetime,
) -> PastStanding:
    """How an assembly stood on that day; 404 for one that is not there, 422 for a day to come or before it was registered."""
    registered_at = await store.registered_at(utility.code, assembly_id)
    if registered_at is None:
        raise not_found("assembly")
    if as_of > today(utility, now):
        raise problem("in_the_future", parameter="as_of")
    if as_of < registered_at.astimezone(ZoneInfo(utility.time_zone)).date():
        raise problem("not_in_the_register_then", parameter="as_of")
    ended = dt.datetime.combine(as_of + dt.timedelta(days=1), dt.time(), ZoneInfo(utility.time_zone))
    with whole_view():
        # How an assembly stood follows from every report and incident, whoever may read them.
        then = await reports.facts_of(utility.code, assembly_id, revised_before=ended)
        since = await reports.facts_of(utility.code, assembly_id, known_before=ended)
        known = await store.history(utility.code, [assembly_id], before=ended)
        history = await store.history(utility.code, [assembly_id], before=None)
        all_revised = await incidents.revised(utility.code, assembly_id, since=ended)
        in_service = await store.was_in_service(utility.code, assembly_id, as_of)
    then, since = (msgspec.structs.replace(row, in_service=in_service) for row in (then, since))
    decided = [item for item in history if item.received_at < ended]
    corrections = _corrections(decided, [item for item in history if item.received_at >= ended])
    said = _on(utility, then, known, as_of)
    differs, by_reports, by_incidents, by_decisions = (
        _compared(said) != _compared(_on(utility, row, reported, as_of))
        for row, reported in (
            (since, [*decided, *corrections]),
            (then, [*known, *corrections]),
            (since, known),
            (then, decided),
        )
    )
    # Where none alone changes the answer, they do together.
    together = not (by_reports or by_incidents or by_decisions)
    return PastStanding(
        **msgspec.structs.asdict(said),
        as_of=as_of,
        later_corrections=[correction.id for correction in corrections] if differs and (by_reports or together) else [],
        incidents_revised=all_revised if differs and (by_incidents or together) else [],
        later_decisions=[now.id for now, then in zip(decided, known, strict=True) if now.acceptance != then.acceptance]
        if differs and (by_decisions or together)
        else [],
        exceptions=await _exceptions(incidents, utility, assembly_id, as_of, recorded_before=ended),
    )


async def standing_today(
    reports: ReportStore, incidents: IncidentStore, utility: UtilityOnRecord, assembly_id: UUID, *, now: dt.datetime
) -> PastStanding:
    """How an assembly stands today, with the exceptions in force; 404 for one that is not there."""
    standing = await read_standing(reports, utility, assembly_id, now=now)
    excepted = await _exceptions(incidents, utility, assembly_id, today(utility, now))
    return PastStanding(**msgspec.structs.asdict(standing), exceptions=excepted)


async def _exceptions(
    incidents: IncidentStore,
    utility: UtilityOnRecord,
    assembly_id: UUID,
    on: dt.date,
    *,
    recorded_before: dt.datetime | None = None,
) -> list[TestingException] | UnsetType:
    """The exceptions that held on that day; they are between the utility and its customer, so no testing company sees them."""
    if company_looks():
        return UNSET
    found = await incidents.exceptions(
        utility.code, after=None, limit=MOST_EXCEPTIONS, assembly_id=assembly_id, on=on, recorded_before=recorded_before
    )
    return found or UNSET


def _corrections(known: Sequence[HistoryRow], later: Sequence[HistoryRow]) -> list[HistoryRow]:
    """The later reports that correct one that was known, or correct such a correction, in the order of their arrival."""
    reached = {item.id for item in known}
    found = []
    for item in sorted(later, key=lambda item: (item.received_at, item.id)):
        if item.supersedes in reached:
            reached.add(item.id)
            found.append(item)
    return found


def _on(utility: UtilityOnRecord, row: AssemblyRow, history: Sequence[HistoryRow], on: dt.date) -> rules.Standing:
    return rules.standing_on(work_out(utility, row, history), on, utility.due_soon_days)


def _compared(standing: rules.Standing) -> tuple[object, ...]:
    return standing.status, standing.due_on, standing.protection, standing.since
