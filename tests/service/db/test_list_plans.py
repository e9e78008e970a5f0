"""The hot lists, and what a report rests on, are read from their indexes, not by going through a utility's whole record."""

import asyncio
import datetime as dt
import json
import re
from typing import Any, get_args
from uuid import UUID, uuid4

import pytest

import rules
from service.db.pool import Pool
from service.record.reports.store import GATHER, STANDING_FACTS, ReportsWanted, reports_statement
from service.record.standings.store import (
    EXCEPTIONAL,
    KEPT,
    NEVER,
    PRESSING,
    Area,
    Place,
    StandingStore,
    Wanted,
    _composed,
    _strands,
)
from service.summaries.store import _ROWS, Figure
from tests.support.databases import Database, ask, in_thread

TODAY = dt.date(2026, 6, 1)
ASSEMBLIES = 20_000
WITHOUT = 30
"""So many have no kept standing, as after a restore before `nonreturn rebuild`."""


@pytest.fixture(scope="module")
def filled(database: Database) -> Database:
    """A utility of many assemblies, one in twenty overdue, one in forty failed, one in a thousand without protection, one in fifty untested, of unknown protection, and as many out of service."""

    async def fill(owner: Any) -> None:
        await owner.execute("SET session_replication_role = replica")
        await owner.execute("INSERT INTO record.utility VALUES ('many', 1, now(), now(), 'Water', 'us-wa', 'UTC', 30)")
        await owner.execute(
            "INSERT INTO record.premises (utility_id, id, version, created_at, changed_at, name, address, connection, location) "
            "SELECT 'many', md5('p' || n)::uuid, 1, now(), now(), 'P', 'A', 'fire', "
            "jsonb_build_object('longitude', -120 + n % 100 / 1000.0, 'latitude', 40 + n / 100 / 1000.0) FROM generate_series(1, $1::int) n",
            ASSEMBLIES,
        )
        await owner.execute(
            "INSERT INTO record.assembly (utility_id, id, version, created_at, changed_at, premises_id, kind, hazard, purpose, in_service) "
            "SELECT 'many', md5('a' || n)::uuid, 1, now(), now(), md5('p' || n)::uuid, 'rp', 'health', 'point_of_use', true "
            "FROM generate_series(1, $1::int) n",
            ASSEMBLIES,
        )
        await owner.execute(
            "INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis) "
            "SELECT 'many', md5('a' || n)::uuid, 1, CASE WHEN n % 50 <> 7 THEN $2::date - 20 + n % 400 END, json_build_object('status', "
            "CASE WHEN n % 40 = 0 THEN 'failed' WHEN n % 50 = 1 THEN 'untested' WHEN n % 50 = 7 THEN 'out_of_service' ELSE 'current' END, "
            "'protection', CASE WHEN n % 1000 = 0 THEN 'lost' WHEN n % 50 = 1 THEN 'unknown' ELSE 'full' END, 'report_id', md5('r' || n)::uuid)::text "
            "FROM generate_series(1, $1::int) n",
            ASSEMBLIES - WITHOUT,
            TODAY,
        )
        await owner.execute(
            "INSERT INTO record.report (utility_id, id, log_index, assembly_id, tester_id, gauge_id, performed_at, performed_on, received_at, "
            "reason, organisation_id, key_id, content_hash, content, judged, verdict, outcome, protection, acceptance, rulebook, rulebook_digest) "
            "SELECT 'many', md5('r' || n)::uuid, n, md5('a' || n)::uuid, md5('t' || n % 400)::uuid, md5('g')::uuid, now(), $2::date, now(), "
            "'periodic', md5('o')::uuid, md5('k')::uuid, '', '', '', '', 'pass', 'full', 'accepted', 'us-wa', '' "
            "FROM generate_series(1, $1::int) n",
            ASSEMBLIES,
            TODAY,
        )
        # As Postgres itself does after a minute: from then on a row need not be looked at where the index says all.
        await owner.execute("VACUUM ANALYZE")

    ask(database.owner_dsn, fill)
    return database


