"""Fills a utility with assemblies and years of reports by COPY, as the database's owner, with the standings that follow from them.

The reports are realistic in what they hold (content, test as judged, verdict: whole and of real judging), drawn from some hundreds that
were judged once; ids, days and order are each one's own. Triggers rest while it runs, so the feed and the log are written here too.
"""

import datetime as dt
import hashlib
import random
import sys
from collections.abc import Iterator
from itertools import islice
from typing import Any
from uuid import UUID

import asyncpg
import msgspec
from msgspec.structs import replace

from service.access import Principal
from service.records.judging import Submission, judge
from service.records.reports import standing_row, work_out
from service.reports import ReportFacts
from service.store.reports import AssemblyRow, HistoryRow, ReportRow, StandingRow
from service.things import Utility
from tests.load import documents

PEOPLE = 20
"""Testers, and gauges, of a utility."""
A_YEAR = dt.timedelta(days=365)
TEMPLATES = 240
AT_ONCE = 20_000
ORGANISATION = UUID(int=0x7000 << 64 | 1)


def id_of(what: int, number: int) -> UUID:
    """The id of a generated thing: of version 7 (RFC 9562) in form, and known from its number."""
    return UUID(int=what << 80 | 0x7 << 76 | 0x2 << 62 | number)


PREMISES, ASSEMBLY, TESTER, GAUGE, REPORT = range(1, 6)


def assembly_id(number: int) -> UUID:
    """The id of that assembly."""
    return id_of(ASSEMBLY, number)


def utility_of(code: str, now: dt.datetime) -> Utility:
    """A utility that judges by the rules of Washington."""
    return Utility(
        code=code, version=1, created_at=now, changed_at=now, name=f"{code} water", rulebook="us-wa",
        time_zone="America/Los_Angeles", due_soon_days=30,
    )  # fmt: skip


