"""Fills a utility with assemblies and years of reports by COPY, as the database's owner, with the standings and the feed that follow.

What stands there afterwards is what the service would have written: rows, hashes, standings, numbers of log and feed. Triggers rest while it
runs, and the indexes of a table that was empty are made after it is full. It is one transaction, so a utility is there whole or not at all.
"""

import datetime as dt
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import asynccontextmanager
from itertools import islice
from typing import Any

import asyncpg
import msgspec

from service.record.reports import rests
from service.record.reports.rests import RestsOn
from service.record.reports.rows import AssemblyRow, ReportRow, StandingRow
from service.record.standings.work_out import standing_from, standing_row, work_out
from service.registry.schemas import UtilityOnRecord
from tests.support import documents
from tests.support.invented import (
    EXCEPTION,
    GAUGE,
    INCIDENT,
    ORGANISATION,
    PREMISES,
    TESTER,
    Reports,
    assembly_id,
    id_of,
    kind_of,
)

AT_ONCE = 20_000
REPORT_SECONDS = 10
LEAST_FREE = 10 * 2**30
"""The bytes that filling leaves free on the disk; it ends before there are fewer."""
FEW = 100_000
"""Up to so many assemblies the indexes stay while the rows come."""
UNTESTED = 250
"""For so many assemblies with reports there is one more that was never tested, and one of them is out of service."""
FILLED = ("premises", "assembly", "tester", "gauge", "report", "standing", "change", "incident", "exception", "utility_log")
_INDEXES = """
    SELECT i.indexrelid::regclass::text AS name, pg_get_indexdef(i.indexrelid) AS made FROM pg_index i JOIN pg_class t ON t.oid = i.indrelid
    WHERE t.relnamespace = 'record'::regnamespace AND t.relname = ANY ($1) AND NOT i.indisunique ORDER BY 1
"""


def utility_of(code: str, now: dt.datetime) -> UtilityOnRecord:
    """A utility that judges by the rules of Washington."""
    return UtilityOnRecord(
        code=code,
        version=1,
        created_at=now,
        changed_at=now,
        name=f"{code} water",
        rulebook="us-wa",
        time_zone="America/Los_Angeles",
        due_soon_days=30,
    )


class _Progress:
    """Shows how far a table is, on standard error: in one line that is written over at a terminal, else every ten seconds."""

    def __init__(self, what: str, total: int) -> None:
        self._what, self._total, self._begun = what, total, time.monotonic()
        self._reported = self._begun

    def at(self, done: int) -> None:
        now = time.monotonic()
        if self._total <= AT_ONCE or (now - self._reported < REPORT_SECONDS and done < self._total):
            return
        self._reported = now
        line = f"{self._what}: {done:,} of {self._total:,}, {done / max(now - self._begun, 1e-6):,.0f} a second"
        print(
            f"\r{line}" if sys.stderr.isatty() and done < self._total else line,
            end="" if sys.stderr.isatty() and done < self._total else "\n",
            file=sys.stderr,
            flush=True,
        )


