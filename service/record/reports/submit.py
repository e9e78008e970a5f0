"""Submitting reports: judge, then write report, verdict and standing in one transaction.

Reports that arrive together are written together, up to a bound and without waiting for company; each is answered only once it is
durable. A utility's reports are written by one group at a time, in the order of their arrival. A group that fails is tried again one
by one, so that a report that fails, fails alone. What a group rests on is read in one statement, and it is judged and its standings
are worked out with nothing locked; the statement that writes it locks the utility's log and writes only if the feed shows that nothing
of that has changed meanwhile. Otherwise, and for corrections, it is read again under the lock.
"""

import asyncio
import datetime as dt
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextvars import Context
from functools import partial
from uuid import UUID

import msgspec
from msgspec import UNSET, Raw, Struct, UnsetType

import rules
from service.clock import Clock
from service.metrics import Metrics
from service.problems import ProblemError, not_found, problem
from service.record.reports.group import Group, Submitted, report_of
from service.record.reports.judging import Judged, check_moment, judge
from service.record.reports.rows import ReportRow, StoredReport
from service.record.reports.schemas import KeptFacts, RecordedRaw, Submission
from service.record.reports.store import Gathered, Recording, ReportSession, ReportStore
from service.record.reviews.schemas import ReviewDecision
from service.registry.calendar import today
from service.registry.schemas import UtilityOnRecord

MOST_TOGETHER = 256
MOST_WAITING = 6_000
"""Beyond this many waiting reports of a utility a new one is turned away, rather than kept in memory: some kilobytes each,
and room for ten batches at once."""


class PendingReport(Struct, eq=False):
    """A report that waits for its group, with what becomes of it; a result that is an id: it was recorded before, under that id."""

    submission: Submission
    future: "asyncio.Future[Submitted]"
    judged: Judged | None = None
    result: Submitted | UUID | Exception | None = None

    def answer(self) -> None:
        """Hand the result to whoever waits for it; a sender that has left waits no more."""
        if self.future.done():
            return
        if isinstance(self.result, Submitted):
            self.future.set_result(self.result)
        elif isinstance(self.result, Exception):
            self.future.set_exception(self.result)


