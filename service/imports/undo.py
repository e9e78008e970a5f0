"""Undoing an import whole, until somebody seals it.

Nothing is deleted. Its reports are voided with the reason, which the log and the feed show; assemblies that it registered are
retired as registered in error, and what it changed is put back as it was. What a later report rests on stays registered, and what
somebody changed since stays as it is. It goes some hundred records a transaction, so that reports need not wait; where it is cut short, the
same call goes on.
"""

import datetime as dt
from typing import Annotated, Any
from uuid import UUID

import msgspec
from msgspec import UNSET, Struct, UnsetType
from msgspec.structs import replace

from service.auth.access import Principal
from service.imports.checking import SHAPES
from service.imports.runs import Because, Decision, Import, RunStore, WrittenThing
from service.imports.store import ImportStore
from service.problems import ProblemError, problem
from service.record.reports.store import Recording, ReportStore
from service.record.standings.work_out import differing_standings
from service.registry.calendar import today
from service.registry.schemas import Name
from service.registry.store import RegistryStore

AT_ONCE = 300
"""So many records are undone in one transaction; reports by as many as were recorded in one."""


class UndoFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """Why an import is undone, and, where later reports rest on it, how many the caller has looked at."""

    because: Annotated[str, Because]
    """Why."""
    decided_by: Name | UnsetType = UNSET
    """Who decides, where that is to be kept beside the key's organisation."""
    later_reports: int = 0
    """How many later reports rest on the import, as its list of later reports shows: your confirmation that you have looked at them."""


class SealFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """Why an import is sealed: somebody has checked it, and it is not to be undone any more."""

    because: Annotated[str, Because]
    """Why."""
    decided_by: Name | UnsetType = UNSET
    """Who decides, where that is to be kept beside the key's organisation."""