def plan(filled: Database, **asked: Any) -> str:
    """The plan of a page, as the service's role is given it."""
    head, strand, after = asked.pop("head", "lines"), asked.pop("strand", None), asked.pop("after", None)
    wanted = Wanted(today=TODAY, soon=TODAY + dt.timedelta(days=30), **asked)
    if after is None and asked.get("by_due_on"):
        after = (TODAY - dt.timedelta(days=15), uuid4())
    sql, arguments = _composed(head, "many", wanted, after, 101, strand=strand)

    return str(in_thread(lambda: asyncio.run(explained(filled, sql, arguments))))


async def explained(database: Database, sql: str, arguments: list[Any]) -> str:
    """The plan on a connection as the store borrows it."""
    pool = await Pool.open(database.dsn, size=1)
    try:
        async with pool.lend("many", by_key=True) as connection:
            return "\n".join(row[0] for row in await connection.fetch(f"EXPLAIN {sql}", *arguments))
    finally:
        await pool.close()


@pytest.mark.parametrize(
    ("asked", "index"),
    [
        ({"status": "overdue", "by_due_on": True}, "standing_by_due_day"),
        ({"status": "due_soon", "by_due_on": True}, "standing_by_due_day"),
        ({"status": "failed"}, "standing_exceptional"),
        ({"status": "out_of_service"}, "standing_exceptional"),
        ({"protection": "degraded"}, "standing_not_full"),
        ({"protection": "insufficient"}, "standing_not_full"),
        ({"protection": "lost"}, "standing_not_full"),
        ({"protection": "unknown"}, "standing_not_full"),
        ({"premises_id": uuid4()}, "assembly_of_premises"),
        ({"status": "untested"}, "standing_exceptional"),
        ({"tester_id": uuid4()}, "report_of_tester"),
        ({"kind": "svb"}, "assembly_of_kind"),
        ({"area": Area(west=-120, south=40, east=-119.99, north=40.005)}, "premises_by_place"),
        ({"area": Area(west=179.9, south=-18, east=-179.9, north=-17)}, "premises_by_place"),
    ],
)
@pytest.mark.parametrize("head", ["lines", "things"])
def test_a_hot_list_reads_its_index(filled: Database, head: str, asked: dict[str, Any], index: str) -> None:
    result = plan(filled, head=head, **asked)
    assert index in result, result
    assert "Seq Scan" not in result, result


@pytest.mark.parametrize("status", ["overdue", "due_soon"])
def test_the_most_pressing_come_off_the_index_in_order(filled: Database, status: str) -> None:
    result = plan(filled, status=status, by_due_on=True)
    assert "Sort" not in result, result
    # The page begins where it should, and does not pass over the pages before it: not even row security keeps the days out of the index.
    condition = re.search(r"standing_by_due_day on standing s .*\n\s+Index Cond: (.*)", result)
    assert condition is not None, result
    assert "ROW(due_on, assembly_id)" in condition[1], result
    assert re.search(r"\(due_on <=? ", condition[1]), result


@pytest.mark.parametrize(
    ("asked", "index"),
    [
        *(({"status": status}, "standing_exceptional") for status in EXCEPTIONAL),
        ({"protection": "unknown"}, "standing_not_full"),
    ],
)
@pytest.mark.parametrize("head", ["lines", "things"])
def test_the_few_that_a_list_asks_for_come_off_the_index_in_order(
    filled: Database, head: str, asked: dict[str, Any], index: str
) -> None:
    # Far from the end: the last hundred may as well be sorted.
    result = plan(filled, head=head, after=(NEVER, UUID(int=2**120)), **asked)
    assert "Sort" not in result, result
    condition = re.search(rf"{index} on standing s .*\n\s+Index Cond: (.*)", result)
    assert condition is not None, result
    assert "assembly_id > " in condition[1], result


@pytest.mark.parametrize("status", [None, "current", "failed"])
@pytest.mark.parametrize("place", [(TODAY, uuid4()), (NEVER, uuid4())], ids=["dated", "undated"])
def test_a_list_by_due_day_is_made_of_stretches_of_the_index_in_order(filled: Database, status: str | None, place: Place) -> None:
    wanted = Wanted(today=TODAY, soon=TODAY, status=status, by_due_on=True)
    for strand in (one for strands in _strands(wanted, place) for one in strands if one.status is not None):
        result = plan(filled, status=status, by_due_on=True, after=place, strand=strand)
        assert "Sort" not in result, result
        condition = re.search(r"standing_by_due_day on standing s .*\n\s+Index Cond: (.*)", result)
        assert condition is not None, result
        assert "due_on IS NULL" in condition[1] or "ROW(due_on, assembly_id)" in condition[1], result
        if place[0] == NEVER:
            assert "assembly_id > " in condition[1], result