class Filling:
    """One utility on its way in."""

    def __init__(self, connection: Any, code: str, now: dt.datetime, *, assemblies: int, years: int) -> None:
        self._connection = connection
        self._code = code
        self._now = now.replace(microsecond=0)
        self.utility = utility_of(code, self._now)
        self._reports = Reports(self.utility, self._now, assemblies=assemblies, years=years)
        self._assemblies = assemblies + assemblies // UNTESTED
        self._registered_at = self._now - dt.timedelta(days=(years + 2) * 365)

    async def run(self) -> None:
        """Fill it."""
        self._folder = await self._connection.fetchval("SELECT current_setting('data_directory')")
        async with self._connection.transaction():
            await self._connection.execute("SET LOCAL session_replication_role = replica")
            await self._connection.execute("SET LOCAL maintenance_work_mem = '512MB'")
            async with self._indexes_later():
                await self._register()
                await self._report()
        for table in FILLED:
            await self._connection.execute(f"VACUUM (ANALYZE) record.{table}")

    @asynccontextmanager
    async def _indexes_later(self) -> Any:
        later = []
        if self._assemblies > FEW and not await self._connection.fetchval("SELECT EXISTS (SELECT FROM record.report)"):
            later = await self._connection.fetch(_INDEXES, list(FILLED))
        for index in later:
            await self._connection.execute(f"DROP INDEX {index['name']}")
        yield
        for index in later:
            print(f"{self._code}: {index['name']}", file=sys.stderr, flush=True)
            await self._connection.execute(index["made"])

    async def _copy(self, table: str, columns: str, rows: Iterator[tuple[Any, ...]], total: int) -> None:
        progress = _Progress(f"{self._code}: {table}", total)
        done = 0
        while some := list(islice(rows, AT_ONCE)):
            if shutil.disk_usage(self._folder).free < LEAST_FREE:
                raise RuntimeError("The disk is nearly full; nothing of this utility is kept.")
            await self._connection.copy_records_to_table(table, schema_name="record", records=some, columns=columns.split())
            done += len(some)
            progress.at(done)

    async def _register(self) -> None:
        code, reports, at = self._code, self._reports, self._registered_at
        kept = (1, at, at)
        await self._connection.execute(
            "INSERT INTO record.utility VALUES ($1, 1, $2, $2, $3, 'us-wa', 'America/Los_Angeles', 30)",
            code,
            at,
            self.utility.name,
        )
        # The directory of utilities is a trigger's work too.
        await self._connection.execute("INSERT INTO access.utility VALUES ($1) ON CONFLICT DO NOTHING", code)
        common = "utility_id id version created_at changed_at"
        count, people = self._assemblies, reports.people
        await self._copy(
            "premises",
            f"{common} name address connection location",
            (
                (code, id_of(PREMISES, n), *kept, f"Plot {n}", f"{n} Sluice Lane", "non_residential", place_of(n, count))
                for n in range(count)
            ),
            count,
        )
        await self._copy(
            "assembly",
            f"{common} premises_id kind hazard purpose serial_number in_service",
            (
                (
                    code,
                    assembly_id(n),
                    *kept,
                    id_of(PREMISES, n),
                    kind,
                    documents.hazard_of(kind),
                    "premises_isolation",
                    f"S-{n}",
                    in_service(n),
                )
                for n in range(count)
                for kind in [kind_of(n)]
            ),
            count,
        )
        await self._copy(
            "tester",
            f"{common} name certificates",
            ((code, id_of(TESTER, n), *kept, f"Tester {n}", documents.CERTIFICATES) for n in range(people)),
            people,
        )
        calibrations = msgspec.json.encode([{"calibrated_on": day} for day in reports.calibrated_on]).decode()
        await self._copy(
            "gauge",
            f"{common} serial_number units accuracy resolution calibrations",
            ((code, id_of(GAUGE, n), *kept, f"G-{n}", '{"pressure": "psi"}', 0.2, 0.1, calibrations) for n in range(people)),
            people,
        )
        # One for each 1 000 assemblies that came to nothing, and so touched no standing, and an exception for each 200.
        away = self._now - dt.timedelta(days=200)
        await self._copy(
            "incident",
            f"{common} occurred_at occurred_on status description assemblies premises",
            (
                (
                    code,
                    id_of(INCIDENT, n),
                    *kept,
                    away,
                    away.date(),
                    "unfounded",
                    "Brown water was seen.",
                    [assembly_id(n * 1000)],
                    [],
                )
                for n in range(count // 1000)
            ),
            count // 1000,
        )
        await self._copy(
            "exception",
            f"{common} assembly_id since until reason because granted_by organisation_id key_id",
            (
                (
                    code,
                    id_of(EXCEPTION, n),
                    *kept,
                    assembly_id(n * 200),
                    away.date(),
                    away.date() + dt.timedelta(days=90),
                    "premises_empty",
                    "Nobody is there.",
                    "Superintendent",
                    ORGANISATION,
                    ORGANISATION,
                )
                for n in range(count // 200)
            ),
            count // 200,
        )

    async def _report(self) -> None:
        code, reports = self._code, self._reports
        count = reports.assemblies * reports.years
        columns = ("utility_id", "log_index", *ReportRow.__struct_fields__)
        rows = ((code, index, *fields(reports.row(n, year))) for index, (n, year) in enumerate(reports.in_order()))
        await self._copy("report", " ".join(columns), rows, count)
        kept = "utility_id assembly_id version due_on basis rests_version rests_on latest_at"
        await self._copy("standing", kept, self._standings(), self._assemblies)
        numbered = enumerate(self._changes(), 1)
        changes = 0

        def counted() -> Iterator[tuple[Any, ...]]:
            nonlocal changes
            for changes, (what, thing, version, at) in numbered:
                yield code, changes, what, str(thing), version, at

        await self._copy(
            "change", "utility_id sequence resource id version recorded_at", counted(), 3 * self._assemblies + 2 * count
        )
        await self._connection.execute("INSERT INTO record.utility_log VALUES ($1, $2, $3)", code, changes, count)

    def _changes(self) -> Iterator[tuple[str, object, int, dt.datetime]]:
        """The feed: the register, with the standing that each assembly begins with, then each report with the standing that it gave."""
        reports, at = self._reports, self._registered_at
        for what, which, many in (
            ("premises", PREMISES, self._assemblies),
            ("testers", TESTER, reports.people),
            ("gauges", GAUGE, reports.people),
        ):
            yield from ((what, id_of(which, n), 1, at) for n in range(many))
        for n in range(self._assemblies):
            yield "assemblies", assembly_id(n), 1, at
            yield "standings", assembly_id(n), 1, at
        yield from (("incidents", id_of(INCIDENT, n), 1, at) for n in range(self._assemblies // 1000))
        yield from (("exceptions", id_of(EXCEPTION, n), 1, at) for n in range(self._assemblies // 200))
        for n, year in reports.in_order():
            received_at = reports.performed_at(n, year)
            yield "reports", reports.id(n, year), 1, received_at
            yield "standings", assembly_id(n), year + 2, received_at

    def _standings(self) -> Iterator[tuple[Any, ...]]:
        for n in range(self._assemblies):
            row = standing_row(assembly_id(n), work_out(self.utility, known_of(n, self._registered_at), self._reports.history(n)))
            kept, version = rests.kept(row, self._reports.rests_on(n)), 1 + self._reports.many(n)
            yield self._code, kept.assembly_id, version, kept.due_on, kept.basis, version, kept.rests_on, kept.latest_at


def place_of(n: int, assemblies: int) -> str:
    """Where those premises are: a square town of as many plots as it has assemblies, each about 50 m from the next."""
    side = max(1, int(assemblies**0.5))
    return f'{{"latitude": {45 + n // side * 0.0005:.4f}, "longitude": {-123 + n % side * 0.0005:.4f}}}'


def in_service(number: int) -> bool:
    """Whether that assembly serves."""
    return number % UNTESTED != 7


def known_of(number: int, created_at: dt.datetime) -> AssemblyRow:
    """What the register knows of that assembly, registered at that moment."""
    kind = kind_of(number)
    return AssemblyRow(
        basis=None,
        kind=kind,
        hazard=documents.hazard_of(kind),
        purpose="premises_isolation",
        backpressure_possible=None,
        in_plant_air_gap=None,
        installed_on=None,
        in_service=in_service(number),
        connection="non_residential",
        created_at=created_at,
    )


def fields(row: ReportRow) -> tuple[Any, ...]:
    """A report's columns in their order."""
    return tuple(getattr(row, name) for name in ReportRow.__struct_fields__)


async def fill(owner_dsn: str, code: str, *, assemblies: int, years: int, now: dt.datetime) -> None:
    """Fill a utility of that code, which is not there yet."""
    connection = await asyncpg.connect(owner_dsn)
    try:
        await Filling(connection, code, now, assemblies=assemblies, years=years).run()
    finally:
        await connection.close()


def sample(now: dt.datetime) -> tuple[ReportRow, StandingRow]:
    """A report as it is written, of assembly 0, with the standing that follows from it."""
    utility = utility_of("sample", now)
    judged = Reports(utility, now, assemblies=1, years=1).judged_once("rp", 0)
    row = standing_row(judged.row.assembly_id, standing_from(utility, known_of(0, now), [judged.event]))
    return judged.row, rests.kept(row, RestsOn(tests=[judged.event], latest=judged.latest))
