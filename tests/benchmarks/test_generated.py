"""What measurements fill a utility with stands up to the service's own examination: a large record made wrong would measure nothing."""

import asyncio
import datetime as dt
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from service import signing
from service.db.pool import Pool
from service.ledger.audit import audit
from service.ledger.store import LogStore
from service.record.reports.rejudging import rejudge_reports
from service.record.reports.store import ReportStore
from service.record.standings.work_out import differing_standings
from tests.support import fill as filling
from tests.support.databases import Database, ask, fresh_database, in_thread
from tests.support.fill import UNTESTED, Filling
from tests.support.world import SIGNING_KEYS

NOW = dt.datetime(2026, 6, 1, 19, tzinfo=dt.UTC)
ASSEMBLIES, YEARS = 400, 5
REGISTERED = ASSEMBLIES + ASSEMBLIES // UNTESTED
CODE = "town"


@pytest.fixture(scope="module", params=[100_000, 0], ids=["indexes kept", "indexes made afterwards"])
def filled(postgres: Any, template: str, request: pytest.FixtureRequest) -> Any:
    """A generated utility, in a database of its own."""

    async def fill(owner: Any) -> None:
        await Filling(owner, CODE, NOW, assemblies=ASSEMBLIES, years=YEARS).run()

    with fresh_database(postgres, template) as database, pytest.MonkeyPatch.context() as patched:
        patched.setattr(filling, "FEW", request.param)
        ask(database.owner_dsn, fill)
        yield database


def examined(filled: Database, act: Callable[[Pool], Awaitable[Any]]) -> Any:
    """What `act` returns, as the service sees the utility."""

    async def asked() -> Any:
        pool = await Pool.open(filled.dsn, size=2)
        try:
            return await act(pool)
        finally:
            await pool.close()

    return in_thread(lambda: asyncio.run(asked()))


def test_the_audit_finds_nothing(filled: Database) -> None:
    found = examined(filled, lambda pool: audit(LogStore(pool), signing.parse(SIGNING_KEYS), CODE, [], lambda _done, _of: None))
    assert (found.reports, found.troubles, found.notes) == (ASSEMBLIES * YEARS, [], [])


def test_judged_again_every_report_gets_the_same_verdict(filled: Database) -> None:
    count, differing = examined(filled, lambda pool: rejudge_reports(ReportStore(pool), CODE))
    assert (count, differing) == (ASSEMBLIES * YEARS, [])
    outcomes = {row[0]: row[1] for row in filled.owner("SELECT outcome, count(*) FROM record.report GROUP BY 1")}
    assert outcomes["pass"] > 100 * outcomes["fail"] / 4 > 0


def test_worked_out_again_every_standing_is_the_same(filled: Database) -> None:
    async def differing(pool: Pool) -> tuple[int, list[Any]]:
        store = ReportStore(pool)
        ids = await store.assembly_ids(CODE)
        async with store.recording(CODE) as recording:
            return len(ids), await differing_standings(recording, ids)

    assert examined(filled, differing) == (REGISTERED, [])
    statuses = {row[0] for row in filled.owner("SELECT DISTINCT status FROM record.standing")}
    assert statuses == {"current", "failed", "untested", "out_of_service"}


def test_every_reference_leads_somewhere(filled: Database) -> None:
    """Triggers rested, and they are what checks references: Postgres is asked to check each of them again."""

    async def checked(owner: Any) -> int:
        keys = await owner.fetch(
            "SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid) FROM pg_constraint "
            "WHERE contype = 'f' AND connamespace = 'record'::regnamespace"
        )
        transaction = owner.transaction()
        await transaction.start()
        for table, name, key in keys:
            await owner.execute(f"ALTER TABLE {table} DROP CONSTRAINT {name}")
            await owner.execute(f"ALTER TABLE {table} ADD CONSTRAINT {name} {key}")
        await transaction.rollback()
        return len(keys)

    assert ask(filled.owner_dsn, checked) > 0


def test_the_feed_states_every_row_in_its_last_version_without_a_gap(filled: Database) -> None:
    assert [
        tuple(row)
        for row in filled.owner(
            "SELECT count(*), max(sequence), (SELECT changes FROM record.utility_log) FROM record.change HAVING count(*) = count(DISTINCT sequence)"
        )
    ] == [(count := 3 * REGISTERED + 2 * 20 + 2 + 2 * ASSEMBLIES * YEARS, count, count)]
    for resource, table, key in (
        ("premises", "premises", "id"),
        ("assemblies", "assembly", "id"),
        ("testers", "tester", "id"),
        ("gauges", "gauge", "id"),
        ("standings", "standing", "assembly_id"),
        ("exceptions", "exception", "id"),
    ):
        [[missing]] = filled.owner(
            f"SELECT count(*) FROM record.{table} t LEFT JOIN (SELECT id, max(version) AS version FROM record.change WHERE resource = $1 GROUP BY id) c "  # noqa: S608 - our own names
            f"ON c.id = t.{key}::text WHERE t.version IS DISTINCT FROM c.version",
            resource,
        )
        assert missing == 0, resource
    [[out_of_order]] = filled.owner(
        "SELECT count(*) FROM (SELECT recorded_at < lag(recorded_at) OVER (ORDER BY sequence) AS back FROM record.change) c WHERE back"
    )
    assert out_of_order == 0


def test_no_index_is_lost(filled: Database, postgres: Any, template: str) -> None:
    listed = "SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = 'record' ORDER BY 1"
    with fresh_database(postgres, template) as fresh:
        assert filled.owner(listed) == fresh.owner(listed)
