"""Export of everything a utility owns, and its restoring: the same ids, times, verdicts to the byte, log order and standings.

An export is NDJSON: a first line that says what it is, a line a row, and a last line that counts the rows of each table and holds the
SHA-256 of all lines before it, so that one cut short or changed on its way is noticed. What is restored is checked against itself: a
report's hash against its content, its verdict against judging it again, the standings against the reports. Restoring writes history as
reported, so it is the act of whoever owns the database, and no call of the API.
"""

import datetime as dt
import hashlib
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from uuid import UUID

import msgspec
from msgspec import UNSET, Raw, Struct, UnsetType
from msgspec.structs import replace

import rules
from service.db.pool import Pool
from service.problems import Fault, ProblemError, fault, problem
from service.record.inspections import judge as inspections
from service.record.inspections.schemas import KeptInspection
from service.record.reports.judging import content_hash
from service.record.reports.rejudging import version_of
from service.record.reports.schemas import KeptFacts
from service.record.standings.work_out import differing_standings
from service.registry.register import check_utility
from service.registry.schemas import UtilityFacts, UtilityOnRecord
from service.registry.store import RegistryStore
from service.transfer.store import AT_ONCE, OWNED, Restoring, TransferStore

FORMAT = 1
_TABLES = [owned.table for owned in OWNED]


