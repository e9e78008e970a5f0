"""The commands that take a utility's record out and bring it in: load, export, restore."""

import argparse
import sys
from collections.abc import Callable, Sequence
from contextlib import ExitStack, nullcontext
from pathlib import Path
from typing import Final
from uuid import UUID

import msgspec
from msgspec import UNSET

import rules
from service.auth.access import Principal
from service.auth.store import AccessStore
from service.cli.commands import database
from service.clock import SystemClock
from service.db.pool import Pool
from service.imports.columns import Asked
from service.imports.run import Importer, Source
from service.imports.runs import RunStore
from service.imports.schemas import ImportOptions, ImportProblem, ImportProgress, ImportRun
from service.imports.store import ImportStore
from service.imports.undo import SealFacts, UndoFacts, Undoing
from service.private_files import replacing
from service.problems import ProblemError, problem
from service.record.reports.store import ReportStore
from service.record.reports.submit import Submissions
from service.registry.calendar import today
from service.registry.store import RegistryStore
from service.settings import Settings
from service.transfer import export_restore as transfer
from service.transfer.store import TransferStore

_WORKBOOKS: Final = (".xlsx", ".xlsm")


async def export(settings: Settings, utility: str, to: Path | None) -> int:
    """Write everything a utility owns to a file of its reader's alone, or to standard output; the exit status."""
    with database(settings) as found:
        pool = await Pool.open(found.dsn, size=2)
        try:
            await RegistryStore(pool).utility(utility)
            with nullcontext(sys.stdout.buffer) if to is None else replacing(to) as file:
                async for line in transfer.export(TransferStore(pool), utility):
                    file.write(line)
                file.flush()
        finally:
            await pool.close()
    return 0


async def restore(settings: Settings, path: Path) -> int:
    """Write an exported utility into a database that has nothing of it.

    The number of standings that differ is the exit status, 100 at most.
    """
    with database(settings) as found, path.open("rb") as file:
        pool = await Pool.open(found.dsn, size=2)
        try:
            result = await transfer.restore(pool, file, report=progress("lines"))
        finally:
            await pool.close()
    say(f"{result.utility}: " + ", ".join(f"{count} of {table}" for table, count in result.rows.items()) + " restored.")
    if result.differing:
        say(f"{len(result.differing)} standings are not what the reports say; run `nonreturn rebuild {result.utility}`.")
        say("\n".join(map(str, result.differing)))
    return min(len(result.differing), 100)


async def load(settings: Settings, utility: str, files: Sequence[Path], options: ImportOptions) -> int:
    """Import spreadsheets, all in one run; what it comes to is said, every problem on standard error.

    The exit status: 0 without problems.
    """
    show = import_progress()
    run: ImportRun | None = None
    with database(settings) as found, ExitStack() as opened:
        sources = [
            Source(
                name=path.name,
                kind="xlsx" if path.suffix.lower() in _WORKBOOKS else "csv",
                file=opened.enter_context(path.open("rb")),
            )
            for path in files
        ]
        pool = await Pool.open(found.dsn, size=4)
        registry, reports, clock = RegistryStore(pool), ReportStore(pool), SystemClock()
        submissions = Submissions(reports, clock)
        try:
            owner = await registry.utility(utility)
            importer = Importer(
                imports=ImportStore(pool),
                runs=RunStore(pool),
                registry=registry,
                reports=reports,
                submissions=submissions,
                clock=clock,
                utility=owner,
                principal=await _principal(AccessStore(pool), utility),
                asked=Asked(options, rules.book_for(owner.rulebook, today(owner, clock.now()))),
            )
            await importer.open(sources)
            async for event in importer.run():
                if isinstance(event, ImportProgress):
                    show(event)
                elif isinstance(event, ImportProblem):
                    sys.stderr.write(_line(event) + "\n")
                else:
                    run = event
            importer.close()
        finally:
            await submissions.close()
            await pool.close()
    if run is None:
        return 1
    for sheet in run.sheets:
        unread = [f"{column.column} `{column.heading}`" for column in sheet.columns if column.field is None]
        if sheet.header_row is None:
            say(f"{sheet.sheet or 'The file'}: no heading is known; it was not read.")
        elif unread:
            say(f"{sheet.sheet or 'The file'}: not read, for their headings are not known: {', '.join(unread)}.")
    for thing, count in run.counts.items():
        say(f"{thing}: {count.new} new, {count.changed} changed, {count.same} the same, {count.bad} bad")
    for group in run.groups:
        where = "" if group.heading is None else f" in `{group.heading}`"
        say(f"{group.problems} times{where}, first in row {group.first_row}: {group.detail}" if group.first_row else group.detail)
    if run.acceptance:
        say("new tests: " + ", ".join(f"{count} {name}" for name, count in {**run.acceptance, **run.basis}.items()))
    for flag in run.flags:
        say(f"  {flag.severity}: {flag.code} on {flag.reports}")
    say(run.summary)
    if run.id is not UNSET:
        say(f"To undo it: nonreturn undo {utility} {run.id} --because …")
    return 0 if run.problem_count == 0 else 1