class Submissions:
    """The way in for reports."""

    def __init__(self, store: ReportStore, clock: Clock, metrics: Metrics | None = None) -> None:
        self._metrics = metrics or Metrics()
        self._store = store
        self._clock = clock
        self._waiting: dict[str, deque[PendingReport]] = {}
        self._writers: dict[str, asyncio.Task[None]] = {}

    def submit(self, utility: str, submission: Submission) -> "asyncio.Future[Submitted]":
        """Let a report wait for its group; the answer comes once it is durable, ProblemError where it cannot be recorded."""
        future: asyncio.Future[Submitted] = asyncio.get_running_loop().create_future()
        queue = self._waiting.setdefault(utility, deque())
        if len(queue) >= MOST_WAITING:
            future.set_exception(problem("reports_waiting", wait=1))
            return future
        queue.append(PendingReport(submission, future))
        self._metrics.waiting.inc()
        writer = self._writers.get(utility)
        if writer is None or writer.done():
            # A group may hold reports of several senders, so it is written in a context of its own, and not as any of them.
            self._writers[utility] = asyncio.create_task(self._write(utility, queue), context=Context())
        return future

    async def try_out(self, utility: str, submission: Submission) -> Submitted:
        """What `submit` would answer now, and nothing is written; ProblemError where the report could not be recorded."""
        # Like a group, it is worked out in a context of its own.
        return await asyncio.create_task(self._try_out(utility, submission), context=Context())

    async def _try_out(self, code: str, submission: Submission) -> Submitted:
        pending = PendingReport(submission, asyncio.get_running_loop().create_future())
        if _has_a_moment(pending):
            async with self._store.recording(code) as recording:
                await record_whole(recording, [pending], now=self._clock.now(), write=False)
            if isinstance(pending.result, UUID):
                pending.result = await self._answer_again(recording.utility, pending.result)
        if isinstance(pending.result, Submitted):
            return pending.result
        raise pending.result if isinstance(pending.result, Exception) else RuntimeError("A report that was tried has no result.")

    async def close(self) -> None:
        """Finish what waits."""
        await asyncio.gather(*self._writers.values(), return_exceptions=True)

    async def _write(self, utility: str, queue: deque[PendingReport]) -> None:
        while queue:
            group: list[PendingReport] = []
            take = partial(self._take, queue, group)
            try:
                await self._record(utility, take)
            except ProblemError as error:
                # Where a database kept silent until it was given up, those who waited meanwhile are not made to wait as long again.
                while not group or (queue and isinstance(error.__cause__, TimeoutError)):
                    take()
                for pending in group:
                    pending.result = error
            except Exception as error:  # noqa: BLE001 - whatever failed the group, each report gets its own try
                if len(group or take()) == 1:
                    group[0].result = error
                else:
                    for pending in group:
                        await self._record_alone(utility, pending)
            for pending in group:
                pending.answer()

    def _take(self, queue: deque[PendingReport], group: list[PendingReport]) -> list[PendingReport]:
        """Take the next group from those that wait."""
        group.extend(queue.popleft() for _ in range(min(len(queue), MOST_TOGETHER)))
        self._metrics.waiting.dec(len(group))
        return group

    async def _record_alone(self, utility: str, pending: PendingReport) -> None:
        pending.judged = pending.result = None
        try:
            await self._record(utility, lambda: [pending])
        except Exception as error:  # noqa: BLE001 - it is this report's own answer
            pending.result = error

    async def _record(self, code: str, take: Callable[[], list[PendingReport]]) -> None:
        """Record the group that `take` gives, each with its result.

        It is taken only when there is a session for it: where many utilities wait for one, their groups gather more meanwhile.
        """
        async with self._store.session(code) as session:
            group = take()
            if not (dated := [pending for pending in group if _has_a_moment(pending)]):
                return
            gathered = await _judge_group(session, dated)
            judged = {pending: pending.judged for pending in dated if pending.judged is not None}
            corrects = any(value.row.supersedes is not None for value in judged.values())
            written = not judged or (not corrects and await self._write_freely(session, gathered, judged))
        utility = gathered.utility
        # The session is given back before another is asked for: as many groups may be here as there are sessions.
        if not written:
            utility = await self._write_locked(code, list(judged))
        recorded_before = [(pending, pending.result) for pending in group if isinstance(pending.result, UUID)]
        if recorded_before:
            await self._store.settle(code)
        for pending, report_id in recorded_before:
            pending.result = await self._answer_again(utility, report_id)

    async def _write_freely(self, session: ReportSession, gathered: Gathered, judged: Mapping[PendingReport, Judged]) -> bool:
        """Write them by what was read, with no lock held while we think; False, and nothing is written, where that was overtaken."""
        group = Group(gathered.utility, self._clock.now(), gathered.taken, gathered.requests)
        for value in judged.values():
            group.know(value)
        _work_out(group, judged)
        if group.rows and not await session.record(
            group.rows, group.requests, list(group.standings.values()), seen=gathered.changes
        ):
            return False
        self._count(group)
        return True

    async def _write_locked(self, code: str, group: Sequence[PendingReport]) -> UtilityOnRecord:
        """Judge and write them while nobody else writes for the utility: all that they rest on is read again under the lock."""
        async with self._store.recording(code) as recording:
            working = await record_whole(recording, group, now=self._clock.now())
        self._count(working)
        return recording.utility

    def _count(self, group: Group) -> None:
        self.count(group.rows)

    def count(self, rows: Sequence[ReportRow]) -> None:
        """Count reports that were recorded, whoever recorded them."""
        if rows:
            self._metrics.recorded([(row.outcome, row.acceptance) for row in rows])

    async def _answer_again(self, utility: UtilityOnRecord, report_id: UUID) -> Submitted:
        """The answer to a report that was recorded before."""
        recorded = await read_report(self._store, utility, report_id, now=self._clock.now())
        return Submitted(
            fresh=False, id=report_id, verdict=recorded.verdict, standing=recorded.standing, report=lambda: recorded.report
        )