class ExportLine(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A line of an export.

    The first says `nonreturn_export` (the format's number) and the utility's code; the last `rows` (how many of each table) and
    `sha256` (of all the bytes before it); each between them a table and a row of it.
    """

    nonreturn_export: int | UnsetType = UNSET
    """The number of the format; on the first line."""
    utility: str | UnsetType = UNSET
    """The utility's code; on the first line."""
    table: str | UnsetType = UNSET
    """The table that the row is of."""
    row: Raw | UnsetType = UNSET
    """A row, by column."""
    rows: dict[str, int] | UnsetType = UNSET
    """How many rows of each table there were; on the last line."""
    sha256: str | UnsetType = UNSET
    """The SHA-256 of all bytes before the last line, in hexadecimal; on the last line."""


class Restored(Struct, frozen=True, kw_only=True):
    """What was restored: rows by table, and the assemblies whose standing is not what their reports say."""

    utility: str
    rows: dict[str, int]
    differing: list[UUID]


class _Utility(UtilityFacts, kw_only=True, frozen=True, forbid_unknown_fields=False):
    """A utility's row."""

    system_id: str | UnsetType | None = UNSET  # type: ignore[assignment]  # null in the row where there is none
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime


class _Report(Struct, kw_only=True):
    """What of a report's row can be checked against the rest of it."""

    id: UUID
    content: str
    content_hash: str
    judged: str
    verdict: str
    received_at: dt.datetime
    previous: str | None
    gauge_id: UUID | None
    """None for an inspection."""


async def export(store: TransferStore, utility: str) -> AsyncIterator[bytes]:
    """The lines of an export."""
    digest, counts = hashlib.sha256(), Counter[str]()
    line = msgspec.json.encode(ExportLine(nonreturn_export=FORMAT, utility=utility)) + b"\n"
    digest.update(line)
    yield line
    async for table, row in store.rows(utility):
        line = b'{"table":"' + table.encode() + b'","row":' + row.encode() + b"}\n"
        counts[table] += 1
        digest.update(line)
        yield line
    yield msgspec.json.encode(ExportLine(rows=dict(counts), sha256=digest.hexdigest())) + b"\n"


async def restore(pool: Pool, lines: Iterable[bytes], *, report: Callable[[int], None] = lambda _: None) -> Restored:
    """Write an exported utility into a database that has nothing of it; all of it or nothing, ProblemError saying why.

    `report` is called with the number of lines read, now and then.
    """
    reader = iter(lines)
    first_line = next(reader, b"")
    first = _line(1, first_line)
    if first.nonreturn_export != FORMAT or first.utility is UNSET:
        raise problem("not_an_export", format=FORMAT)
    digest = hashlib.sha256(first_line)
    counts: Counter[str] = Counter()
    faults: list[Fault] = []
    end: ExportLine | None = None
    utility: UtilityOnRecord | None = None
    versions: dict[int, rules.LocalVersion] = {}
    async with TransferStore(pool).restoring(first.utility) as restoring:
        gathered: list[bytes] = []
        table = _TABLES[0]
        for number, line in enumerate(reader, start=2):
            if end is not None:
                raise problem("export_continues", line=number)
            result = _line(number, line)
            if result.sha256 is not UNSET:
                end = result
                continue
            digest.update(line)
            if result.table not in _TABLES or result.row is UNSET or _TABLES.index(result.table) < _TABLES.index(table):
                raise problem("export_order", line=number, tables=_TABLES)
            if result.table != table or len(gathered) >= AT_ONCE:
                await _write(restoring, table, gathered)
                gathered, table = [], result.table
                report(number)
            gathered.append(bytes(result.row))
            counts[table] += 1
            if table == "utility":
                utility = _utility(number, first.utility, result.row)
                await check_utility(RegistryStore(pool), utility)
            if table == "local_rulebook" and utility is not None:
                utility = _with_local(number, utility, result.row, versions)
            if table == "report":
                faults += _faults_of(number, result.row, versions)
        await _write(restoring, table, gathered)
        if end is None or end.sha256 != digest.hexdigest() or end.rows != dict(counts):
            raise problem("export_cut")
        if faults:
            raise ProblemError(fault("export_contradicts", count=len(faults)), faults)
        if utility is None:
            raise problem("export_utility_missing")
        differing = await _differing(restoring, utility)
    return Restored(utility=first.utility, rows=dict(counts), differing=differing)


def _line(number: int, line: bytes) -> ExportLine:
    try:
        # A row is read later, and some of it by Postgres alone; so it is seen here that it is text.
        line.decode()
        return msgspec.json.decode(line, type=ExportLine)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise problem("export_line", line=number, error=str(error)) from None


async def _write(restoring: Restoring, table: str, rows: list[bytes]) -> None:
    if rows:
        await restoring.write(table, rows)


def _utility(number: int, code: str, row: Raw) -> UtilityOnRecord:
    """The utility in a row; ProblemError for one by whose rulebook or clock nothing here could be worked out."""
    try:
        result = msgspec.json.decode(row, type=_Utility)
    except (msgspec.DecodeError, RecursionError) as error:
        raise problem("export_utility", line=number, error=str(error)) from None
    facts = {name: getattr(result, name) for name in _Utility.__struct_fields__}
    return UtilityOnRecord(**{**facts, "code": code, "system_id": facts["system_id"] or UNSET})


class _LocalRulebook(Struct, kw_only=True):
    """What of a local rulebook's row its version is made of."""

    version: int
    content: str


def _with_local(number: int, utility: UtilityOnRecord, row: Raw, versions: dict[int, rules.LocalVersion]) -> UtilityOnRecord:
    """The utility with that version of its local rulebook, which is added to `versions`; ProblemError for one that cannot be read."""
    try:
        stored = msgspec.json.decode(row, type=_LocalRulebook)
        rulebook = msgspec.json.decode(stored.content, type=rules.LocalRulebook)
    except (msgspec.DecodeError, RecursionError) as error:
        raise problem("export_utility", line=number, error=str(error)) from None
    if rulebook.extends not in rules.rulebook_ids():
        raise problem("unknown_rulebook", rulebook=rulebook.extends, available=list(rules.rulebook_ids()))
    versions[stored.version] = rules.LocalVersion(version=stored.version, rulebook=rulebook)
    return replace(utility, local=versions[stored.version])


def _faults_of(number: int, row: Raw, versions: Mapping[int, rules.LocalVersion]) -> list[Fault]:
    """What of a report does not fit itself: its hash its content, its verdict what it was judged on."""
    try:
        report = msgspec.json.decode(row, type=_Report)
        facts: KeptFacts | KeptInspection
        if report.gauge_id is None:
            facts = msgspec.json.decode(report.content, type=KeptInspection)
            local = version_of(report.verdict, versions)
            verdict = inspections.judge_again(report.judged, report.previous, report.received_at, local)
        else:
            facts = msgspec.json.decode(report.content, type=KeptFacts)
            test = msgspec.json.decode(report.judged, type=rules.Test)
            previous = None if report.previous is None else msgspec.json.decode(report.previous, type=rules.PreviousReadings)
            local = version_of(report.verdict, versions)
            verdict = msgspec.json.encode(rules.judge(test, received_at=report.received_at, previous=previous, local=local))
    except (msgspec.DecodeError, rules.RulesError, RecursionError, KeyError) as error:
        return [fault("export_report", pointer=f"/{number}", line=number, error=str(error))]
    codes = []
    if report.content_hash != f"\\x{content_hash(facts).hex()}":
        codes.append("export_report_altered")
    if verdict != report.verdict.encode():
        codes.append("export_verdict_differs")
    return [fault(code, pointer=f"/{number}", line=number, report=str(report.id)) for code in codes]


async def _differing(restoring: Restoring, utility: UtilityOnRecord) -> list[UUID]:
    """The assemblies whose standing is not what their reports say; ProblemError where one cannot be worked out from what was written."""
    differing: list[UUID] = []
    recording, ids = restoring.recording(utility), await restoring.assembly_ids()
    try:
        for start in range(0, len(ids), AT_ONCE):
            differing += [row.assembly_id for row in await differing_standings(recording, ids[start : start + AT_ONCE])]
    except (msgspec.DecodeError, rules.RulesError) as error:
        raise problem("export_facts", error=str(error)) from None
    return differing
