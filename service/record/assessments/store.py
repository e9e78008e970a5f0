"""Hazard assessments in Postgres."""

import datetime as dt
from typing import Any
from uuid import UUID

import asyncpg
import msgspec
from msgspec import Struct

from service.auth.access import Principal
from service.db.pool import Pool
from service.db.statements import statements
from service.problems import not_found, problem
from service.record.assessments.schemas import HazardAssessment, HazardAssessmentFacts

_SQL = statements(__name__)


class AssessmentsWanted(Struct, frozen=True, kw_only=True):
    """Which assessments; None: not asked. The order is that of the statement's parameters."""

    premises_id: UUID | None = None
    since: dt.date | None = None
    until: dt.date | None = None
    standing: bool | None = None


class AssessmentStore:
    """Keeps and reads hazard assessments."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def create(
        self, utility: str, assessment_id: UUID, facts: HazardAssessmentFacts, *, who: Principal, now: dt.datetime
    ) -> HazardAssessment | None:
        """Keep an assessment; None where the id is taken, 422 for premises or an assessment not there, 409 for one corrected already."""
        document: dict[str, Any] = {
            **msgspec.to_builtins(facts),
            "utility_id": utility,
            "id": assessment_id,
            "version": 1,
            "created_at": now,
            "organisation_id": who.organisation_id,
            "key_id": who.key_id,
        }
        try:
            async with self._pool.lend(utility) as connection:
                row = await connection.fetchval(_SQL["create"], msgspec.json.encode(document).decode())
        except asyncpg.UniqueViolationError:
            raise problem("already_superseded", thing="assessment") from None
        except asyncpg.ForeignKeyViolationError as error:
            if error.constraint_name == "hazard_assessment_corrected":
                raise problem("supersedes_unknown", pointer="/supersedes", thing="assessment", place="these premises") from None
            raise problem("not_registered", pointer="/premises_id", name="premises_id") from None
        return None if row is None else msgspec.json.decode(row, type=HazardAssessment)

    async def listed(
        self, utility: str, wanted: AssessmentsWanted, *, after: UUID | None, limit: int, only: UUID | None = None
    ) -> list[HazardAssessment]:
        """Up to `limit` of the wanted assessments after that id, by id."""
        asked = msgspec.structs.astuple(wanted)
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["list"], utility, after, limit, *asked, only)
        return [msgspec.json.decode(row[0], type=HazardAssessment) for row in rows]

    async def one(self, utility: str, assessment_id: UUID) -> HazardAssessment:
        """The assessment of that id; 404 where there is none."""
        found = await self.listed(utility, AssessmentsWanted(), after=None, limit=1, only=assessment_id)
        if not found:
            raise not_found("hazard assessment")
        return found[0]
