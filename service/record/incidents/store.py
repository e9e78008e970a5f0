"""Incidents and exceptions from testing in Postgres. What writes an incident runs in the caller's transaction, under the log's lock."""

import datetime as dt
from collections.abc import Sequence
from typing import Any
from uuid import UUID

import asyncpg
import msgspec
from msgspec import Struct

from service.auth.access import Principal
from service.db.pool import Connection, Pool
from service.db.statements import statements
from service.problems import fault, not_found, problem, problem_of
from service.record.incidents.schemas import (
    ExceptionEnd,
    Incident,
    IncidentFacts,
    IncidentRevision,
    TestingException,
    TestingExceptionFacts,
)

_SQL = statements(__name__)


class IncidentsWanted(Struct, frozen=True, kw_only=True):
    """Which incidents; None: not asked."""

    assembly_id: UUID | None = None
    premises_id: UUID | None = None
    since: dt.date | None = None
    until: dt.date | None = None
    closed: bool | None = None
    status: str | None = None


class IncidentStore:
    """Reads and writes incidents and exceptions."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def first(self, connection: Connection, utility: str, incident_id: UUID) -> IncidentFacts | None:
        """An incident as first recorded; None where there is none."""
        content = await connection.fetchval(_SQL["first_incident"], utility, incident_id)
        return None if content is None else msgspec.json.decode(content, type=IncidentFacts)

    async def check_named(self, connection: Connection, utility: str, facts: IncidentFacts) -> None:
        """Refuse an incident that names what is not registered, with a fault for each."""
        rows = await connection.fetch(_SQL["missing"], utility, facts.assemblies, facts.premises)
        faults = [fault("not_registered", pointer=f"/{row['member']}/{row['place']}", name="id") for row in rows]
        if faults:
            raise problem_of(faults)

    async def write(
        self,
        connection: Connection,
        utility: str,
        incident_id: UUID,
        facts: IncidentFacts,
        *,
        occurred_on: dt.date,
        version: int,
        who: Principal,
        now: dt.datetime,
    ) -> Incident:
        """Keep a revision of an incident: the first where `version` is 0, else the next after it; 412 where it is no longer that."""
        document = {
            **msgspec.to_builtins(facts),
            "utility_id": utility,
            "id": incident_id,
            "version": max(version, 1),
            "created_at": now,
            "changed_at": now,
            "occurred_on": occurred_on,
        }
        body = msgspec.json.encode(document).decode()
        if version == 0:
            row = await connection.fetchval(_SQL["create_incident"], body)
        else:
            row = await connection.fetchval(_SQL["change_incident"], body, version)
        if row is None:
            raise problem("version_changed")
        incident = msgspec.json.decode(row, type=Incident)
        await connection.execute(
            _SQL["tell_incident"],
            utility,
            incident_id,
            incident.version,
            now,
            who.organisation_id,
            who.key_id,
            facts.occurred_at,
            occurred_on,
            facts.status != "unfounded",
            msgspec.json.encode(facts).decode(),
            facts.assemblies,
            facts.premises,
        )
        return incident

    async def reached(self, connection: Connection, utility: str, incident_id: UUID) -> list[UUID]:
        """The assemblies whose standing may rest on the incident, as it is now or was before."""
        return [row["id"] for row in await connection.fetch(_SQL["reached"], utility, incident_id)]

    async def incident(self, utility: str, incident_id: UUID) -> Incident:
        """The incident of that id; 404 where there is none."""
        async with self._pool.lend(utility) as connection:
            row = await connection.fetchval(_SQL["get_incident"], utility, incident_id)
        if row is None:
            raise not_found("incident")
        return msgspec.json.decode(row, type=Incident)

    async def incidents(self, utility: str, wanted: IncidentsWanted, *, after: UUID | None, limit: int) -> Sequence[Incident]:
        """Up to `limit` of the wanted incidents after that id, by id."""
        asked = msgspec.structs.astuple(wanted)
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["list_incident"], utility, after, limit, *asked)
        return [msgspec.json.decode(row[0], type=Incident) for row in rows]

    async def revisions(self, utility: str, incident_id: UUID, *, after: int, limit: int) -> list[IncidentRevision]:
        """Up to `limit` revisions of an incident after that version."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["revisions"], utility, incident_id, after, limit)
        return [msgspec.json.decode(row[0], type=IncidentRevision) for row in rows]

    async def revised(self, utility: str, assembly_id: UUID, *, since: dt.datetime) -> list[UUID]:
        """The incidents of the assembly that were known before that moment and have been revised since."""
        async with self._pool.lend(utility) as connection:
            return [row["id"] for row in await connection.fetch(_SQL["revised"], utility, assembly_id, since)]

    async def grant_exception(
        self, utility: str, exception_id: UUID, facts: TestingExceptionFacts, *, who: Principal, now: dt.datetime
    ) -> TestingException | None:
        """Keep an exception; None where the id is taken, 422 where the assembly is not registered."""
        document: dict[str, Any] = {
            **msgspec.to_builtins(facts),
            "utility_id": utility,
            "id": exception_id,
            "version": 1,
            "created_at": now,
            "changed_at": now,
            "organisation_id": who.organisation_id,
            "key_id": who.key_id,
        }
        async with self._pool.lend(utility) as connection:
            try:
                row = await connection.fetchval(_SQL["create_exception"], msgspec.json.encode(document).decode())
            except asyncpg.ForeignKeyViolationError:
                raise problem("not_registered", pointer="/assembly_id", name="assembly_id") from None
        return None if row is None else msgspec.json.decode(row, type=TestingException)

    async def end_exception(
        self, utility: str, exception_id: UUID, end: ExceptionEnd, *, version: int, now: dt.datetime
    ) -> TestingException:
        """Keep an exception's early end, while its version is still that one; 412 where it is not."""
        async with self._pool.lend(utility) as connection:
            row = await connection.fetchval(
                _SQL["end_exception"], utility, exception_id, version, now, end.ended_on, end.ended_because
            )
        if row is None:
            raise problem("version_changed")
        return msgspec.json.decode(row, type=TestingException)

    async def exception(self, utility: str, exception_id: UUID) -> TestingException:
        """The exception of that id; 404 where there is none."""
        async with self._pool.lend(utility) as connection:
            row = await connection.fetchval(_SQL["get_exception"], utility, exception_id)
        if row is None:
            raise not_found("exception")
        return msgspec.json.decode(row, type=TestingException)

    async def exceptions(
        self,
        utility: str,
        *,
        after: UUID | None,
        limit: int,
        assembly_id: UUID | None = None,
        on: dt.date | None = None,
        recorded_before: dt.datetime | None = None,
    ) -> list[TestingException]:
        """Up to `limit` exceptions after that id, by id: of that assembly, in force on that day by what was recorded before that moment."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["list_exception"], utility, after, limit, assembly_id, on, recorded_before)
        return [msgspec.json.decode(row[0], type=TestingException) for row in rows]
