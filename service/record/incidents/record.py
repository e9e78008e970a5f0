"""Incidents and exceptions from testing.

An incident is recorded, and revised as more is learnt; every revision is kept. Each works out again, in the same transaction, the standings
of the assemblies that it reaches or reached before. An exception changes no standing: it is kept beside it, and shown.
"""

import datetime as dt
from uuid import UUID

from msgspec import UNSET

import rules
from service.auth.access import Principal
from service.problems import fault, problem, problem_of, rules_fault
from service.record.incidents.schemas import ExceptionEnd, Incident, IncidentFacts, TestingException, TestingExceptionFacts
from service.record.incidents.store import IncidentStore
from service.record.reports.store import Recording, ReportStore
from service.record.standings.work_out import rework
from service.registry.calendar import today
from service.registry.schemas import Utility


async def record_incident(
    store: IncidentStore,
    reports: ReportStore,
    utility: Utility,
    facts: IncidentFacts,
    *,
    incident_id: UUID,
    who: Principal,
    now: dt.datetime,
) -> tuple[Incident, bool]:
    """Keep an incident under that id, and whether it is new; 409 where another is recorded under it."""
    occurred_on = _day(utility, facts, now)
    async with reports.recording(utility.code) as recording:
        first = await store.first(recording.connection, utility.code, incident_id)
        if first is None:
            return await _record(
                store, recording, utility, facts, incident_id=incident_id, occurred_on=occurred_on, version=0, who=who, now=now
            ), True
    if first != facts:
        raise problem("incident_id_taken")
    return await store.incident(utility.code, incident_id), False


async def change_incident(
    store: IncidentStore,
    reports: ReportStore,
    utility: Utility,
    facts: IncidentFacts,
    *,
    incident_id: UUID,
    version: int,
    who: Principal,
    now: dt.datetime,
) -> Incident:
    """Keep the next revision of an incident while its version is still that one; 412 where it is not."""
    occurred_on = _day(utility, facts, now)
    async with reports.recording(utility.code) as recording:
        return await _record(
            store, recording, utility, facts, incident_id=incident_id, occurred_on=occurred_on, version=version, who=who, now=now
        )


async def _record(
    store: IncidentStore,
    recording: Recording,
    utility: Utility,
    facts: IncidentFacts,
    *,
    incident_id: UUID,
    occurred_on: dt.date,
    version: int,
    who: Principal,
    now: dt.datetime,
) -> Incident:
    connection = recording.connection
    await store.check_named(connection, utility.code, facts)
    incident = await store.write(
        connection, utility.code, incident_id, facts, occurred_on=occurred_on, version=version, who=who, now=now
    )
    await rework(recording, await store.reached(connection, utility.code, incident_id))
    return incident


def _day(utility: Utility, facts: IncidentFacts, now: dt.datetime) -> dt.date:
    """The day of an incident where the utility is; every fault of its days at once."""
    faults = []
    occurred_on = dt.date.min
    if (impossible := rules.offset_fault(facts.occurred_at, "/occurred_at")) is not None:
        faults.append(rules_fault(impossible))
    try:
        occurred_on = today(utility, facts.occurred_at)
        if facts.occurred_at > now:
            faults.append(fault("in_the_future", pointer="/occurred_at"))
    except OverflowError:
        faults.append(fault("beyond_the_calendar", pointer="/occurred_at"))
    if facts.closed_on is not UNSET and facts.closed_on < occurred_on:
        faults.append(fault("closed_before_occurred", pointer="/closed_on"))
    if faults:
        raise problem_of(faults)
    return occurred_on


async def grant_exception(
    store: IncidentStore, utility: Utility, facts: TestingExceptionFacts, *, exception_id: UUID, who: Principal, now: dt.datetime
) -> tuple[TestingException, bool]:
    """Keep an exception under that id, and whether it is new; 409 where another is recorded under it, 422 for days in the wrong order."""
    if facts.until < facts.since:
        raise problem("ends_before_it_begins", pointer="/until")
    granted = await store.grant_exception(utility.code, exception_id, facts, who=who, now=now)
    if granted is not None:
        return granted, True
    kept = await store.exception(utility.code, exception_id)
    if any(getattr(kept, name) != getattr(facts, name) for name in facts.__struct_fields__):
        raise problem("exception_id_taken")
    return kept, False


async def end_exception(
    store: IncidentStore, utility: Utility, kept: TestingException, end: ExceptionEnd, *, now: dt.datetime
) -> TestingException:
    """Keep an exception's early end; 409 where it was ended before, 422 for a day outside it or still to come."""
    if kept.ended_on is not UNSET:
        raise problem("exception_ended")
    if not kept.since <= end.ended_on <= kept.until:
        raise problem("end_outside_exception", pointer="/ended_on", since=str(kept.since), until=str(kept.until))
    return await store.end_exception(utility.code, kept.id, end, version=kept.version, now=now)
