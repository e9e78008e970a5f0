"""Statements of a utility that the database's statistics do not know: each touches as many rows as it names, not its whole record.

A second utility is loaded into a database that was analysed while there was one. The planner then takes each of its tables for empty, and
every way through it for equally good: a statement that joined two such tables took 1.5 million look-ups for 1,200 assemblies.
"""

import asyncio
import datetime as dt
import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from typing import Any
from uuid import UUID

import pytest

from service.db.embedded import EmbeddedPostgres
from service.db.pool import Pool
from service.db.statements import statements
from service.record.reports.store import STANDING_FACTS, ReportsWanted, reports_statement
from service.record.standings.store import Area, Wanted, _composed
from service.registry import schemas
from service.registry.finding import FEW
from service.registry.schemas import Assembly, Found, Gauge, Premises
from service.registry.store import list_statement
from tests.support.databases import Database, ask, fresh_database, in_thread

KNOWN, UNKNOWN = "one", ["two", "three", "ten"]
SIZE = 8_000
GROUP = 200
TODAY = dt.date(2026, 6, 1)

_FILL = [
    "INSERT INTO record.utility VALUES ($1, 1, now(), now(), 'Water', 'us-wa', 'UTC', 30)",
    "INSERT INTO record.utility_log VALUES ($1, {size}, {size})",
    (
        "INSERT INTO record.premises (utility_id, id, version, created_at, changed_at, reference, name, address, connection) "
        "SELECT $1, md5('p' || n)::uuid, 1, now(), now(), 'C-' || n, 'P', 'A', 'fire' FROM generate_series(1, {size}) n"
    ),
    (
        "INSERT INTO record.assembly (utility_id, id, version, created_at, changed_at, premises_id, kind, hazard, purpose, serial_number, in_service) "
        "SELECT $1, md5('a' || n)::uuid, 1, now(), now(), md5('p' || n)::uuid, 'rp', 'health', 'point_of_use', 'S-' || n, true FROM generate_series(1, {size}) n"
    ),
    (
        "INSERT INTO record.tester (utility_id, id, version, created_at, changed_at, name, certificates) "
        "SELECT $1, md5('t' || n)::uuid, 1, now(), now(), 'T', '[]' FROM generate_series(1, {size} / 20) n"
    ),
    (
        "INSERT INTO record.gauge (utility_id, id, version, created_at, changed_at, serial_number, units, accuracy, resolution, calibrations) "
        "SELECT $1, md5('g' || n)::uuid, 1, now(), now(), 'G-' || n, jsonb_build_object('pressure', 'psi'), 0.2, 0.1, '[]' FROM generate_series(1, {size} / 20) n"
    ),
    (
        "INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis) SELECT $1, md5('a' || n)::uuid, 1, $2::date + n % 400, "
        "json_build_object('status', 'current', 'protection', 'full', 'report_id', md5('r' || n)::uuid)::text FROM generate_series(1, {size}) n"
    ),
    (
        "INSERT INTO record.report (utility_id, id, log_index, assembly_id, tester_id, gauge_id, performed_at, performed_on, received_at, "
        "reason, organisation_id, key_id, content_hash, content, judged, verdict, outcome, protection, acceptance, rulebook, rulebook_digest) "
        "SELECT $1, md5('r' || n)::uuid, n - 1, md5('a' || n)::uuid, md5('t' || n % 300)::uuid, md5('g' || n % 300)::uuid, $2::date, $2::date, now(), "
        "'periodic', md5('o')::uuid, md5('k')::uuid, '', '', '', '{{}}', 'pass', 'full', 'accepted', 'us-wa', '' FROM generate_series(1, {size}) n"
    ),
    "INSERT INTO record.report_flag SELECT $1, 'near_limit', n - 1 FROM generate_series(1, {size}, 40) n",
    "INSERT INTO record.word SELECT $1, 'premises', 'c' || n, md5('p' || n)::uuid FROM generate_series(1, {size}) n",
    "INSERT INTO record.word SELECT $1, 'premises', 'mill', md5('p' || n)::uuid FROM generate_series(1, {size}) n",
    "INSERT INTO record.word SELECT $1, 'assembly', 's' || n, md5('a' || n)::uuid FROM generate_series(1, {size}) n",
    "INSERT INTO record.report_request SELECT $1, md5('o')::uuid, 'k' || n, md5('r' || n)::uuid FROM generate_series(1, {size}) n",
    (
        "INSERT INTO record.incident_version (utility_id, incident_id, version, recorded_at, organisation_id, key_id, occurred_on, occurred_at, counts, content) "
        "SELECT $1, md5('i' || n)::uuid, 1, now(), md5('o')::uuid, md5('k')::uuid, $2::date, $2::date, true, '{{}}' FROM generate_series(1, {size} / 20) n"
    ),
    (
        "INSERT INTO record.incident_reach (utility_id, incident_id, version, place, assembly_id) "
        "SELECT $1, md5('i' || n)::uuid, 1, 0, md5('a' || n)::uuid FROM generate_series(1, {size} / 20) n"
    ),
    "INSERT INTO record.import_version VALUES ($1, md5('m')::uuid, 1, now(), 'written', NULL, NULL, '{{}}', md5('o')::uuid, md5('k')::uuid)",
    "INSERT INTO record.import_thing SELECT $1, md5('m')::uuid, 'assembly', md5('a' || n)::uuid, 1, NULL FROM generate_series(1, {size}) n",
    "INSERT INTO record.import_reports SELECT $1, md5('m')::uuid, n * 500, n * 500 + 500 FROM generate_series(0, {size} / 500 - 1) n",
]


