"""Standings, worked out from what is known of an assembly and from its reports; kept, given for a day, and worked out again.

A standing is one row an assembly, written with the report that it follows from, and always to be had again from the reports.
"""

import datetime as dt
from collections.abc import Sequence
from uuid import UUID

import msgspec
from msgspec import UNSET

import rules
from service.db.pool import company_looks, whole_view
from service.problems import not_found
from service.record.reports import rests
from service.record.reports.rows import HistoryRow, StandingFacts, StandingRow
from service.record.reports.store import Recording, ReportStore
from service.registry.calendar import today
from service.registry.schemas import Season, UtilityOnRecord

_occurrences = msgspec.json.Decoder(list[rules.Occurrence]).decode
_NONE = "[]"


def work_out(utility: UtilityOnRecord, known: StandingFacts, history: Sequence[HistoryRow]) -> rules.Standing:
    """An assembly's standing from its facts, all its reports and what happened to it: the rules' own, by the utility's rulebook."""
    return standing_from(utility, known, rests.events(history))


def standing_from(utility: UtilityOnRecord, known: StandingFacts, tests: Sequence[rules.TestEvent]) -> rules.Standing:
    """The same from all its tests, or from the few that a standing rests on."""
    happened = [] if known.occurrences == _NONE else _occurrences(known.occurrences)
    if known.incidents is not None:
        happened += _occurrences(known.incidents)
    return rules.standing(
        rulebook=utility.book,
        hazard=known.hazard,
        connection=known.connection,
        in_service=known.in_service,
        installed_on=known.installed_on,
        history=tests,
        occurrences=happened,
        season_starts=None if known.season is None else msgspec.json.decode(known.season, type=Season).start,
        interval_months=known.test_interval_months,
        registered_on=today(utility, known.created_at),
        kind=known.kind,
        purpose=known.purpose or UNSET,
        backpressure_possible=UNSET if known.backpressure_possible is None else known.backpressure_possible,
        in_plant_air_gap=UNSET if known.in_plant_air_gap is None else known.in_plant_air_gap,
        hazard_class=known.hazard_class or UNSET,
    )


def standing_row(assembly_id: UUID, standing: rules.Standing) -> StandingRow:
    """A standing as it is kept."""
    return StandingRow(assembly_id=assembly_id, due_on=standing.due_on, basis=msgspec.json.encode(standing).decode())


async def read_standing(store: ReportStore, utility: UtilityOnRecord, assembly_id: UUID, *, now: dt.datetime) -> rules.Standing:
    """An assembly's standing today, where the utility is; 404 for an assembly that is not there."""
    if company_looks() and not await store.sees(utility.code, assembly_id):
        raise not_found("assembly")
    with whole_view():
        # What a standing rests on, incidents too, is not all for a testing company's eyes; how the assembly stands is.
        row = await store.assembly(utility.code, assembly_id)
    if row is None:
        raise not_found("assembly")
    kept = msgspec.json.decode(row.basis, type=rules.Standing) if row.basis is not None else work_out(utility, row, [])
    return rules.standing_on(kept, today(utility, now), utility.due_soon_days)


async def rebuild_standings(store: ReportStore, utility: UtilityOnRecord) -> list[UUID]:
    """Work out every standing of a utility from its reports; the assemblies whose kept one differed, which are written again."""
    differing = []
    for assembly_id in await store.assembly_ids(utility.code):
        async with store.recording(utility.code) as recording:
            differing += await rework(recording, [assembly_id])
    return differing


async def rework(recording: Recording, assemblies: Sequence[UUID]) -> list[UUID]:
    """Work out those standings from the reports, by the utility as it is now, and write those that differ; their assemblies."""
    for row in (differing := await differing_standings(recording, assemblies)):
        await recording.keep_standing(row)
    return [row.assembly_id for row in differing]


async def differing_standings(recording: Recording, assemblies: Sequence[UUID]) -> list[StandingRow]:
    """What those of these assemblies' standings would be that are kept otherwise than their reports give; nothing is written."""
    differing = []
    history: dict[UUID, list[HistoryRow]] = {}
    for item in await recording.history(assemblies, []):
        history.setdefault(item.assembly_id, []).append(item)
    for assembly_id, row in (await recording.assemblies(assemblies)).items():
        reports = history.get(assembly_id, [])
        new = standing_row(assembly_id, work_out(recording.utility, row, reports))
        if row.basis != new.basis or not (row.rests_on is None or rests.agrees(row.rests_on, reports)):
            differing.append(new)
    return differing
