"""The standing of one assembly, today or on a past day."""

import datetime as dt

from msgspec import Struct

from service.http.endpoint import Answer, Call, operation
from service.record.incidents.store import IncidentStore
from service.record.reports.store import ReportStore
from service.record.standings.listing import PastStanding, standing_then, standing_today
from service.record.standings.store import StandingStore


class StandingQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The day asked about; without one, today."""

    as_of: dt.date | None = None
    """The day to answer for; without it, today."""


@operation(
    "GET",
    "/v1/utilities/{utility:str}/assemblies/{id:uuid}/standing",
    id="readStanding",
    summary="Read the standing of an assembly, today or on a past day",
    answers={200: PastStanding},
    tag="assemblies",
    right="read",
    companies=True,
    may_lag=lambda query: query.as_of is not None,
)
async def standing(call: Call, query: StandingQuery) -> Answer:
    """Work out the standing of an assembly today, or at the end of a past day by the record of that day."""
    utility = await call.services.registry.utility(call.utility)
    now = call.clock.now()
    reports, incidents = ReportStore(call.reading), IncidentStore(call.reading)
    if query.as_of is None:
        return Answer(body=await standing_today(reports, incidents, utility, call.id("id"), now=now))
    store = StandingStore(call.reading)
    return Answer(body=await standing_then(reports, store, incidents, utility, call.id("id"), as_of=query.as_of, now=now))


operations = [standing]
