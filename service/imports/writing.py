"""Writing what an import found: the register some hundred things a transaction, and past tests assembly by assembly.

Each transaction keeps what it wrote of the import beside it, so that the import can be undone whole, and writes nothing once it is being
undone. Tests that were judged while the file was checked are written as they were judged; those whose grounds have changed since, and
corrections, are judged again under the lock.
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from typing import Any
from uuid import UUID

import msgspec
from msgspec import UNSET
from msgspec.structs import replace

import rules
from service.auth.access import Principal
from service.clock import Clock
from service.imports import ahead
from service.imports.ahead import Ahead
from service.imports.checking import SHAPES
from service.imports.runs import Decision, ImportTotals, RunStore, WrittenThing
from service.imports.staging import Staged, Staging
from service.imports.store import ImportStore
from service.imports.texts import Said, say
from service.problems import ProblemError
from service.record.reports import rests
from service.record.reports.rests import RestsOn
from service.record.reports.rows import AssemblyRow, HistoryRow, ReportRow, StandingRow
from service.record.reports.schemas import ReportFacts, Submission
from service.record.reports.store import Recording, ReportStore
from service.record.reports.submit import PendingReport, Submissions, record_whole
from service.record.standings.follow import FollowingChange, StandingsFollow
from service.record.standings.work_out import rework, standing_from, standing_row, work_out
from service.registry.register import change_thing
from service.registry.schemas import Assembly, AssemblyFacts, UtilityOnRecord
from service.registry.store import NAMES, RegistryStore

ORDER = ("premises", "tester", "gauge", "assembly")
THINGS_AT_ONCE = 500
TESTS_AT_ONCE = 600


class Writer:
    """Writes one import; `on_fault` takes what could not be written."""

    def __init__(
        self,
        *,
        import_id: UUID,
        runs: RunStore,
        imports: ImportStore,
        registry: RegistryStore,
        reports: ReportStore,
        submissions: Submissions,
        clock: Clock,
        utility: UtilityOnRecord,
        principal: Principal,
        staging: Staging,
        on_fault: Callable[[Staged, Said], None],
    ) -> None:
        self._id = import_id
        self._runs = runs
        self._imports = imports
        self._registry = registry
        self.reports = reports
        self._submissions = submissions
        self._clock = clock
        self._utility = utility
        self._principal = principal
        self._staging = staging
        self._on_fault = on_fault
        self._registered = self._changed = self._recorded = 0

    async def run(self) -> AsyncIterator[int]:
        """Write all that is staged as new or changed; how many more are done, each time."""
        code = self._utility.code
        async with self.reports.recording(code) as recording:
            await self._runs.begin(recording.connection, code, self._id, self._principal, self._clock.now())
        for thing in ORDER:
            for staged in self._staging.of_state(thing, "new", at_once=THINGS_AT_ONCE):
                await self._create(thing, staged)
                yield len(staged)
            if thing == "assembly":
                await self._state_replacements()
            for staged in self._staging.of_state(thing, "changed", at_once=THINGS_AT_ONCE):
                await self._change(thing, staged)
                yield len(staged)
        for staged in self._staging.tests("new", at_once=TESTS_AT_ONCE):
            await self._record(staged)
            yield len(staged)
        for staged in self._staging.tests("changed", at_once=TESTS_AT_ONCE):
            await self._record(staged)
            yield len(staged)
        async with self.reports.recording(code) as recording:
            await self._runs.check_writing(recording.connection, code, self._id)
            totals = ImportTotals(registered=self._registered, changed=self._changed, reports=self._recorded)
            decision = Decision(because="", decided_by=None, who=self._principal, now=self._clock.now())
            await self._runs.put(
                recording.connection, code, self._id, version=2, state="written", totals=totals, decision=decision
            )

    async def _create(self, thing: str, staged: list[Staged]) -> None:
        shape, facts = SHAPES[thing]
        code, now = self._utility.code, self._clock.now()
        rows = [(UUID(str(item.id)), msgspec.json.decode(item.facts, type=facts)) for item in staged]
        if thing == "assembly":
            rows = [(key, replace(row, replaces=UNSET)) for key, row in rows]
        async with self.reports.recording(code) as recording:
            await self._runs.check_writing(recording.connection, code, self._id)
            made = await self._imports.create(recording.connection, shape, code, rows, now=now)
            await self._keep(recording.connection, NAMES[shape], [WrittenThing(new_id, 1, None) for new_id in made])
            if thing == "assembly":
                known = await recording.assemblies(made)
                standings = [standing_row(key, work_out(recording.utility, row, [])) for key, row in known.items()]
                await self._imports.keep_standings(recording.connection, code, standings)
        self._registered += len(made)

    async def _state_replacements(self) -> None:
        """State what new assemblies replaced, once all are there, the earliest first: one may have been replaced in its turn."""
        found = [
            item
            for staged in self._staging.of_state("assembly", "new", at_once=THINGS_AT_ONCE)
            for item in staged
            if b'"replaces"' in item.facts
        ]
        facts = {item.number: msgspec.json.decode(item.facts, type=AssemblyFacts) for item in found}
        in_order = sorted(found, key=lambda item: str(facts[item.number].installed_on))
        await self._change("assembly", in_order, version=1)

    async def _change(self, thing: str, staged: list[Staged], *, version: int | None = None) -> None:
        """Change things to what the file says, while they have that version (else the one that was checked)."""
        shape, facts = SHAPES[thing]
        ids = [UUID(str(item.id)) for item in staged]
        retired = await self._runs.retired_by_undo(self._utility.code, ids) if thing == "assembly" and version is None else set()
        for item, thing_id in zip(staged, ids, strict=True):
            if thing_id in retired:
                await self._register_again(item, thing_id)
                continue
            try:
                await change_thing(
                    self._registry,
                    _Noting(self, shape, facts, thing_id),
                    shape,
                    self._utility.code,
                    thing_id=thing_id,
                    version=item.version if version is None else version,
                    facts=msgspec.json.decode(item.facts, type=facts),
                    now=self._clock.now(),
                )
                self._changed += version is None
            except ProblemError as error:
                if error.code == "unavailable" or error.cause.code == "import_undone_meanwhile":
                    raise
                self._on_fault(item, say("not_changed", error=error.detail))

    async def _register_again(self, item: Staged, thing_id: UUID) -> None:
        """Put an assembly back in the register that an undo retired: it was not away, so nothing is due because of that."""
        shape, facts = SHAPES["assembly"]
        code, now = self._utility.code, self._clock.now()
        async with self.reports.recording(code) as recording:
            await self._runs.check_writing(recording.connection, code, self._id)
            await self._registry.unretire(recording.connection, code, thing_id, now=now)
            new = replace(msgspec.json.decode(item.facts, type=facts), replaces=UNSET)
            await self._registry.change(
                recording.connection, shape, code, thing_id=thing_id, facts=new, version=item.version, now=now
            )
            await self._keep(recording.connection, "assembly", [WrittenThing(thing_id, item.version + 1, None)])
            await rework(recording, [thing_id])
        self._registered += 1

    async def before_change(self, change: FollowingChange, shape: Any, thing_id: UUID) -> Any:
        """The thing before the import changes it; ProblemError where the import is being undone."""
        await self._runs.check_writing(change.connection, self._utility.code, self._id)
        return await self._registry.get_on(change.connection, shape, self._utility.code, thing_id)

    async def note_change(self, change: FollowingChange, shape: Any, facts: Any, before: Any) -> None:
        """Keep in the transaction of a change what the import made of a thing, and of what that replaced."""
        code = self._utility.code
        after = await self._registry.get_on(change.connection, shape, code, before.id)
        stated = {name: getattr(before, name) for name in facts.__struct_fields__ if getattr(before, name) is not UNSET}
        await self._keep(
            change.connection, NAMES[shape], [WrittenThing(before.id, after.version, msgspec.json.encode(stated).decode())]
        )
        old = after.replaces if isinstance(after, Assembly) else UNSET
        if old is not UNSET and await self._runs.made(change.connection, code, self._id, [old]):
            retired = await self._registry.get_on(change.connection, Assembly, code, old)
            await self._keep(change.connection, "assembly", [WrittenThing(old, retired.version, None)])

    async def _keep(self, connection: Any, resource: str, things: Sequence[WrittenThing]) -> None:
        await self._runs.put_things(connection, self._utility.code, self._id, resource, things)

    async def _record(self, staged: list[Staged]) -> None:
        """Record the tests of some assemblies in one transaction: as judged where that still holds, else judged again."""
        code = self._utility.code
        judged = [None if item.judged is None else ahead.unpacked(item.judged) for item in staged]
        assemblies = sorted({value.row.assembly_id for value in judged if value is not None})
        async with self.reports.recording(code) as recording:
            await self._imports.plan_again(recording.connection)
            await self._runs.check_writing(recording.connection, code, self._id)
            history: dict[UUID, list[HistoryRow]] = {}
            as_judged: list[Ahead] = []
            if assemblies and recording.utility == self._utility:
                ids = [value.row.id for value in judged if value is not None]
                for row in await recording.history(assemblies, ids):
                    history.setdefault(row.assembly_id, []).append(row)
                as_judged = await self._still_so(recording, [value for value in judged if value is not None], history)
            if as_judged:
                await self._write(recording, as_judged, await recording.assemblies(assemblies), history)
            written = {value.row.id for value in as_judged}
            others = [item for item in staged if UUID(str(item.id)) not in written]
            recorded = len(as_judged) + await self._judge_again(recording, others)
            if recorded:
                await self._runs.put_reports(recording.connection, code, self._id, recorded)
        self._recorded += recorded
        self._submissions.count([value.row for value in as_judged])

    async def _still_so(
        self, recording: Recording, judged: Sequence[Ahead], history: dict[UUID, list[HistoryRow]]
    ) -> list[Ahead]:
        """Those whose grounds are as they were, all the tests of an assembly or none of them."""
        rows = [value.row for value in judged]
        versions = [
            await self._imports.versions(recording.connection, self._utility.code, table, sorted(ids))
            for table, ids in (
                ("assembly", {row.assembly_id for row in rows}),
                ("tester", {row.tester_id for row in rows if row.tester_id is not None}),
                ("gauge", {row.gauge_id for row in rows if row.gauge_id is not None}),
            )
        ]
        assemblies, testers, gauges = versions
        changed = {
            value.row.assembly_id
            for value in judged
            if not ahead.is_as_judged(value, assemblies, testers, gauges, history.get(value.row.assembly_id, []))
        }
        return [value for value in judged if value.row.assembly_id not in changed]

    async def _write(
        self,
        recording: Recording,
        judged: Sequence[Ahead],
        known: dict[UUID, AssemblyRow],
        history: dict[UUID, list[HistoryRow]],
    ) -> None:
        """Write reports as they were judged, and each assembly's standing once."""
        of_assembly: dict[UUID, list[ReportRow]] = {}
        for value in judged:
            of_assembly.setdefault(value.row.assembly_id, []).append(value.row)
        standings = []
        for number, (assembly_id, rows) in enumerate(of_assembly.items()):
            if number % 20 == 0:
                await asyncio.sleep(0)
            standings.append(_standing(recording.utility, known[assembly_id], history.get(assembly_id, []), rows))
        await recording.session.record([value.row for value in judged], [], standings, seen=None)

    async def _judge_again(self, recording: Recording, staged: Sequence[Staged]) -> int:
        """Judge and record those by all that is recorded now; how many were recorded."""
        if not staged:
            return 0
        loop, now = asyncio.get_running_loop(), self._clock.now()
        pending = [
            PendingReport(
                Submission(
                    id=UUID(str(item.id)),
                    facts=msgspec.json.decode(item.facts, type=ReportFacts),
                    principal=self._principal,
                    received_at=now,
                ),
                loop.create_future(),
            )
            for item in staged
        ]
        group = await record_whole(recording, pending, now=now)
        for item, report in zip(staged, pending, strict=True):
            if isinstance(report.result, ProblemError | rules.RulesError):
                self._on_fault(item, say("not_recorded", error=str(report.result)))
            elif isinstance(report.result, Exception):
                raise report.result
        self._submissions.count(group.rows)
        return len(group.rows)


