"""Recording hazard assessments of premises: kept as told, corrected by another, and counted by the yearly summary."""

import datetime as dt
from uuid import UUID

from msgspec import UNSET

from service.access import Principal
from service.assessments import HazardAssessment, HazardAssessmentFacts
from service.problems import Fault, ProblemError
from service.records.judging import today
from service.store.assessments import AssessmentStore
from service.things import Utility


async def record_assessment(
    store: AssessmentStore, utility: Utility, facts: HazardAssessmentFacts, *, assessment_id: UUID, who: Principal, now: dt.datetime
) -> tuple[HazardAssessment, bool]:  # fmt: skip
    """Keep an assessment under that id, and whether it is new; 409 where another is recorded under it, 422 for days that cannot be."""
    faults = []
    if facts.assessed_on > today(utility, now):
        faults.append(Fault(pointer="/assessed_on", detail="That day is still to come; tell what has been assessed."))
    if facts.next_due_on is not UNSET and facts.next_due_on < facts.assessed_on:
        faults.append(Fault(pointer="/next_due_on", detail="The next assessment is due on the day of this one at the earliest."))
    if facts.supersedes == assessment_id:
        faults.append(
            Fault(pointer="/supersedes", detail="An assessment cannot correct itself; give the correction an id of its own.")
        )
    if faults:
        raise ProblemError("not-applicable", " ".join(fault.detail for fault in faults), faults)
    made = await store.create(utility.code, assessment_id, facts, who=who, now=now)
    if made is not None:
        return made, True
    kept = await store.one(utility.code, assessment_id)
    if any(getattr(kept, name) != getattr(facts, name) for name in facts.__struct_fields__):
        raise ProblemError(
            "conflict", "Another assessment is recorded under that id; assessments are never changed. Give a new one its own id."
        )
    return kept, False