class Filling:
    """One utility on its way in."""

    def __init__(self, connection: Any, code: str, now: dt.datetime) -> None:
        self._connection = connection
        self._code = code
        self._now = now.replace(microsecond=0)
        self.utility = utility_of(code, now)
        self._calibrated_on = (now - dt.timedelta(days=30)).date().isoformat()

    async def run(self, assemblies: int, years: int) -> None:
        """Fill it: so many assemblies, each with a report a year."""
        async with self._connection.transaction():
            await self._connection.execute("SET LOCAL session_replication_role = replica")
            await self._register(assemblies)
            await self._report(assemblies, years)
        for table in ("assembly", "premises", "report", "standing", "change", "tester", "gauge"):
            await self._connection.execute(f"VACUUM (ANALYZE) record.{table}")

    async def _copy(self, table: str, columns: str, rows: Iterator[tuple[Any, ...]], total: int) -> None:
        done = 0
        while some := list(islice(rows, AT_ONCE)):
            await self._connection.copy_records_to_table(table, schema_name="record", records=some, columns=columns.split())
            done += len(some)
            if total > AT_ONCE and sys.stderr.isatty():
                print(
                    f"\r{self._code}: {table} {done:,} of {total:,}",
                    end="" if done < total else "\n",
                    file=sys.stderr,
                    flush=True,
                )

    async def _register(self, assemblies: int) -> None:
        code, now, kept = self._code, self._now, (1, self._now, self._now)
        await self._connection.execute(
            "INSERT INTO record.utility VALUES ($1, 1, $2, $2, $3, 'us-wa', 'America/Los_Angeles', 30)",
            code,
            now,
            f"{code} water",
        )
        common = "utility_id id version created_at changed_at"
        await self._copy(
            "premises", f"{common} name address connection",
            ((code, id_of(PREMISES, n), *kept, f"Plot {n}", f"{n} Sluice Lane", "non_residential") for n in range(assemblies)), assemblies,
        )  # fmt: skip
        await self._copy(
            "assembly", f"{common} premises_id kind hazard purpose serial_number in_service",
            (
                (code, assembly_id(n), *kept, id_of(PREMISES, n), kind, documents.hazard_of(kind), "premises_isolation", f"S-{n}", True)
                for n in range(assemblies) for kind in [kind_of(n)]
            ), assemblies,
        )  # fmt: skip
        await self._copy(
            "tester", f"{common} name certificates",
            ((code, id_of(TESTER, n), *kept, f"Tester {n}", documents.CERTIFICATES) for n in range(PEOPLE)), PEOPLE,
        )  # fmt: skip
        await self._copy(
            "gauge", f"{common} serial_number units accuracy resolution calibrations",
            (
                (code, id_of(GAUGE, n), *kept, f"G-{n}", '{"pressure": "psi"}', 0.2, 0.1, documents.CALIBRATIONS % self._calibrated_on)
                for n in range(PEOPLE)
            ), PEOPLE,
        )  # fmt: skip

    async def _report(self, assemblies: int, years: int) -> None:
        code = self._code
        templates = {kind: [self.template(kind, n) for n in range(TEMPLATES)] for kind in set(documents.KINDS)}
        reports = assemblies * years
        columns = ("utility_id", "log_index", *ReportRow.__struct_fields__)
        rows = (
            (code, year * assemblies + n, *fields(self._row(templates, n, year, years)))
            for year in range(years)
            for n in range(assemblies)
        )
        await self._copy("report", " ".join(columns), rows, reports)
        await self._copy(
            "standing", "utility_id assembly_id version due_on basis", self._standings(templates, assemblies, years), assemblies
        )
        changes = (
            (code, sequence + 1, what, str(id_of(REPORT, sequence // 2) if what == "reports" else assembly_id(sequence // 2 % assemblies)), 1, self._now)
            for sequence in range(2 * reports) for what in [("reports", "standings")[sequence % 2]]
        )  # fmt: skip
        await self._copy("change", "utility_id sequence resource id version recorded_at", changes, 2 * reports)
        await self._connection.execute("INSERT INTO record.utility_log VALUES ($1, $2, $3)", code, 2 * reports, reports)

    def template(self, kind: str, number: int) -> ReportRow:
        """A report of such an assembly, as it is written; the same for the same number."""
        source = random.Random(f"{kind} {number}")  # noqa: S311 - reproducible on purpose
        ids = {"assembly_id": str(assembly_id(0)), "tester_id": str(id_of(TESTER, 0)), "gauge_id": str(id_of(GAUGE, 0))}
        performed_at = self._now - dt.timedelta(days=20)
        facts = msgspec.convert(
            {**documents.test_of(kind, source), **ids, "performed_at": performed_at}, ReportFacts, strict=False
        )
        who = Principal(
            key_id=ORGANISATION, organisation_id=ORGANISATION, kind="operator", rights=frozenset(), utilities=frozenset()
        )
        told = Submission(id=id_of(REPORT, 0), facts=facts, principal=who, received_at=performed_at)
        return judge(self.utility, told, documents.known_of(kind, self._calibrated_on))

    def _row(self, templates: dict[str, list[ReportRow]], number: int, year: int, years: int) -> ReportRow:
        """The report of that assembly in that year: the last ones lie up to 14 months back, so that some are overdue."""
        scattered = number * 7919 + year * 104_729
        template = templates[kind_of(number)][scattered % TEMPLATES]
        back = dt.timedelta(days=number * 37 % 425, minutes=scattered % 600)
        performed_at = self._now - back - A_YEAR * (years - 1 - year)
        content = template.content.replace(str(template.assembly_id), str(assembly_id(number)), 1)
        return replace(
            template,
            id=id_of(REPORT, year << 32 | number), assembly_id=assembly_id(number), tester_id=id_of(TESTER, scattered % PEOPLE),
            gauge_id=id_of(GAUGE, scattered % PEOPLE), performed_at=performed_at, performed_on=performed_at.date(), received_at=performed_at,
            content=content, content_hash=hashlib.sha256(content.encode()).digest(),
        )  # fmt: skip

    def _standings(self, templates: dict[str, list[ReportRow]], assemblies: int, years: int) -> Iterator[tuple[Any, ...]]:
        for n in range(assemblies):
            kind = kind_of(n)
            known = AssemblyRow(
                basis=None,
                kind=kind,
                hazard=documents.hazard_of(kind),
                installed_on=None,
                in_service=True,
                connection="non_residential",
            )
            rows = [self._row(templates, n, year, years) for year in range(max(0, years - 2), years)]
            history = [HistoryRow(**{name: getattr(row, name) for name in HistoryRow.__struct_fields__}) for row in rows]
            kept = standing_row(assembly_id(n), work_out(self.utility, known, history))
            yield self._code, kept.assembly_id, 1, kept.due_on, kept.basis


def fields(row: ReportRow) -> tuple[Any, ...]:
    """A report's columns in their order."""
    return tuple(getattr(row, name) for name in ReportRow.__struct_fields__)


def kind_of(number: int) -> str:
    """What that assembly is."""
    return documents.KINDS[number % len(documents.KINDS)]


async def fill(owner_dsn: str, code: str, *, assemblies: int, years: int, now: dt.datetime) -> None:
    """Fill a utility of that code, which is not there yet."""
    connection = await asyncpg.connect(owner_dsn)
    try:
        await Filling(connection, code, now).run(assemblies, years)
    finally:
        await connection.close()


def sample(now: dt.datetime) -> tuple[ReportRow, StandingRow]:
    """A report as it is written, of assembly 0, with the standing that follows from it."""
    filling = Filling(None, "sample", now)
    row = filling.template("rp", 0)
    known = AssemblyRow(basis=None, kind="rp", hazard="health", installed_on=None, in_service=True, connection="non_residential")
    history = [HistoryRow(**{name: getattr(row, name) for name in HistoryRow.__struct_fields__})]
    return row, standing_row(row.assembly_id, work_out(filling.utility, known, history))
