"""Which assemblies were overdue on the last day of a past year, by what was known by its end.

Standings are kept as of now, so those of a past day are worked out again, by the rules, as `standings?as_of=` does for one assembly. Most
need not be: of an assembly about which nothing special is on record, the day of its last test and how often it failed show that it was
overdue, or that it was not, whatever else is known of it. Only the others are read, some hundreds at a time.
"""

import asyncio
import datetime as dt
from uuid import UUID
from zoneinfo import ZoneInfo

from msgspec.structs import replace

import rules
from service.db.pool import Pool
from service.record.reports.rows import HistoryRow
from service.record.reports.store import ReportStore
from service.record.standings.store import StandingStore
from service.record.standings.work_out import work_out
from service.registry.schemas import UtilityOnRecord
from service.summaries.store import Days, SummaryStore

_AT_ONCE = 500


async def overdue_then(pool: Pool, utility: UtilityOnRecord, days: Days) -> list[UUID] | None:
    """Those assemblies, by id; None for a year that still runs, whose overdue ones the kept standings list."""
    if days.last == days.today:
        return None
    ended = dt.datetime.combine(days.last + dt.timedelta(days=1), dt.time(), ZoneInfo(utility.time_zone))
    found, perhaps = await SummaryStore(pool).perhaps_overdue(
        utility.code, days, rules.ordinary_days(utility.book, days.last), ended=ended
    )
    reports, standings = ReportStore(pool), StandingStore(pool)
    for start in range(0, len(perhaps), _AT_ONCE):
        some = perhaps[start : start + _AT_ONCE]
        history: dict[UUID, list[HistoryRow]] = {}
        for row in await standings.history(utility.code, some, before=ended):
            history.setdefault(row.assembly_id, []).append(row)
        for assembly, known in (await reports.facts_then(utility.code, some, revised_before=ended)).items():
            # They were all in service on that day, whatever they are now.
            standing = work_out(utility, replace(known, in_service=True), history.get(assembly, []))
            late = standing.status in ("current", "untested") and standing.due_on is not None
            if late and standing.due_on < days.last:  # type: ignore[operator]
                found.append(assembly)
        # The loop is others' too.
        await asyncio.sleep(0)
    return sorted(found)