@pytest.mark.parametrize(
    ("asked", "same"),
    [
        ({}, "true"),
        ({"status": "current"}, "s.status = 'current' AND coalesce(s.due_on, 'infinity') > $1"),
        ({"status": "failed"}, "s.status = 'failed'"),
        ({"status": "out_of_service"}, "s.status = 'out_of_service'"),
        ({"protection": "unknown"}, "s.protection = 'unknown'"),
        ({"due_after": TODAY + dt.timedelta(days=360)}, "s.due_on > $1::date + 360"),
    ],
)
def test_a_walk_by_due_day_meets_each_once_in_the_order_of_one_sort(filled: Database, asked: dict[str, Any], same: str) -> None:
    """Held against Postgres's own sort of the whole, those without a due day last."""
    wanted = Wanted(today=TODAY, soon=TODAY, by_due_on=True, **asked)

    async def walked() -> list[UUID]:
        pool = await Pool.open(filled.dsn, size=2)
        store, found, place = StandingStore(pool), [], None
        while lines := await store.lines("many", wanted, after=place, limit=997):
            found += [line.assembly_id for line in lines]
            place = (lines[-1].due, lines[-1].assembly_id)
        await pool.close()
        return found

    whole = (
        "SELECT a.id FROM record.assembly a LEFT JOIN record.standing s ON s.utility_id = a.utility_id AND s.assembly_id = a.id "  # noqa: S608 - ours
        f"WHERE a.utility_id = 'many' AND $1::date IS NOT NULL AND {same} ORDER BY coalesce(s.due_on, 'infinity'), a.id"
    )
    sorted_ = filled.owner(whole, TODAY)
    assert len(sorted_) >= WITHOUT
    assert in_thread(lambda: asyncio.run(walked())) == [row["id"] for row in sorted_]


