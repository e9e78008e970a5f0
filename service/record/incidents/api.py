"""Backflow incidents, which trigger retests, and exceptions from testing, which trigger nothing and are shown."""

import datetime as dt
from typing import Annotated, Any, Literal
from uuid import UUID
from zoneinfo import ZoneInfo

from msgspec import Meta, Struct
from msgspec.structs import replace

import rules
from service.http.endpoint import Answer, Call, operation
from service.http.paging import AfterId, Limit, page, page_of
from service.record.incidents import record as records
from service.record.incidents.schemas import (
    ExceptionEnd,
    Incident,
    IncidentFacts,
    IncidentRevision,
    TestingException,
    TestingExceptionFacts,
)
from service.record.incidents.store import IncidentStore, IncidentsWanted
from service.registry.api import IF_MATCH, merged, tagged
from service.registry.schemas import UtilityOnRecord

INCIDENTS = "/v1/utilities/{utility:str}/incidents"
EXCEPTIONS = "/v1/utilities/{utility:str}/exceptions"
PATCH = "application/merge-patch+json"


class IncidentQuery(AfterId, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which incidents: those that name the assembly or premises, happened from `since` to `until`, are closed or not, and stand so."""

    assembly_id: UUID | None = None
    """Only incidents that name this assembly."""
    premises_id: UUID | None = None
    """Only incidents that name these premises."""
    since: dt.date | None = None
    """Only incidents on this day or later."""
    until: dt.date | None = None
    """Only incidents on this day or earlier."""
    closed: bool | None = None
    """True: only closed incidents. False: only open ones."""
    status: Literal["suspected", "confirmed", "unfounded"] | None = None
    """Only incidents of this status."""


class RevisionQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Revisions after that version."""

    after: Annotated[int, Meta(ge=0, le=2**62)] = 0
    """Revisions after this version."""
    limit: Limit = 100


class ExceptionQuery(AfterId, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which exceptions: of the assembly, in force on the day."""

    assembly_id: UUID | None = None
    """Only exceptions of this assembly."""
    in_force_on: dt.date | None = None
    """Only exceptions in force on this day."""


def _with_notice(utility: UtilityOnRecord, incident: Incident) -> Incident:
    """The incident with the time until which the regulator is notified of it, by the utility's rulebook and clock."""
    if incident.status == "unfounded":
        return incident
    found = rules.incident_notice(utility.book, incident.occurred_at.astimezone(ZoneInfo(utility.time_zone)))
    return incident if found is None else replace(incident, notice=found)


async def _recorded(call: Call, document: IncidentFacts, incident_id: UUID) -> Answer:
    utility = await call.services.registry.utility(call.utility)
    incident, fresh = await records.record_incident(
        IncidentStore(call.services.pool),
        call.services.reports,
        utility,
        document,
        incident_id=incident_id,
        who=call.who,
        now=call.clock.now(),
    )
    incident = _with_notice(utility, incident)
    return tagged(incident, status=201 if fresh else 200, location=f"/v1/utilities/{call.utility}/incidents/{incident.id}")


@operation(
    "POST",
    INCIDENTS,
    id="createIncident",
    summary="Record a backflow incident",
    answers={201: Incident},
    tag="incidents",
    right="register",
)
async def post_incident(call: Call, document: IncidentFacts) -> Answer:
    """Record an incident under a new id. Its assemblies become due for a test."""
    return await _recorded(call, document, call.clock.new_id())


@operation(
    "PUT",
    INCIDENTS + "/{id:uuid}",
    id="putIncident",
    summary="Record an incident under the caller's id",
    answers={201: Incident, 200: Incident},
    tag="incidents",
    right="register",
)
async def put_incident(call: Call, document: IncidentFacts) -> Answer:
    """Record an incident under the id in the path. Sending the same incident again is safe."""
    return await _recorded(call, document, call.id("id"))


@operation(
    "GET",
    INCIDENTS,
    id="listIncidents",
    summary="List incidents",
    answers={200: page_of(Incident)},
    tag="incidents",
    right="read",
)
async def list_incidents(call: Call, query: IncidentQuery) -> Answer:
    """List incidents by id."""
    wanted = IncidentsWanted(**{name: getattr(query, name) for name in IncidentsWanted.__struct_fields__})
    found = await IncidentStore(call.services.pool).incidents(call.utility, wanted, after=query.after, limit=query.limit + 1)
    utility = await call.services.registry.utility(call.utility)
    return page(call, [_with_notice(utility, incident) for incident in found], query.limit, lambda incident: str(incident.id))


@operation(
    "GET",
    INCIDENTS + "/{id:uuid}",
    id="readIncident",
    summary="Read an incident",
    answers={200: Incident},
    tag="incidents",
    right="read",
)
async def read_incident(call: Call) -> Answer:
    """Read the latest revision of an incident."""
    utility = await call.services.registry.utility(call.utility)
    return tagged(_with_notice(utility, await IncidentStore(call.services.pool).incident(call.utility, call.id("id"))))


@operation(
    "PATCH",
    INCIDENTS + "/{id:uuid}",
    id="updateIncident",
    summary="Revise an incident",
    answers={200: Incident},
    tag="incidents",
    right="register",
    request_headers=IF_MATCH,
    body_media_type=PATCH,
    patches=IncidentFacts,
)
async def change_incident(call: Call, document: dict[str, Any]) -> Answer:  # noqa: ARG001 - the patch is merged from the body as sent
    """Change an incident. Earlier revisions are kept."""
    match = call.if_match()
    store = IncidentStore(call.services.pool)
    current = await store.incident(call.utility, call.id("id"))
    version = match.version(current.version)
    facts = merged(call, current, IncidentFacts)
    utility = await call.services.registry.utility(call.utility)
    changed = await records.change_incident(
        store, call.services.reports, utility, facts, incident_id=current.id, version=version, who=call.who, now=call.clock.now()
    )
    return tagged(_with_notice(utility, changed))


@operation(
    "GET",
    INCIDENTS + "/{id:uuid}/revisions",
    id="listIncidentRevisions",
    summary="List the revisions of an incident",
    answers={200: page_of(IncidentRevision)},
    tag="incidents",
    right="read",
)
async def list_revisions(call: Call, query: RevisionQuery) -> Answer:
    """List an incident's revisions, the first one first; 404 where there is no such incident."""
    store = IncidentStore(call.services.pool)
    await store.incident(call.utility, call.id("id"))
    found = await store.revisions(call.utility, call.id("id"), after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda item: str(item.version))


async def _granted(call: Call, document: TestingExceptionFacts, exception_id: UUID) -> Answer:
    utility = await call.services.registry.utility(call.utility)
    granted, fresh = await records.grant_exception(
        IncidentStore(call.services.pool), utility, document, exception_id=exception_id, who=call.who, now=call.clock.now()
    )
    return tagged(granted, status=201 if fresh else 200, location=f"/v1/utilities/{call.utility}/exceptions/{granted.id}")


@operation(
    "POST",
    EXCEPTIONS,
    id="grantException",
    summary="Grant an exception from testing",
    answers={201: TestingException},
    tag="exceptions",
    right="register",
)
async def post_exception(call: Call, document: TestingExceptionFacts) -> Answer:
    """Grant an exception under a new id. An exception never makes an assembly count as tested."""
    return await _granted(call, document, call.clock.new_id())


@operation(
    "PUT",
    EXCEPTIONS + "/{id:uuid}",
    id="putException",
    summary="Grant an exception under the caller's id",
    answers={201: TestingException, 200: TestingException},
    tag="exceptions",
    right="register",
)
async def put_exception(call: Call, document: TestingExceptionFacts) -> Answer:
    """Grant an exception under the id in the path. Sending the same exception again is safe."""
    return await _granted(call, document, call.id("id"))


@operation(
    "GET",
    EXCEPTIONS,
    id="listExceptions",
    summary="List exceptions from testing",
    answers={200: page_of(TestingException)},
    tag="exceptions",
    right="read",
)
async def list_exceptions(call: Call, query: ExceptionQuery) -> Answer:
    """List exceptions by id."""
    found = await IncidentStore(call.services.pool).exceptions(
        call.utility, after=query.after, limit=query.limit + 1, assembly_id=query.assembly_id, on=query.in_force_on
    )
    return page(call, found, query.limit, lambda item: str(item.id))


@operation(
    "GET",
    EXCEPTIONS + "/{id:uuid}",
    id="readException",
    summary="Read an exception from testing",
    answers={200: TestingException},
    tag="exceptions",
    right="read",
)
async def read_exception(call: Call) -> Answer:
    """Read an exception."""
    return tagged(await IncidentStore(call.services.pool).exception(call.utility, call.id("id")))


@operation(
    "PATCH",
    EXCEPTIONS + "/{id:uuid}",
    id="endException",
    summary="End an exception early",
    answers={200: TestingException},
    tag="exceptions",
    right="register",
    request_headers=IF_MATCH,
    body_media_type=PATCH,
)
async def end_exception(call: Call, document: ExceptionEnd) -> Answer:
    """End an exception. Nothing else of an exception can change."""
    match = call.if_match()
    store = IncidentStore(call.services.pool)
    current = await store.exception(call.utility, call.id("id"))
    match.version(current.version)
    utility = await call.services.registry.utility(call.utility)
    return tagged(await records.end_exception(store, utility, current, document, now=call.clock.now()))


operations = [
    post_incident,
    put_incident,
    list_incidents,
    read_incident,
    change_incident,
    list_revisions,
    post_exception,
    put_exception,
    list_exceptions,
    read_exception,
    end_exception,
]
