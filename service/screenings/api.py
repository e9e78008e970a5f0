"""Screenings: records that deserve a second look, for the utility and its regulator; and the trends of an assembly.

A testing company never reads screenings, its own testers' included: no call of these but the trend is open to them.
"""

import datetime as dt
from uuid import UUID

from msgspec import Struct

import rules
from service.http.endpoint import Answer, Call, operation
from service.http.paging import AfterId, page, page_of
from service.registry.api import IF_MATCH, tagged
from service.screenings.schemas import AssemblyTrend, Disposition, Screening, ScreeningDecisionFacts, ScreeningRun
from service.screenings.screen import run_screens, shown
from service.screenings.store import ScreeningStore, ScreeningsWanted
from service.screenings.trends import assembly_trend

SCREENINGS = "/v1/utilities/{utility:str}/screenings"


class ScreeningQuery(AfterId, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which screenings: of that screen, about that tester, gauge or assembly (or with evidence from it), decided so, of days since."""

    screen: rules.screening.Screen | None = None
    """Only screenings of this screen."""
    tester_id: UUID | None = None
    """Only screenings about this tester or with evidence from this tester's reports."""
    gauge_id: UUID | None = None
    """Only screenings about this gauge or with evidence from reports with it."""
    assembly_id: UUID | None = None
    """Only screenings about this assembly or with evidence from its reports."""
    disposition: Disposition | None = None
    """Only screenings decided so."""
    since: dt.date | None = None
    """Only screenings of days from this one on."""


class RunQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """From which year on: that of `since`; without it, the year before this one."""

    since: dt.date | None = None
    """Look at tests from the year of this day on; without it, from last year on."""


class TrendQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The unit to answer in (without one, that of the newest report), and the day to look ahead to (without one, the next due day)."""

    pressure: rules.PressureUnit | None = None
    """The unit to answer in; without it, that of the newest report."""
    on: dt.date | None = None
    """The day to look ahead to; without it, the day the next test is due."""


def _store(call: Call) -> ScreeningStore:
    return ScreeningStore(call.services.pool)


@operation(
    "GET",
    SCREENINGS,
    id="listScreenings",
    summary="List screenings",
    answers={200: page_of(Screening)},
    tag="screenings",
    right="read",
)
async def list_screenings(call: Call, query: ScreeningQuery) -> Answer:
    """List screenings in the order in which they were made."""
    wanted = ScreeningsWanted(**{name: getattr(query, name) for name in ScreeningsWanted.__struct_fields__})
    found = await _store(call).listed(call.utility, wanted, after=query.after, limit=query.limit + 1)
    return page(call, [shown(row) for row in found], query.limit, lambda item: str(item.id))


@operation(
    "POST",
    SCREENINGS + "/runs",
    id="runScreens",
    summary="Run the screens",
    answers={200: ScreeningRun},
    tag="screenings",
    right="register",
)
async def run(call: Call, query: RunQuery) -> Answer:
    """Run the screens over the record, and answer once that is done; over millions of reports, `nonreturn screen` does it.

    Running them again is safe.
    """
    store = _store(call)
    utility = await call.services.registry.utility(call.utility)
    return Answer(body=await run_screens(store, utility, since=query.since, now=call.clock.now(), new_id=call.clock.new_id))


@operation(
    "GET",
    SCREENINGS + "/{id:uuid}",
    id="readScreening",
    summary="Read a screening",
    answers={200: Screening},
    tag="screenings",
    right="read",
)
async def read(call: Call) -> Answer:
    """Read one screening."""
    return await _one(call)


async def _one(call: Call) -> Answer:
    store = _store(call)
    row = await store.one(call.utility, call.id("id"))
    return tagged(shown(row, await store.decisions(call.utility, row.id)))


@operation(
    "PATCH",
    SCREENINGS + "/{id:uuid}",
    id="decideScreening",
    summary="Decide on a screening",
    answers={200: Screening},
    tag="screenings",
    right="register",
    request_headers=IF_MATCH,
    body_media_type="application/merge-patch+json",
)
async def decide(call: Call, document: ScreeningDecisionFacts) -> Answer:
    """Record a decision on a screening. Send all three members each time: a reason belongs to one decision. Every decision is kept."""
    match = call.if_match()
    store = _store(call)
    row = await store.one(call.utility, call.id("id"))
    version = match.version(row.version)
    await store.decide(call.utility, row.id, document, version=version, who=call.who, now=call.clock.now())
    return await _one(call)


@operation(
    "GET",
    "/v1/utilities/{utility:str}/assemblies/{id:uuid}/trend",
    id="readTrend",
    summary="Read the trend of an assembly's readings",
    answers={200: AssemblyTrend},
    tag="assemblies",
    right="read",
    companies=True,
)
async def trend(call: Call, query: TrendQuery) -> Answer:
    """Work out the trends of an assembly's components."""
    utility = await call.services.registry.utility(call.utility)
    found = await assembly_trend(
        _store(call), call.services.reports, utility, call.id("id"), unit=query.pressure, on=query.on, now=call.clock.now()
    )
    return Answer(body=found)


operations = [list_screenings, run, read, decide, trend]