async def record_whole(recording: Recording, group: Sequence[PendingReport], *, now: dt.datetime, write: bool = True) -> Group:
    """Judge those reports and write them by all that is recorded, under the lock that `recording` holds; each has its result.

    Without `write` nothing is written.
    """
    for pending in group:
        pending.judged = pending.result = None
    await _judge_group(recording.session, group)
    judged = {pending: pending.judged for pending in group if pending.judged is not None}
    assemblies = sorted({value.row.assembly_id for value in judged.values()})
    keys = [key for pending in group if (key := pending.submission.idempotency_key) is not None]
    requests = await recording.requests(keys) if keys else []
    ids = {pending.submission.id for pending in group} | {request.report_id for request in requests}
    working = Group(recording.utility, now, [], requests)
    working.know_whole(await recording.assemblies(assemblies), await recording.history(assemblies, sorted(ids)))
    _work_out(working, judged)
    if working.rows and write:
        await recording.session.record(working.rows, working.requests, list(working.standings.values()), seen=None)
    return working


def _has_a_moment(pending: PendingReport) -> bool:
    """Whether the test's moment is one that a clock shows and a database keeps; its result says so where it is not."""
    try:
        check_moment(pending.submission.facts.performed_at)
    except ProblemError as error:
        pending.result = error
    return pending.result is None


async def _judge_group(session: ReportSession, group: Sequence[PendingReport]) -> Gathered:
    """Read in one statement what those reports rest on, and judge each by it; one that is refused has that as its result."""
    submissions = [pending.submission for pending in group]
    gathered = await session.gather(submissions)
    # How what is corrected came out: it is recorded already, or comes before its correction in this group.
    corrected = [submission.facts.supersedes for submission in submissions if submission.facts.supersedes is not UNSET]
    outcomes = await session.outcomes(corrected) if corrected else {}
    for pending, known in zip(group, gathered.facts, strict=True):
        try:
            pending.judged = one = judge(gathered.utility, pending.submission, known, outcomes)
            cleared = one.row.outcome == "pass" and one.row.acceptance == "accepted"
            outcomes.setdefault(one.row.id, "fail" if one.event.failure_seen and not cleared else one.row.outcome)
        except (ProblemError, rules.RulesError) as error:
            pending.result = error
    return gathered


def _work_out(group: Group, judged: Mapping[PendingReport, Judged]) -> None:
    """Work each report out against the record and those before it; its result is its answer, or what is wrong with it."""
    for pending, value in judged.items():
        try:
            pending.result = group.add(value)
        except ProblemError as error:
            pending.result = error
    group.finish()


async def read_report(store: ReportStore, utility: UtilityOnRecord, report_id: UUID, *, now: dt.datetime) -> RecordedRaw:
    """A report with its verdict, and its assembly's standing now; 404 where there is none."""
    stored = await store.report(utility.code, report_id)
    if stored is None:
        raise not_found("report")
    return _recorded(utility, stored, today(utility, now))


def _recorded(utility: UtilityOnRecord, stored: StoredReport, on: dt.date) -> RecordedRaw:
    facts = msgspec.json.decode(stored.content, type=KeptFacts)
    standing: rules.Standing | UnsetType = UNSET
    if stored.basis is not None:
        standing = rules.standing_on(msgspec.json.decode(stored.basis, type=rules.Standing), on, utility.due_soon_days)
    return RecordedRaw(
        report=report_of(
            utility.code,
            stored.id,
            stored.received_at,
            facts,
            log_index=stored.log_index,
            superseded_by=stored.superseded_by or UNSET,
            decision=UNSET if stored.decision is None else msgspec.json.decode(stored.decision, type=ReviewDecision),
        ),
        verdict=Raw(stored.verdict.encode()),
        standing=standing,
    )