class Undoing:
    """Undoes or seals imports of one utility."""

    def __init__(
        self, *, runs: RunStore, imports: ImportStore, reports: ReportStore, registry: RegistryStore, utility: str, who: Principal
    ) -> None:
        self._runs = runs
        self._imports = imports
        self._reports = reports
        self._registry = registry
        self._utility = utility
        self._who = who

    async def seal(self, import_id: UUID, facts: SealFacts, *, now: dt.datetime) -> Import:
        """Seal an import; 409 where it is not written whole or is being undone. Sealing it again changes nothing."""
        decision = self._decision(facts, now)
        async with self._reports.recording(self._utility) as recording:
            found = await self._runs.one_on(recording.connection, self._utility, import_id)
            if found.state == "sealed":
                return found
            if found.state != "written":
                raise problem("import_not_written", state=found.state)
            await self._runs.put(
                recording.connection,
                self._utility,
                import_id,
                version=found.version + 1,
                state="sealed",
                totals=found.totals,
                decision=decision,
            )
        return await self._runs.one(self._utility, import_id)

    async def undo(self, import_id: UUID, facts: UndoFacts, *, now: dt.datetime) -> Import:
        """Undo an import; 409 where it is sealed, or later reports rest on it and the caller has not confirmed as many."""
        decision = self._decision(facts, now)
        begun = await self._begin(import_id, facts, decision)
        if begun.state == "undone":
            return begun
        # The reason is that of the call that began it, whoever goes on.
        decision = replace(decision, because="" if begun.because is UNSET else begun.because)
        await self._void(import_id, decision)
        await self._retire(import_id, now)
        restored, kept_changes = await self._restore(import_id, now)
        async with self._reports.recording(self._utility) as recording:
            found = await self._runs.one_on(recording.connection, self._utility, import_id)
            if found.state == "undoing":
                voided, retired, kept = await self._runs.totals(recording.connection, self._utility, import_id)
                totals = replace(
                    found.totals, voided=voided, retired=retired, kept=kept, restored=restored, kept_changes=kept_changes
                )
                await self._runs.put(
                    recording.connection,
                    self._utility,
                    import_id,
                    version=found.version + 1,
                    state="undone",
                    totals=totals,
                    decision=decision,
                )
        return await self._runs.one(self._utility, import_id)

    def _decision(self, facts: UndoFacts | SealFacts, now: dt.datetime) -> Decision:
        decided_by = None if facts.decided_by is UNSET else facts.decided_by
        return Decision(because=facts.because, decided_by=decided_by, who=self._who, now=now)

    async def _begin(self, import_id: UUID, facts: UndoFacts, decision: Decision) -> Import:
        """Keep that it is being undone, and from then on the import itself writes no more."""
        async with self._reports.recording(self._utility) as recording:
            found = await self._runs.one_on(recording.connection, self._utility, import_id)
            if found.state == "sealed":
                raise problem("import_sealed")
            if found.state in ("undone", "undoing"):
                return found
            later = await self._runs.later_on(recording.connection, self._utility, import_id, after=-1, limit=None)
            if len(later) != facts.later_reports:
                raise problem("import_rested_on", pointer="/later_reports", count=len(later))
            await self._runs.put(
                recording.connection,
                self._utility,
                import_id,
                version=found.version + 1,
                state="undoing",
                totals=found.totals,
                decision=decision,
            )
            return await self._runs.one_on(recording.connection, self._utility, import_id)

    async def _void(self, import_id: UUID, decision: Decision) -> None:
        because = f"The import that brought it was undone: {decision.because}"
        for start, until in await self._runs.ranges(self._utility, import_id):
            async with self._reports.recording(self._utility) as recording:
                some = await self._runs.to_void(recording.connection, self._utility, start=start, until=until)
                if some:
                    await self._runs.void(recording.connection, self._utility, some, replace(decision, because=because))
                    await self._rework(recording, sorted({report.assembly_id for report in some}))

    async def _retire(self, import_id: UUID, now: dt.datetime) -> None:
        after: UUID | None = None
        while True:
            async with self._reports.recording(self._utility) as recording:
                some = await self._runs.things(
                    recording.connection, self._utility, import_id, "assembly", after=after, limit=AT_ONCE
                )
                if not some:
                    return
                after = some[-1].id
                made = [thing for thing in some if thing.before is None]
                on = today(recording.utility, now)
                retired = await self._runs.retire(recording.connection, self._utility, made, on=on, now=now)
                own = await self._runs.made(recording.connection, self._utility, import_id, list(retired.values()))
                # What they had replaced is in service as before, unless the import registered that too.
                put_back = sorted(old for old in retired.values() if old is not None and old not in own)
                for old in put_back:
                    await self._registry.unretire(recording.connection, self._utility, old, now=now)
                await self._rework(recording, [*retired, *put_back])

    async def _restore(self, import_id: UUID, now: dt.datetime) -> tuple[int, int]:
        """Put back what the import changed; how many records, and how many stay as somebody changed them since."""
        restored = kept = 0
        for resource in ("assembly", "premises", "gauge", "tester"):
            after: UUID | None = None
            while True:
                async with self._reports.recording(self._utility) as recording:
                    some = await self._runs.things(
                        recording.connection, self._utility, import_id, resource, after=after, limit=AT_ONCE
                    )
                    if not some:
                        break
                    after = some[-1].id
                    for thing in some:
                        if thing.before is None:
                            continue
                        put_back = await self._put_back(recording, resource, thing, now)
                        restored += put_back
                        kept += not put_back
        return restored, kept

    async def _put_back(self, recording: Recording, resource: str, thing: WrittenThing, now: dt.datetime) -> bool:
        """Put a record back as it was before the import; whether it is as it was then."""
        shape, facts = SHAPES[resource]
        thing_id, before = thing.id, msgspec.json.decode(thing.before or "", type=facts)
        try:
            await self._registry.change(
                recording.connection,
                shape,
                self._utility,
                thing_id=thing_id,
                version=thing.version,
                now=now,
                facts=before,
            )
        except ProblemError as error:
            if error.code != "stale":
                raise
            current: Any = await self._registry.get_on(recording.connection, shape, self._utility, thing_id)
            # A call before this one that was cut short may have put it back already.
            return all(getattr(current, name) == getattr(before, name) for name in facts.__struct_fields__)
        if resource == "assembly":
            await self._rework(recording, [thing_id])
        elif resource == "premises":
            await self._rework(recording, await recording.assemblies_of(thing_id))
        return True

    async def _rework(self, recording: Recording, assemblies: list[UUID]) -> None:
        rows = await differing_standings(recording, assemblies) if assemblies else []
        if rows:
            await self._imports.keep_standings(recording.connection, self._utility, rows)
