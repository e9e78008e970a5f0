"""A run of an import: read everything, check everything, and only then write, if that is asked and nothing stands against it.

The whole file is read and checked before the first row is written, so a file with problems changes nothing unless what is good was asked
for. Writing goes some hundred things at a time, each lot in a transaction of its own; a run that is cut short is safe to start again,
for what is recorded already is found again and stays as it is. Past tests are recorded as any report is, by the same judges.
"""

import asyncio
import time
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Iterator, Sequence
from concurrent.futures import Executor
from typing import IO, Any, Final, Literal, TypeVar, get_args
from uuid import UUID
from zoneinfo import ZoneInfo

from msgspec import UNSET, Struct
from msgspec.structs import replace

import rules
from service.auth.access import Principal
from service.clock import Clock
from service.imports.checking import _FIELD_OF, Checker, Fit
from service.imports.columns import Asked, header
from service.imports.rows import THINGS, RowReader
from service.imports.runs import RunStore
from service.imports.schemas import (
    MOST_PROBLEMS,
    ImportCount,
    ImportedFlag,
    ImportedSheet,
    ImportProblem,
    ImportProblemGroup,
    ImportProgress,
    ImportRun,
    Thing,
)
from service.imports.sheets import Sheet, SheetError, csv_sheet, lines_of, xlsx_sheets
from service.imports.staging import Clash, Staging
from service.imports.store import ImportStore
from service.imports.texts import Said, say, summary
from service.imports.writing import ORDER, Writer
from service.problems import problem
from service.record.reports.store import ReportStore
from service.record.reports.submit import Submissions
from service.registry.schemas import UtilityOnRecord
from service.registry.store import RegistryStore

T = TypeVar("T")
MOST_HEADINGS = 20
"""At most this many unknown headings are listed where none is known."""
ROWS_AT_ONCE: Final = 200
_ORDER: Final = (*ORDER, "test")

Event = ImportProgress | ImportProblem | ImportRun


class Source(Struct, frozen=True, kw_only=True):
    """A file: its name where there are several, its kind, and its bytes."""

    name: str | None
    kind: Literal["csv", "xlsx"]
    file: IO[bytes]


class _Phase:
    """A phase of a run: how far it is, and how long the rest of it will take at the pace so far."""

    def __init__(self, name: Literal["reading", "checking", "writing"], total: int | None) -> None:
        self._name = name
        self._total = total
        self._begun = time.monotonic()

    def at(self, done: int) -> ImportProgress:
        """The progress at that count."""
        left = None
        if self._total is not None and done > 0:
            left = round((time.monotonic() - self._begun) * max(0, self._total - done) / done, 1)
        return ImportProgress(phase=self._name, done=done, of=self._total, seconds_left=left)