def _standing(
    utility: UtilityOnRecord, known: AssemblyRow, history: Sequence[HistoryRow], rows: Sequence[ReportRow]
) -> StandingRow:
    """The standing of an assembly with those reports, and what its next report rests on where nothing was corrected."""
    events = [*rests.events(history), *(rests.event_of(row, row.initial_outcome, _mechanical(row)) for row in rows)]
    standing = standing_row(rows[0].assembly_id, standing_from(utility, known, events))
    if history:
        return standing
    counted = [row for row in rows if row.acceptance != "refused"]
    last = max(counted, key=lambda row: (row.performed_at, row.id), default=None)
    latest = None if last is None else rests.latest_of(last.id, last.performed_at, last.judged)
    return rests.kept(standing, RestsOn(tests=rules.rested_on(events), latest=latest))


def _mechanical(row: ReportRow) -> Any:
    """What the parts would do by the last phase, which every row of today has."""
    return row.mechanical_protection


class _Noting(StandingsFollow):
    """Opens the transaction of one change, which the import keeps in it."""

    def __init__(self, writer: Writer, shape: Any, facts: Any, thing_id: UUID) -> None:
        super().__init__(writer.reports)
        self._noted = writer, shape, facts, thing_id

    @asynccontextmanager
    async def changing(self, utility: str) -> AsyncIterator[FollowingChange]:
        """One transaction; it commits when the block ends without an error."""
        writer, shape, facts, thing_id = self._noted
        async with super().changing(utility) as change:
            before = await writer.before_change(change, shape, thing_id)
            yield change
            await writer.note_change(change, shape, facts, before)