@pytest.fixture(scope="module")
def utilities(database: Database) -> Database:
    """One utility that the statistics know, and three that came later."""
    _fill_with(database, (KNOWN, *UNKNOWN))
    return database


@pytest.fixture(scope="module")
def never_analysed(postgres: EmbeddedPostgres, template: str) -> Iterator[Database]:
    """A database that has no statistics at all, as it is while the first utility goes live."""
    with fresh_database(postgres, template) as database:
        _fill_with(database, UNKNOWN[:1])
        yield database


def _fill_with(database: Database, codes: Sequence[str]) -> None:
    async def fill(owner: Any) -> None:
        await owner.execute("SET session_replication_role = replica")
        for table in await owner.fetch(
            "SELECT oid::regclass AS name FROM pg_class WHERE relnamespace = 'record'::regnamespace AND relkind = 'r'"
        ):
            await owner.execute(f"ALTER TABLE {table['name']} SET (autovacuum_enabled = false)")
        for code in codes:
            for statement in _FILL:
                sql = statement.format(size=SIZE).replace("$1", f"'{code}'").replace("$2", f"'{TODAY}'")
                await owner.execute(sql)
            if code == KNOWN:
                await owner.execute("ANALYZE")

    ask(database.owner_dsn, fill)


def ids(letter: str, many: int = GROUP) -> list[UUID]:
    """As Postgres makes them in the fixture."""
    return [UUID(hashlib.md5(f"{letter}{n}".encode(), usedforsecurity=False).hexdigest()) for n in range(1, many + 1)]


def _page(**wanted: Any) -> Callable[[str], tuple[str, list[Any]]]:
    return lambda code: _composed("lines", code, Wanted(today=TODAY, soon=TODAY, **wanted), None, 101)