class Importer:
    """One run. `open` first, then `run`, then `close`."""

    def __init__(
        self,
        *,
        imports: ImportStore,
        runs: RunStore,
        registry: RegistryStore,
        reports: ReportStore,
        submissions: Submissions,
        clock: Clock,
        utility: UtilityOnRecord,
        principal: Principal,
        asked: Asked,
        threads: Executor | None = None,
    ) -> None:
        self._threads = threads
        self._imports = imports
        self._runs = runs
        self._import_id: UUID | None = None
        self._registry = registry
        self._reports = reports
        self._submissions = submissions
        self._clock = clock
        self._utility = utility
        self._principal = principal
        self._asked = asked
        self._staging = Staging()
        self._checker = Checker(
            store=imports, runs=runs, staging=self._staging, utility=utility, asked=asked, principal=principal, now=clock.now()
        )
        self._sheets: list[tuple[str | None, Iterator[Sheet]]] = []
        self._described: list[ImportedSheet] = []
        self._unknown: list[str] = []
        self._readers: list[RowReader] = []
        self._problems: list[ImportProblem] = []
        self._fresh: list[ImportProblem] = []
        self._groups: dict[tuple[str, str, str | None], list[Any]] = {}
        self._count = self._rows = self._lines = 0
        self._sized = True
        self._whole = True

    async def _aside(self, work: Callable[..., T], *arguments: Any) -> T:
        """What the work returns, done in the threads of imports (the loop's own where none are given): name look-ups wait for no file."""
        return await asyncio.get_running_loop().run_in_executor(self._threads, work, *arguments)

    async def open(self, sources: Sequence[Source]) -> None:
        """Look at the files; ProblemError where one is no sheet that is read."""
        for source in sources:
            try:
                self._sheets.append((source.name, await self._aside(self._opened, source)))
            except SheetError as error:
                named = "" if source.name is None else f"{source.name}: "
                raise problem("file_unreadable", error=f"{named}{error}") from None

    def _opened(self, source: Source) -> Iterator[Sheet]:
        if source.kind == "xlsx":
            # What a workbook says of its own size is not believed.
            self._sized = False
            return xlsx_sheets(source.file)
        options = self._asked.options
        self._lines += lines_of(source.file)
        return iter([csv_sheet(source.file, encoding=options.encoding, delimiter=options.delimiter)])

    def close(self) -> None:
        """Drop what was staged."""
        self._staging.close()

    async def run(self) -> AsyncGenerator[Event, None]:
        """Read, check, and write where that is asked; last comes the record of the run."""
        async for event in self._read():
            yield event
        self._staging.checked()
        checked = 0
        phase = _Phase("checking", sum(self._staging.counts().values()))
        for thing in _ORDER:
            async for count, faults in self._checker.check(thing):
                checked += count
                for fault in faults:
                    self._note(self._at(fault))
                for found in self._flushed():
                    yield found
                yield phase.at(checked)
        counts = self._counts()
        options = self._asked.options
        self._check_share()
        for found in self._flushed():
            yield found
        written = not options.dry_run and self._whole and (options.partial or self._count == 0)
        if written:
            async for event in self._write():
                yield event
        yield self._record(counts, written=written)

    def _check_share(self) -> None:
        """Stop where more of the new tests would be held or refused than the caller takes for right."""
        acceptance, most = self._checker.acceptance_of_new, self._asked.options.held_or_refused_at_most
        others = acceptance["held"] + acceptance["refused"]
        if others > most * acceptance.total():
            self._whole = False
            self._note(_problem(say("too_many_held_or_refused", others=others, tests=acceptance.total(), at_most=most)))

    def _note(self, problem: ImportProblem) -> None:
        self._count += 1
        kind = (problem.code, _field_of(problem), None if problem.heading is UNSET else problem.heading)
        if kind in self._groups or len(self._groups) < MOST_PROBLEMS:
            self._groups.setdefault(kind, [problem, 0])[1] += 1
        self._fresh.append(problem)
        if len(self._problems) < MOST_PROBLEMS:
            self._problems.append(problem)

    def _flushed(self) -> list[ImportProblem]:
        fresh, self._fresh = self._fresh, []
        return fresh

    async def _read(self) -> AsyncIterator[Event]:
        chunks, phase = self._chunks(), _Phase("reading", self._lines if self._sized else None)
        while await self._aside(next, chunks, None):
            for found in self._flushed():
                yield found
            yield phase.at(self._rows)
        for heading in self._asked.unmet.values():
            self._note(_problem(say("heading_not_in_file", heading=heading)))
        for found in self._flushed():
            yield found

    def _chunks(self) -> Iterator[bool]:
        """Reads all sheets in a thread of its own, some rows at a time; True while there is more."""
        for name, sheets in self._sheets:
            label = name
            try:
                for sheet in sheets:
                    label = " / ".join(part for part in (name, sheet.name) if part) or None
                    yield from self._sheet(label, sheet)
            except SheetError as error:
                self._whole = False
                row = UNSET if error.row is None else error.row
                self._note(replace(_problem(say("rest_not_read", error=str(error))), sheet=label or UNSET, row=row))
        if not self._readers:
            read = self._unknown[:MOST_HEADINGS]
            self._whole = False
            self._note(_problem(say("no_known_heading_of", read=read) if read else say("no_known_heading")))
        yield True

    def _sheet(self, label: str | None, sheet: Sheet) -> Iterator[bool]:
        unknown: list[str] = []
        found = header(sheet.rows, self._asked, unknown)
        if found is None:
            self._described.append(ImportedSheet(sheet=label, header_row=None, columns=[], rows=0))
            self._unknown += unknown
            return
        at, columns = found
        for column in columns:
            self._asked.unmet.pop(rules.words.fold(column.heading), None)
        reader, place = RowReader(label, columns, self._asked, ZoneInfo(self._utility.time_zone)), len(self._readers)
        self._readers.append(reader)
        listed = [column for column in columns if column.heading]
        fields = [column.field for column in listed if column.field is not None]
        for field in sorted({field for field in fields if fields.count(field) > 1}):
            headings = [column.heading for column in listed if column.field == field]
            self._whole = False
            self._note(reader.problem(at, say("columns_give_the_same", field=field, headings=headings), field))
        rows, last = 0, at
        for last, cells in sheet.rows:
            things, problems = reader.read(last, cells)
            for wrong in problems:
                self._note(wrong)
            for thing in things:
                clashes = self._staging.add(
                    thing.thing,
                    thing.key,
                    sheet=place,
                    row=last,
                    document=thing.document,
                    spoiled=thing.spoiled,
                    bad=thing.bad,
                    moment=thing.moment,
                )
                for clash in clashes:
                    self._note(
                        reader.problem(last, self._clash(thing.thing, thing.key, clash), _field(thing.thing, clash.member))
                    )
            rows += bool(things or problems)
            if last % ROWS_AT_ONCE == 0:
                self._rows += rows
                rows = 0
                yield True
        self._rows += rows
        self._described.append(
            ImportedSheet(sheet=label, header_row=at, columns=[column.described() for column in listed], rows=last - at)
        )

    def _clash(self, thing: str, key: str, clash: Clash) -> Said:
        other = self._readers[clash.sheet].sheet
        place = {"row": clash.row} if other is None else {"row": clash.row, "sheet": other}
        beside = "" if other is None else "_of_sheet"
        if thing == "test":
            return say(f"test_row_differs{beside}", **place)
        return say(f"row_differs{beside}", thing=thing, key=key, **place)

    def _at(self, fault: Fit) -> ImportProblem:
        return self._readers[fault.staged.sheet].problem(fault.staged.row, fault.said, fault.field)

    def _counts(self) -> dict[Thing, ImportCount]:
        counts = {thing: ImportCount() for thing in THINGS.values()}
        for (thing, state), count in self._staging.counts().items():
            setattr(counts[THINGS[thing]], state or "bad", count)
        return counts

    async def _write(self) -> AsyncIterator[Event]:
        done = 0
        of = sum(count for (_, state), count in self._staging.counts().items() if state in ("new", "changed"))
        if of == 0:
            return
        self._import_id = self._clock.new_id()
        writer = Writer(
            import_id=self._import_id,
            runs=self._runs,
            imports=self._imports,
            registry=self._registry,
            reports=self._reports,
            submissions=self._submissions,
            clock=self._clock,
            utility=self._utility,
            principal=self._principal,
            staging=self._staging,
            on_fault=lambda staged, said: self._note(self._at(Fit(staged=staged, said=said))),
        )
        phase = _Phase("writing", of)
        async for count in writer.run():
            done += count
            for found in self._flushed():
                yield found
            yield phase.at(done)

    def _flags(self) -> list[ImportedFlag]:
        found = [
            ImportedFlag(code=code, severity=severity, reports=count) for (severity, code), count in self._checker.flags.items()
        ]
        return sorted(found, key=lambda item: (_SEVERITIES.index(item.severity), -item.reports, item.code))

    def _record(self, counts: dict[Thing, ImportCount], *, written: bool) -> ImportRun:
        options = self._asked.options
        new = sum(count.new + count.changed for count in counts.values())
        did = "written" if written else "dry_run" if options.dry_run else "not_written" if self._whole else "not_written_at_all"
        return ImportRun(
            id=UNSET if self._import_id is None else self._import_id,
            dry_run=options.dry_run,
            written=written,
            rows=self._rows,
            sheets=self._described,
            counts=counts,
            outcomes=dict(self._checker.outcomes),
            acceptance=dict(self._checker.acceptance),
            basis=dict(self._checker.basis),
            flags=self._flags(),
            problem_count=self._count,
            groups=[_group(first, count) for first, count in sorted(self._groups.values(), key=lambda group: -group[1])],
            problems=self._problems,
            summary=summary(did, records=new, problems=self._count),
        )


def _problem(said: Said) -> ImportProblem:
    """A problem of the file as a whole."""
    return ImportProblem(code=said.code, detail=said.detail, parameters=said.parameters or UNSET)


def _field_of(problem: ImportProblem) -> str:
    """The field that a problem's sentence names: problems of one code that name different fields are of different kinds."""
    return "" if problem.parameters is UNSET else str(problem.parameters.get("field", ""))


def _group(first: ImportProblem, count: int) -> ImportProblemGroup:
    row, heading = (None if part is UNSET else part for part in (first.row, first.heading))
    return ImportProblemGroup(code=first.code, detail=first.detail, heading=heading, first_row=row, problems=count)  # type: ignore[arg-type]


_SEVERITIES: Final = get_args(rules.Severity)


def _field(thing: str, member: str) -> str:
    return f"{thing}.{_FIELD_OF.get(member, member)}" if thing != "test" else "test.date"
