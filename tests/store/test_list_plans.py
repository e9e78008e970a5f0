"""The hot lists are read from their indexes, not by going through a utility's whole record."""

import datetime as dt
from typing import Any
from uuid import uuid4

import pytest

from service.store.standings import Wanted, _composed
from tests.conftest import Database, ask

TODAY = dt.date(2026, 6, 1)
ASSEMBLIES = 20_000


@pytest.fixture(scope="module")
def filled(database: Database) -> Database:
    """A utility of many assemblies, one in twenty overdue and one in a thousand without protection."""

    async def fill(owner: Any) -> None:
        await owner.execute("SET session_replication_role = replica")
        await owner.execute("INSERT INTO record.utility VALUES ('many', 1, now(), now(), 'Water', 'us-wa', 'UTC', 30)")
        await owner.execute(
            "INSERT INTO record.premises (utility_id, id, version, created_at, changed_at, name, address, connection) "
            "SELECT 'many', md5('p' || n)::uuid, 1, now(), now(), 'P', 'A', 'fire' FROM generate_series(1, $1::int) n", ASSEMBLIES,
        )  # fmt: skip
        await owner.execute(
            "INSERT INTO record.assembly (utility_id, id, version, created_at, changed_at, premises_id, kind, hazard, purpose, in_service) "
            "SELECT 'many', md5('a' || n)::uuid, 1, now(), now(), md5('p' || n)::uuid, 'rp', 'health', 'point_of_use', true "
            "FROM generate_series(1, $1::int) n", ASSEMBLIES,
        )  # fmt: skip
        await owner.execute(
            "INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis) "
            "SELECT 'many', md5('a' || n)::uuid, 1, $2::date - 20 + n % 400, json_build_object('status', "
            "CASE WHEN n % 1000 = 0 THEN 'failed' ELSE 'current' END, 'protection', CASE WHEN n % 1000 = 0 THEN 'lost' ELSE 'full' END)::text "
            "FROM generate_series(1, $1::int) n", ASSEMBLIES, TODAY,
        )  # fmt: skip
        await owner.execute("ANALYZE")

    ask(database.owner_dsn, fill)
    return database


def plan(filled: Database, **asked: Any) -> str:
    """The plan of a page, as the service's role is given it."""
    wanted = Wanted(today=TODAY, soon=TODAY + dt.timedelta(days=30), **asked)
    sql, arguments = _composed("many", wanted, (TODAY - dt.timedelta(days=15), uuid4()) if asked.get("by_due_on") else None, 101)

    async def explained(service: Any) -> str:
        await service.execute("SELECT set_config('nonreturn.utility', 'many', false)")
        return "\n".join(row[0] for row in await service.fetch(f"EXPLAIN {sql}", *arguments))

    return str(ask(filled.dsn, explained))


@pytest.mark.parametrize(
    ("asked", "index"),
    [
        ({"status": "overdue", "by_due_on": True}, "standing_by_status"),
        ({"status": "due_soon", "by_due_on": True}, "standing_by_status"),
        ({"status": "failed"}, "standing_by_status"),
        ({"protection": "lost"}, "standing_unprotected"),
        ({"premises_id": uuid4()}, "assembly_of_premises"),
    ],
)
def test_a_hot_list_reads_its_index(filled: Database, asked: dict[str, Any], index: str) -> None:
    told = plan(filled, **asked)
    assert index in told, told
    assert "Seq Scan" not in told, told


@pytest.mark.parametrize("status", ["overdue", "due_soon"])
def test_the_most_pressing_come_off_the_index_in_order(filled: Database, status: str) -> None:
    assert "Sort" not in plan(filled, status=status, by_due_on=True)
