"""Recording hazard assessments of premises: kept as recorded, corrected by another, and counted by the yearly summary."""

import datetime as dt
from uuid import UUID

from msgspec import UNSET

from service.auth.access import Principal
from service.problems import fault, problem, problem_of
from service.record.assessments.schemas import HazardAssessment, HazardAssessmentFacts
from service.record.assessments.store import AssessmentStore
from service.registry.calendar import today
from service.registry.schemas import Utility


async def record_assessment(
    store: AssessmentStore,
    utility: Utility,
    facts: HazardAssessmentFacts,
    *,
    assessment_id: UUID,
    who: Principal,
    now: dt.datetime,
) -> tuple[HazardAssessment, bool]:
    """Keep an assessment under that id, and whether it is new; 409 where another is recorded under it, 422 for days that cannot be."""
    faults = []
    if facts.assessed_on > today(utility, now):
        faults.append(fault("in_the_future", pointer="/assessed_on"))
    if facts.next_due_on is not UNSET and facts.next_due_on < facts.assessed_on:
        faults.append(fault("due_before_assessed", pointer="/next_due_on"))
    if facts.supersedes == assessment_id:
        faults.append(fault("supersedes_itself", pointer="/supersedes"))
    if faults:
        raise problem_of(faults)
    made = await store.create(utility.code, assessment_id, facts, who=who, now=now)
    if made is not None:
        return made, True
    kept = await store.one(utility.code, assessment_id)
    if any(getattr(kept, name) != getattr(facts, name) for name in facts.__struct_fields__):
        raise problem("assessment_id_taken")
    return kept, False
