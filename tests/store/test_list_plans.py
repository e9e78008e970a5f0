"""The hot lists are read from their indexes, not by going through a utility's whole record."""

import datetime as dt
import re
from typing import Any
from uuid import uuid4

import pytest

from service.store.standings import Area, Wanted, _composed
from service.store.statements import statements
from tests.conftest import Database, ask

TODAY = dt.date(2026, 6, 1)
ASSEMBLIES = 20_000


@pytest.fixture(scope="module")
def filled(database: Database) -> Database:
    """A utility of many assemblies, one in twenty overdue, one in a thousand without protection, one in two thousand untested, of 400 testers."""

    async def fill(owner: Any) -> None:
        await owner.execute("SET session_replication_role = replica")
        await owner.execute("INSERT INTO record.utility VALUES ('many', 1, now(), now(), 'Water', 'us-wa', 'UTC', 30)")
        await owner.execute(
            "INSERT INTO record.premises (utility_id, id, version, created_at, changed_at, name, address, connection, location) "
            "SELECT 'many', md5('p' || n)::uuid, 1, now(), now(), 'P', 'A', 'fire', "
            "jsonb_build_object('longitude', -120 + n % 100 / 1000.0, 'latitude', 40 + n / 100 / 1000.0) FROM generate_series(1, $1::int) n", ASSEMBLIES,
        )  # fmt: skip
        await owner.execute(
            "INSERT INTO record.assembly (utility_id, id, version, created_at, changed_at, premises_id, kind, hazard, purpose, in_service) "
            "SELECT 'many', md5('a' || n)::uuid, 1, now(), now(), md5('p' || n)::uuid, 'rp', 'health', 'point_of_use', true "
            "FROM generate_series(1, $1::int) n", ASSEMBLIES,
        )  # fmt: skip
        await owner.execute(
            "INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis) "
            "SELECT 'many', md5('a' || n)::uuid, 1, $2::date - 20 + n % 400, json_build_object('status', "
            "CASE WHEN n % 1000 = 0 THEN 'failed' WHEN n % 2000 = 1 THEN 'untested' ELSE 'current' END, "
            "'protection', CASE WHEN n % 1000 = 0 THEN 'lost' ELSE 'full' END, 'report_id', md5('r' || n)::uuid)::text "
            "FROM generate_series(1, $1::int) n", ASSEMBLIES, TODAY,
        )  # fmt: skip
        await owner.execute(
            "INSERT INTO record.report (utility_id, id, log_index, assembly_id, tester_id, gauge_id, performed_at, performed_on, received_at, "
            "reason, organisation_id, key_id, content_hash, content, judged, verdict, outcome, protection, acceptance, rulebook, rulebook_digest) "
            "SELECT 'many', md5('r' || n)::uuid, n, md5('a' || n)::uuid, md5('t' || n % 400)::uuid, md5('g')::uuid, now(), $2::date, now(), "
            "'periodic', md5('o')::uuid, md5('k')::uuid, '', '', '', '', 'pass', 'full', 'accepted', 'us-wa', '' "
            "FROM generate_series(1, $1::int) n", ASSEMBLIES, TODAY,
        )  # fmt: skip
        await owner.execute("ANALYZE")

    ask(database.owner_dsn, fill)
    return database


def plan(filled: Database, **asked: Any) -> str:
    """The plan of a page, as the service's role is given it."""
    head = asked.pop("head", "lines")
    wanted = Wanted(today=TODAY, soon=TODAY + dt.timedelta(days=30), **asked)
    sql, arguments = _composed(
        head, "many", wanted, (TODAY - dt.timedelta(days=15), uuid4()) if asked.get("by_due_on") else None, 101
    )

    async def explained(service: Any) -> str:
        await service.execute("SELECT set_config('nonreturn.utility', 'many', false)")
        return "\n".join(row[0] for row in await service.fetch(f"EXPLAIN {sql}", *arguments))

    return str(ask(filled.dsn, explained))


@pytest.mark.parametrize(
    ("asked", "index"),
    [
        ({"status": "overdue", "by_due_on": True}, "standing_by_due_day"),
        ({"status": "due_soon", "by_due_on": True}, "standing_by_due_day"),
        ({"status": "failed"}, "standing_by_due_day"),
        ({"protection": "lost"}, "standing_unprotected"),
        ({"premises_id": uuid4()}, "assembly_of_premises"),
        ({"status": "untested"}, "standing_by_due_day"),
        ({"tester_id": uuid4()}, "report_of_tester"),
        ({"area": Area(west=-120, south=40, east=-119.99, north=40.005)}, "premises_by_place"),
        ({"area": Area(west=179.9, south=-18, east=-179.9, north=-17)}, "premises_by_place"),
    ],
)
@pytest.mark.parametrize("head", ["lines", "things"])
def test_a_hot_list_reads_its_index(filled: Database, head: str, asked: dict[str, Any], index: str) -> None:
    told = plan(filled, head=head, **asked)
    assert index in told, told
    assert "Seq Scan" not in told, told


@pytest.mark.parametrize("status", ["overdue", "due_soon"])
def test_the_most_pressing_come_off_the_index_in_order(filled: Database, status: str) -> None:
    told = plan(filled, status=status, by_due_on=True)
    assert "Sort" not in told, told
    # The page begins where it should, and does not pass over the pages before it: not even row security keeps the days out of the index.
    condition = re.search(r"standing_by_due_day on standing s .*\n\s+Index Cond: (.*)", told)
    assert condition is not None, told
    assert "ROW(due_on, assembly_id)" in condition[1], told
    assert re.search(r"\(due_on <=? ", condition[1]), told


def test_what_a_standing_rests_on_is_read_from_indexes_however_many_incidents_there_are(filled: Database) -> None:
    """The report path asks this under the log's lock."""

    async def fill(owner: Any) -> None:
        await owner.execute("SET session_replication_role = replica")
        await owner.execute(
            "INSERT INTO record.incident_version SELECT 'many', md5('i' || n)::uuid, 1, now(), md5('o')::uuid, md5('k')::uuid, now(), $1, true, '{}' "
            "FROM generate_series(1, 5000) n", TODAY,
        )  # fmt: skip
        await owner.execute(
            "INSERT INTO record.incident_reach SELECT 'many', md5('i' || n)::uuid, 1, m, CASE WHEN m < 9 THEN md5('a' || n * m)::uuid END, "
            "CASE WHEN m = 9 THEN md5('p' || n)::uuid END FROM generate_series(1, 5000) n, generate_series(1, 9) m"
        )
        await owner.execute("ANALYZE record.incident_version, record.incident_reach")

    async def explained(service: Any) -> str:
        await service.execute("SELECT set_config('nonreturn.utility', 'many', false)")
        sql = statements("reports")["standing_facts"]
        some = [uuid4() for _ in range(64)]
        return "\n".join(row[0] for row in await service.fetch(f"EXPLAIN {sql}", "many", some, None, None))

    ask(filled.owner_dsn, fill)
    told = str(ask(filled.dsn, explained))
    assert {"incident_reach_of_assembly", "incident_reach_of_premises"} <= set(re.findall(r"incident_reach_of_\w+", told)), told
    assert "Seq Scan" not in told, told