REPORTS, STANDINGS, IMPORTS = (statements(f"service.{name}.store") for name in ("record.reports", "record.standings", "imports"))
REGISTRY, FINDING = statements("service.registry.store"), statements("service.registry.finding")
MOMENT = dt.datetime.combine(TODAY, dt.time(), dt.UTC)
RUNS = statements("service.imports.runs")
IMPORT = UUID(hashlib.md5(b"m", usedforsecurity=False).hexdigest())
HOT: dict[str, Callable[[str], tuple[str, list[Any]]]] = {
    "standing facts": lambda code: (STANDING_FACTS, [code, ids("a"), None, None]),
    "history": lambda code: (REPORTS["history"], [code, ids("a"), ids("r")]),
    "history by a moment": lambda code: (STANDINGS["history_by"], [code, ids("a"), None]),
    "outcomes": lambda code: (REPORTS["outcomes"], [code, ids("r")]),
    "requests": lambda code: (REPORTS["requests"], [code, [f"k{n}" for n in range(GROUP)]]),
    "assemblies of premises": lambda code: (REPORTS["assemblies_of_premises"], [code, ids("p")[0]]),
    "a report": lambda code: (REPORTS["report"].format(gauge="NOT NULL"), [code, ids("r")[0]]),
    "premises by mark": lambda code: (IMPORTS["find_premises"], [code, [f"C-{n}" for n in range(GROUP)], ids("p")]),
    "assemblies by mark": lambda code: (IMPORTS["find_assembly"], [code, [f"S-{n}" for n in range(GROUP)], ids("a")]),
    "gauges by mark": lambda code: (IMPORTS["find_gauge"], [code, [f"G-{n}" for n in range(GROUP)], ids("g")]),
    "recorded reports of assemblies": lambda code: (IMPORTS["recorded"], [code, ids("a")]),
    "reports by id": lambda code: (IMPORTS["reports"], [code, ids("r")]),
    "versions of assemblies": lambda code: (IMPORTS["versions_assembly"], [code, ids("a")]),
    "what an undo retired": lambda code: (RUNS["retired_by_undo"], [code, ids("a")]),
    "reports of an import to void": lambda code: (RUNS["to_void"], [code, 0, GROUP]),
    "what an import registered": lambda code: (RUNS["things"], [code, IMPORT, "assembly", None, GROUP]),
    "what of it an import registered": lambda code: (RUNS["made"], [code, IMPORT, ids("a")]),
    "reports of an assembly": lambda code: reports_statement(code, ReportsWanted(assembly_id=ids("a")[0]), after=-1, limit=101),
    "reports in order": lambda code: reports_statement(code, ReportsWanted(), after=-1, limit=101),
    "registered premises": lambda code: list_statement(Premises, code, after=None, limit=101),
    "registered assemblies": lambda code: list_statement(Assembly, code, after=ids("a")[0], limit=101),
    "a registered assembly": lambda code: (REGISTRY["get"].format(table="assembly"), [code, ids("a")[0]]),
    "expiring testers": lambda code: list_statement(schemas.Tester, code, after=ids("t")[0], limit=101, expires_before=TODAY),
    "expiring gauges": lambda code: list_statement(Gauge, code, after=None, limit=101, expires_before=TODAY),
    "found premises": lambda code: list_statement(Premises, code, after=ids("p")[3], limit=101, found=Found(ids=ids("p"))),
    "premises with common words": lambda code: list_statement(
        Premises, code, after=None, limit=101, found=Found(lows=["mill", "c"], highs=["milm", "d"])
    ),
    "few of a word": lambda code: (FINDING["by_word"], [code, "premises", "c77", "c78", FEW + 1]),
    "assemblies of a word": lambda code: (FINDING["assembly_by_word"], [code, "assembly", "s77", "s78", FEW + 1]),
    "assemblies of a common word": lambda code: (FINDING["assembly_by_word"], [code, "assembly", "mill", "milm", FEW + 1]),
    "premises by reference": lambda code: (FINDING["premises_reference"], [code, "C-7", FEW + 1]),
    "assemblies by reference": lambda code: (FINDING["assembly_reference"], [code, "C-7", FEW + 1]),
    "assemblies by serial number": lambda code: (FINDING["assembly_serial_number"], [code, "S-7", FEW + 1]),
    "assemblies by number": lambda code: (FINDING["assembly_assembly_number"], [code, "7", FEW + 1]),
    "assemblies by meter": lambda code: (FINDING["assembly_meter"], [code, "7", FEW + 1]),
    "gauges by serial number": lambda code: (FINDING["gauge_serial_number"], [code, "G-7", FEW + 1]),
    "testers by certificate": lambda code: (FINDING["tester_certificate"], [code, "T-7", FEW + 1]),
    "a page of found assemblies": lambda code: _composed("lines", code, Wanted(today=TODAY, soon=TODAY, ids=ids("a")), None, 101),
    "a page of found assemblies by due day": lambda code: _composed(
        "lines", code, Wanted(today=TODAY, soon=TODAY, ids=ids("a"), by_due_on=True, status="current"), (TODAY, ids("a")[0]), 101
    ),
    "a page of assemblies with a common word": _page(lows=["mill"], highs=["milm"]),
    "failing reports": lambda code: reports_statement(code, ReportsWanted(outcome="fail"), after=3, limit=101),
    "held reports": lambda code: reports_statement(code, ReportsWanted(acceptance="held"), after=3, limit=101),
    "reports of a flag": lambda code: reports_statement(code, ReportsWanted(flag="near_limit"), after=3, limit=101, content=True),
    "reports of a tester": lambda code: reports_statement(code, ReportsWanted(tester_id=ids("t")[0]), after=0, limit=101),
    "reports of a gauge": lambda code: reports_statement(code, ReportsWanted(gauge_id=ids("g")[0]), after=0, limit=101),
    "reports of days": lambda code: reports_statement(
        code, ReportsWanted(performed_from=TODAY, performed_before=TODAY + dt.timedelta(days=2)), after=7000, limit=101
    ),
    "reports received": lambda code: reports_statement(
        code, ReportsWanted(received_from=MOMENT, received_before=MOMENT + dt.timedelta(days=9_999)), after=7000, limit=101
    ),
    "a page of assemblies": _page(),
    "a page by due day": _page(status="current", by_due_on=True),
    "a page of premises": _page(premises_id=ids("p")[0]),
    "a page of a kind": _page(kind="rp"),
    "a page of a tester": _page(tester_id=ids("t")[0]),
    "a page of failed ones": _page(status="failed"),
    "a page of unprotected ones": _page(protection="lost"),
    "a page of an area": _page(area=Area(west=-120, south=40, east=-119.99, north=40.005)),
    "a page of an area by assemblies' own place": lambda code: _composed(
        "lines",
        code,
        Wanted(today=TODAY, soon=TODAY, area=Area(west=-120, south=40, east=-119, north=41)),
        None,
        101,
        place="assembly",
    ),
}