@pytest.mark.parametrize(
    ("wanted", "index"),
    [
        ({"acceptance": "refused"}, "report_refused"),
        ({"acceptance": "held"}, "report_held"),
        ({"acceptance": "accepted"}, "report_utility_id_log_index_key"),
        ({}, "report_utility_id_log_index_key"),
        ({"assembly_id": UUID(int=1), "acceptance": "refused"}, "report_(refused|by_assembly)"),
    ],
)
@pytest.mark.parametrize("after", [-1, ASSEMBLIES // 2])
def test_a_page_of_reports_comes_off_an_index(filled: Database, wanted: dict[str, Any], index: str, after: int) -> None:
    sql, arguments = reports_statement("many", ReportsWanted(**wanted), after=after, limit=101)

    async def explained(service: Any) -> str:
        await service.execute("SELECT set_config('nonreturn.utility', 'many', false)")
        # Planned without knowing where the page begins: it does not depend on statistics of that.
        await service.execute("SET plan_cache_mode = force_generic_plan")
        await service.execute("PREPARE page AS " + sql)
        result = ", ".join(f"'{argument}'" for argument in arguments)
        return "\n".join(row[0] for row in await service.fetch(f"EXPLAIN EXECUTE page ({result})"))

    result = str(ask(filled.dsn, explained))
    assert re.search(rf"{index} on report r", result), result
    assert "Seq Scan" not in result, result
    if "assembly_id" not in wanted:
        assert "Sort" not in result, result
        assert re.search(r"on report r .*\n\s+Index Cond: .*log_index > ", result), result


def test_what_is_kept_of_a_status_is_what_the_rules_say_of_it() -> None:
    """A status added to the rules has its place in the lists by due day."""
    assert {*KEPT, *PRESSING} == set(get_args(rules.StandingStatus))


@pytest.mark.parametrize("asked", [{}, {"hazard": "health"}])
@pytest.mark.parametrize("head", ["lines", "things"])
def test_a_page_anywhere_begins_where_it_should(filled: Database, head: str, asked: dict[str, Any]) -> None:
    result = plan(filled, head=head, after=(NEVER, UUID(int=2**127)), **asked)
    assert "Sort" not in result, result
    assert re.search(r"assembly_pkey on assembly a .*\n\s+Index Cond: .*id > ", result), result
    # Either assembly by assembly, or from the same place on: never through all the standings before the page.
    assert re.search(r"standing_pkey on standing s .*\n\s+Index Cond: .*(assembly_id = a\.id|assembly_id > )", result), result


@pytest.mark.parametrize("year", [2026, 2025], ids=["all tested", "none tested"])
@pytest.mark.parametrize("figure", ["tested", "not_tested"])
@pytest.mark.parametrize("after", [None, UUID(int=2**127)])
def test_a_page_of_who_was_tested_is_walked_assembly_by_assembly(
    filled: Database, figure: Figure, year: int, after: UUID | None
) -> None:
    """Whatever share the planner takes to have been tested, it never reads the year for a page."""

    async def explained(service: Any) -> str:
        await service.execute("SELECT set_config('nonreturn.utility', 'many', false)")
        days = dt.date(year, 1, 1), dt.date(year, 12, 31), TODAY
        return "\n".join(
            row[0] for row in await service.fetch(f"EXPLAIN {_ROWS[figure]}", "many", *days, None, None, None, after, 101, None)
        )

    result = str(ask(filled.dsn, explained))
    assert "Sort" not in result, result
    assert "Join" not in result, result
    assert re.search(r"assembly_pkey on assembly a .*\n\s+Index Cond: .*" + ("id > " if after else "utility_id = "), result), (
        result
    )
    assert re.search(r"report_by_assembly on report r .*\n\s+Index Cond: .*assembly_id = a\.id", result), result


def test_what_a_standing_rests_on_is_read_from_indexes_however_many_incidents_there_are(filled: Database) -> None:
    """The report path asks this under the log's lock."""

    async def fill(owner: Any) -> None:
        await owner.execute("SET session_replication_role = replica")
        await owner.execute(
            "INSERT INTO record.incident_version SELECT 'many', md5('i' || n)::uuid, 1, now(), md5('o')::uuid, md5('k')::uuid, now(), $1, true, '{}' "
            "FROM generate_series(1, 5000) n",
            TODAY,
        )
        await owner.execute(
            "INSERT INTO record.incident_reach SELECT 'many', md5('i' || n)::uuid, 1, m, CASE WHEN m < 9 THEN md5('a' || n * m)::uuid END, "
            "CASE WHEN m = 9 THEN md5('p' || n)::uuid END FROM generate_series(1, 5000) n, generate_series(1, 9) m"
        )
        await owner.execute("ANALYZE record.incident_version, record.incident_reach")

    async def explained(service: Any) -> str:
        await service.execute("SELECT set_config('nonreturn.utility', 'many', false)")
        some = [uuid4() for _ in range(64)]
        return "\n".join(row[0] for row in await service.fetch(f"EXPLAIN {STANDING_FACTS}", "many", some, None, None))

    ask(filled.owner_dsn, fill)
    result = str(ask(filled.dsn, explained))
    assert {"incident_reach_of_assembly", "incident_reach_of_premises"} <= set(re.findall(r"incident_reach_of_\w+", result)), (
        result
    )
    assert "Seq Scan" not in result, result


def test_what_a_report_rests_on_is_read_by_key(filled: Database) -> None:
    some = [uuid4() for _ in range(64)]
    now = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)

    async def asked() -> Any:
        # Planned once, without knowing what is asked: so it is planned for one report as for many.
        pool = await Pool.open(filled.dsn, size=1, repeating=True)
        try:
            async with pool.lend("many") as connection:
                return await connection.fetchval(
                    "EXPLAIN (FORMAT JSON) " + GATHER, "many", some, some, some, [now] * 64, [None] * 64, some, some, [None] * 64
                )
        finally:
            await pool.close()

    def steps(plan: dict[str, Any]) -> list[dict[str, Any]]:
        return [plan, *(step for one in plan.get("Plans", ()) for step in steps(one))]

    [result] = json.loads(in_thread(lambda: asyncio.run(asked())))
    all_steps = steps(result["Plan"])
    assert {one["Node Type"] for one in all_steps} & {"Seq Scan", "Hash Join", "Merge Join", "Materialize"} == set()
    large = [one for one in all_steps if one.get("Relation Name") in {"assembly", "premises", "standing", "report"}]
    assert {one["Relation Name"] for one in large} == {"assembly", "premises", "standing", "report"}
    for one in large:
        # By the utility and a key of its own.
        assert " AND " in one.get("Index Cond", ""), one
