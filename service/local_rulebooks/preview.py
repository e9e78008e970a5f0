"""What a local rulebook would change, before it is put in force: by the same rules and the same record, and nothing is written."""

import asyncio
import datetime as dt
from collections.abc import Sequence
from uuid import UUID

import msgspec
from msgspec.structs import replace

import rules
from rules.calendar import add_months
from service.db.pool import Pool
from service.local_rulebooks.schemas import LISTED, LocalRulebookPreview, MovedDueDay, TestJudgedOtherwise
from service.local_rulebooks.store import JudgedTest, LocalRulebookStore
from service.record.reports.rows import HistoryRow
from service.record.reports.store import Recording, ReportStore
from service.record.standings.work_out import work_out
from service.registry.calendar import today
from service.registry.schemas import UtilityOnRecord

_AT_ONCE = 100


async def preview(pool: Pool, utility: UtilityOnRecord, version: rules.LocalVersion, *, now: dt.datetime) -> LocalRulebookPreview:
    """The figures of a local rulebook that `check` has passed."""
    on = today(utility, now)
    trial = replace(utility, local=version)
    moved: list[MovedDueDay] = []
    ids = await ReportStore(pool).assembly_ids(utility.code)
    for start in range(0, len(ids), _AT_ONCE):
        moved += await _moved(pool, utility, trial, ids[start : start + _AT_ONCE], on)
        # The loop is others' too.
        await asyncio.sleep(0)
    since = _since(utility, on)
    tests, otherwise = await _judged_otherwise(LocalRulebookStore(pool), utility, trial, since)
    days = [assembly for assembly in moved if assembly.due_on != assembly.due_on_then]
    earlier = [assembly for assembly in days if (assembly.due_on_then or dt.date.max) < (assembly.due_on or dt.date.max)]
    overdue = [assembly for assembly in moved if assembly.status_then == "overdue" != assembly.status]
    return LocalRulebookPreview(
        version=version.version,
        on=on,
        assemblies=len(ids),
        due_days_moved=len(days),
        due_earlier=len(earlier),
        due_later=len(days) - len(earlier),
        becoming_overdue=len(overdue),
        no_longer_overdue=sum(assembly.status == "overdue" != assembly.status_then for assembly in moved),
        moved=sorted(moved, key=lambda one: (one not in overdue, one.assembly_id))[:LISTED],
        tests_since=since,
        tests=tests,
        tests_judged_otherwise=len(otherwise),
        judged_otherwise=otherwise[:LISTED],
    )


def _since(utility: UtilityOnRecord, on: dt.date) -> dt.date:
    """The first day of the last interval: the longest that the rulebook has today, or all days where it has none."""
    months = [entry.months for entry in rules.rulebook(utility.book, on).intervals if entry.months is not None]
    return add_months(on, -max(months)) if months else dt.date.min


async def _moved(
    pool: Pool, utility: UtilityOnRecord, trial: UtilityOnRecord, assemblies: Sequence[UUID], on: dt.date
) -> list[MovedDueDay]:
    """Those of these assemblies whose due day or status would change."""
    async with pool.lend(utility.code) as connection, connection.transaction(isolation="repeatable_read", readonly=True):
        recording = Recording(connection, trial)
        history: dict[UUID, list[HistoryRow]] = {}
        for row in await recording.history(assemblies, []):
            history.setdefault(row.assembly_id, []).append(row)
        known = await recording.assemblies(assemblies)
    found = []
    for assembly_id, facts in known.items():
        reports = history.get(assembly_id, [])
        before, after = (rules.standing_on(work_out(by, facts, reports), on, utility.due_soon_days) for by in (utility, trial))
        if (before.due_on, before.status) != (after.due_on, after.status):
            found.append(
                MovedDueDay(
                    assembly_id=assembly_id,
                    due_on=before.due_on,
                    due_on_then=after.due_on,
                    status=before.status,
                    status_then=after.status,
                )
            )
    return found


async def _judged_otherwise(
    store: LocalRulebookStore, utility: UtilityOnRecord, trial: UtilityOnRecord, since: dt.date
) -> tuple[int, list[TestJudgedOtherwise]]:
    """How many tests were judged again, and those that come out otherwise."""
    count, after, found = 0, -1, []
    while tests := await store.tests_since(utility.code, since, after=after, limit=_AT_ONCE):
        count, after = count + len(tests), tests[-1].log_index
        found += [one for test in tests if (one := _compared(utility, trial, test)) is not None]
        await asyncio.sleep(0)
    return count, found


def _compared(utility: UtilityOnRecord, trial: UtilityOnRecord, row: JudgedTest) -> TestJudgedOtherwise | None:
    """The test judged by both rulebooks, if they differ."""
    test = msgspec.json.decode(row.judged, type=rules.Test)
    previous = None if row.previous is None else msgspec.json.decode(row.previous, type=rules.PreviousReadings)
    # A test of a time when the utility had another rulebook is compared by the one it has now.
    test = replace(test, rulebook=utility.rulebook)
    before, after = (
        rules.judge(test, received_at=row.received_at, previous=previous, local=by.applied) for by in (utility, trial)
    )
    last, last_then = (verdict.final or verdict.initial for verdict in (before, after))
    found = TestJudgedOtherwise(
        report_id=row.id,
        assembly_id=row.assembly_id,
        outcome=before.outcome,
        outcome_then=after.outcome,
        acceptance=before.acceptance,
        acceptance_then=after.acceptance,
        protection=last.protection,
        protection_then=last_then.protection,
    )
    now = (found.outcome, found.acceptance, found.protection)
    return None if now == (found.outcome_then, found.acceptance_then, found.protection_then) else found
