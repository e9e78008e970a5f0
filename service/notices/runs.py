"""Runs: every notice whose day has come is prepared once, whoever runs and however often.

A run works in pieces, a transaction each, and keeps how far it has come in the same transaction, so that its progress is true at any
moment and nothing is held in memory but one piece. One run of a utility is worked on at a time: a second one asked for meanwhile is the
first. A worker that gives no sign for a while has lost the run to the next that comes; it learns so before it can write. Nothing
rests on this alone: the database keeps a notice once for its step and what it is about, so a run that begins from the start does no harm
and the rest of one that was cut short is simply what is not prepared yet.
"""

import asyncio
import datetime as dt
import logging
from collections.abc import AsyncIterator
from uuid import UUID

from msgspec.structs import replace

from rules import notices as rule
from service.clock import Clock
from service.notices.manage import steps_on, words
from service.notices.schemas import NoticeRun
from service.notices.store import START, Candidate, NewNotice, NoticeStore, RunRow, Scan, scans
from service.problems import ProblemError, not_found
from service.registry.calendar import today
from service.registry.schemas import UtilityOnRecord
from service.registry.store import RegistryStore

PIECE = 250
"""How many assemblies one transaction deals with: the reports of the utility wait for it meanwhile."""

LOOK_AGAIN_SECONDS = 0.5

log = logging.getLogger("nonreturn")


class NoticeRuns:
    """Starts runs, works on them, and reports their progress."""

    def __init__(self, store: NoticeStore, registry: RegistryStore, clock: Clock) -> None:
        self._store = store
        self._registry = registry
        self._clock = clock
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self, code: str) -> NoticeRun:
        """Have the notices of today prepared, beside everything else: the run, new, taken up again, or going on already."""
        utility = await self._registry.utility(code)
        run, mine = await self._enter(utility)
        if mine:
            task = asyncio.create_task(self._beside(utility, run))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        return shown(run)

    async def follow(self, code: str) -> AsyncIterator[NoticeRun]:
        """Have the notices of today prepared, and report the progress until it is done, whoever works on it."""
        utility = await self._registry.utility(code)
        while True:
            run, mine = await self._enter(utility)
            if mine:
                async for now in self.work(utility, run):
                    yield shown(now)
            elif run.on_day == self._today(utility):
                await asyncio.sleep(LOOK_AGAIN_SECONDS)
            run = await self._run(code, run.id)
            yield shown(run)
            if run.state == "finished" and run.on_day == self._today(utility):
                return

    async def read(self, code: str, run_id: UUID) -> NoticeRun:
        """One run; 404 where there is none."""
        return shown(await self._run(code, run_id))

    async def listed(self, code: str, *, after: UUID | None, limit: int) -> list[NoticeRun]:
        """Up to `limit` runs after that id."""
        return [shown(run) for run in await self._store.runs(code, after=after, limit=limit)]

    async def close(self) -> None:
        """Stop what is at work; the next run goes on from there."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def work(self, utility: UtilityOnRecord, run: RunRow) -> AsyncIterator[RunRow]:
        """Work on a run, reporting its progress after each piece; ends early where another worker has taken it over."""
        try:
            steps = await steps_on(self._store, utility, run.on_day)
            stretches = scans(rule.windows(steps, run.on_day), run.on_day)
            waiting = sum([await self._store.count(utility.code, scan) for scan in stretches])
            run = replace(run, total=run.done + waiting)
            for scan in stretches:
                place = START
                while found := await self._store.candidates(utility.code, scan, after=place, limit=PIECE):
                    place = (found[-1].due, found[-1].assembly_id)
                    after = await self._piece(utility, run, scan, found)
                    if after is None:
                        return
                    run = after
                    yield run
            if await self._piece(utility, run, None, []) is not None:
                await self._store.finish_run(utility.code, run, now=self._clock.now())
        except BaseException:
            # Whatever ends it, the next worker need not wait until this one is given up.
            await self._let_go(utility, run)
            raise

    async def _piece(self, utility: UtilityOnRecord, run: RunRow, scan: Scan | None, found: list[Candidate]) -> RunRow | None:
        """Prepare the notices of these candidates and keep how far the run has come; None where it is another's by now."""
        now = self._clock.now()
        made = []
        missing = set()
        for item in found if scan is not None else ():
            said = words(utility, scan.window.step, item)  # type: ignore[union-attr]
            new = NewNotice(
                id=self._clock.new_id(),
                assembly_id=item.assembly_id,
                standing_version=item.version,
                due_on=item.due_on,
                report_id=item.report_id,
                repair_by=item.repair_by,
                scheduled_for=said.scheduled_for,
                subject=said.subject,
                body=said.text,
            )
            made.append(new)
            if said.addressee.missing:
                missing.add(new.id)
        async with self._store.piece(utility.code, run) as piece:
            if piece is None:
                return None
            if scan is not None:
                step = scan.window.step
                kept = await piece.prepare(run, step, made, now=now)
                by_step = {**run.by_step, step.step: run.by_step.get(step.step, 0) + len(kept)}
                run = replace(
                    run,
                    done=run.done + len(found),
                    by_step=by_step,
                    without_addressee=run.without_addressee + len(kept & missing),
                )
            await piece.advance(run)
        return run

    async def _enter(self, utility: UtilityOnRecord) -> tuple[RunRow, bool]:
        worker = self._clock.new_id()
        run_id = await self._store.enter_run(
            utility.code, new_id=self._clock.new_id(), worker=worker, on=self._today(utility), now=self._clock.now()
        )
        run = await self._run(utility.code, run_id)
        return run, run.worker == worker

    async def _beside(self, utility: UtilityOnRecord, run: RunRow) -> None:
        try:
            async for _ in self.work(utility, run):
                pass
        except Exception:
            # Nobody waits for this answer. The run shows as interrupted, and goes on when the next one is asked for.
            log.exception("The run %s of notices of %s was interrupted", run.id, utility.code)

    async def _let_go(self, utility: UtilityOnRecord, run: RunRow) -> None:
        try:
            await asyncio.shield(self._store.leave_run(utility.code, run))
        except ProblemError:
            log.warning("The run %s of notices of %s could not be let go of; it can be taken over soon", run.id, utility.code)

    async def _run(self, code: str, run_id: UUID) -> RunRow:
        run = await self._store.run(code, run_id)
        if run is None:
            raise not_found("run")
        return run

    def _today(self, utility: UtilityOnRecord) -> dt.date:
        return today(utility, self._clock.now())


def shown(row: RunRow) -> NoticeRun:
    """A run as it is answered."""
    return NoticeRun(
        id=row.id,
        on=row.on_day,
        state=row.state,
        created_at=row.created_at,
        finished_at=row.finished_at,
        total=row.total,
        done=row.done,
        without_addressee=row.without_addressee,
        by_step=row.by_step,
    )