def rows_of(node: dict[str, Any]) -> float:
    """How many rows a plan's nodes read, together: those that they passed on, and those that they looked at and dropped."""
    removed = (
        node.get("Rows Removed by Filter", 0)
        + node.get("Rows Removed by Join Filter", 0)
        + node.get("Rows Removed by Index Recheck", 0)
    )
    own = (node["Actual Rows"] + removed) * node["Actual Loops"]
    return float(own + sum(rows_of(inner) for inner in node.get("Plans", [])))


def lines_of(node: dict[str, Any], depth: int = 0) -> list[str]:
    """A plan to read, a line a node."""
    where = node.get("Index Name", node.get("Relation Name", ""))
    line = f"{'  ' * depth}{node['Node Type']} {where} {node.get('Index Cond', '')}: {node['Plan Rows']} expected, {node['Actual Rows']} x {node['Actual Loops']}"
    return [line, *(below for inner in node.get("Plans", []) for below in lines_of(inner, depth + 1))]


def literal(value: Any) -> str:
    """An argument as SQL; its type is the parameter's."""
    if value is None:
        return "NULL"
    text = "{" + ",".join(str(item) for item in value) + "}" if isinstance(value, list) else str(value)
    return "'" + text.replace("'", "''") + "'"


def explained(database: Database, code: str, sql: str, arguments: list[Any]) -> dict[str, Any]:
    """The plan that a pool's connection runs, with what it did."""

    async def run() -> Any:
        pool = await Pool.open(database.dsn, size=1)
        try:
            async with pool.lend(code, by_key=True) as connection:
                await connection.execute("SET statement_timeout = '5s'")
                await connection.execute(f"PREPARE hot AS {sql.rstrip().rstrip(';')}")
                return await connection.fetchval(
                    f"EXPLAIN (ANALYZE, TIMING OFF, FORMAT JSON) EXECUTE hot ({', '.join(map(literal, arguments))})"
                )
        finally:
            await pool.close()

    return dict(json.loads(in_thread(lambda: asyncio.run(run())))[0]["Plan"])


@pytest.mark.parametrize("code", [KNOWN, *UNKNOWN])
@pytest.mark.parametrize("name", HOT)
def test_a_statement_reads_what_it_names_and_no_more(utilities: Database, code: str, name: str) -> None:
    plan = explained(utilities, code, *HOT[name](code))
    assert rows_of(plan) <= 30 * GROUP, "\n" + "\n".join(lines_of(plan))


GOING_LIVE = [
    "standing facts",
    "history",
    "history by a moment",
    "premises by mark",
    "assemblies by mark",
    "recorded reports of assemblies",
    "reports by id",
    "versions of assemblies",
    "what an undo retired",
    "what of it an import registered",
]
"""What an import asks while the first utility goes live."""


@pytest.mark.parametrize("name", GOING_LIVE)
def test_so_it_does_where_nothing_was_ever_analysed(never_analysed: Database, name: str) -> None:
    plan = explained(never_analysed, UNKNOWN[0], *HOT[name](UNKNOWN[0]))
    assert rows_of(plan) <= 30 * GROUP, "\n" + "\n".join(lines_of(plan))