async def undo_or_seal(settings: Settings, options: argparse.Namespace) -> int:
    """Undo an import, or seal it; where later reports rest on it, they are listed on standard error. The exit status."""
    utility, import_id, now = options.utility, options.id, SystemClock().now()
    decided_by = UNSET if options.decided_by is None else options.decided_by
    with database(settings) as found:
        pool = await Pool.open(found.dsn, size=2)
        try:
            runs = RunStore(pool)
            acting = Undoing(
                runs=runs,
                imports=ImportStore(pool),
                reports=ReportStore(pool),
                registry=RegistryStore(pool),
                utility=utility,
                who=await _principal(AccessStore(pool), utility),
            )
            if options.command == "seal-import":
                done = await acting.seal(import_id, SealFacts(because=options.because, decided_by=decided_by), now=now)
            else:
                later = await runs.later_reports(utility, import_id, after=-1, limit=1_000)
                for report in later:
                    sys.stderr.write(
                        f"rests on it: report {report.id} of assembly {report.assembly_id}, performed {report.performed_at}\n"
                    )
                facts = UndoFacts(because=options.because, decided_by=decided_by, later_reports=options.later_reports)
                done = await acting.undo(import_id, facts, now=now)
        finally:
            await pool.close()
    totals = msgspec.to_builtins(done.totals)
    say(f"Import {done.id}: {done.state}. " + ", ".join(f"{name} {count}" for name, count in totals.items()))
    return 0


async def _principal(access: AccessStore, utility: str) -> Principal:
    """For whom the command reports: the organisation that stands for the utility, by no key."""
    granted = await access.rows("grants", utility, None, 500)
    own = next((row["organisation_id"] for row in granted if row["kind"] in ("utility", "operator")), None)
    if own is None:
        raise problem("utility_without_organisation")
    return Principal(
        key_id=UUID(int=0),
        organisation_id=own,
        kind="utility",
        rights=frozenset({"report", "register"}),
        utilities=frozenset({utility}),
    )


def _line(problem: ImportProblem) -> str:
    where = [
        problem.sheet,
        f"row {problem.row}" if problem.row is not UNSET else UNSET,
        f"column {problem.column}" if problem.column is not UNSET else UNSET,
    ]
    heading = f" `{problem.heading}`" if problem.heading is not UNSET else ""
    value = f" (`{problem.value}`)" if problem.value is not UNSET else ""
    return ", ".join(part for part in where if part is not UNSET) + f"{heading}{value}: {problem.detail}"


def say(line: str) -> None:
    """A line for whoever ran the command."""
    sys.stdout.write(line + "\n")


def complain(error: Exception) -> int:
    """What went wrong, in a line or a few rather than by a trace; the exit status."""
    faults = error.faults if isinstance(error, ProblemError) else []
    lines = [f"nonreturn: {error}", *(fault.detail for fault in faults if fault.detail != str(error))]
    sys.stderr.write("\n".join(lines) + "\n")
    return 1


def import_progress() -> Callable[[ImportProgress], None]:
    """Shows the phase, how far it is and the time left on a terminal; nothing where errors go to a file."""

    def report(at: ImportProgress) -> None:
        of = "" if at.of is None else f" of {at.of:,}"
        left = "" if at.seconds_left is None else f", {at.seconds_left:,.0f} s left"
        sys.stderr.write(f"\r{at.phase}: {at.done:,}{of}{left}    ")
        sys.stderr.flush()

    return report if sys.stderr.isatty() else lambda _at: None


def progress(what: str) -> Callable[[int], None]:
    """Shows the count on a terminal; nothing where errors go to a file."""

    def report(count: int) -> None:
        sys.stderr.write(f"\r{count:,} {what} ")
        sys.stderr.flush()

    return report if sys.stderr.isatty() else lambda _count: None
