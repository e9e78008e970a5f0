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
from service.record.reports.group import Answer, Group, Submitted, report_of
from service.record.reports.judging import Judged, Submission, check_moment, judge
from service.record.reports.rows import ReportRow, StoredReport
from service.record.reports.schemas import KeptFacts, RecordedRaw
from service.record.reports.store import Asked, Gathered, ReportSession, ReportStore
from service.record.reviews.schemas import ReviewDecision
from service.registry.calendar import today
from service.registry.schemas import Utility

MOST_TOGETHER = 256
MOST_WAITING = 6_000
"""Beyond this many waiting reports of a utility a new one is turned away with 503, rather than kept in memory: some kilobytes each, and room for
ten batches at once."""

_Waiting = tuple[Submission, "asyncio.Future[Submitted]"]


class Submissions:
    """The way in for reports."""

    def __init__(self, store: ReportStore, clock: Clock, metrics: Metrics | None = None) -> None:
        self._metrics = metrics or Metrics()
        self._store = store
        self._clock = clock
        self._waiting: dict[str, deque[_Waiting]] = {}
        self._writers: dict[str, asyncio.Task[None]] = {}

    async def submit(self, utility: str, submission: Submission) -> Submitted:
        """Record a report and answer once it is durable; ProblemError where it cannot be."""
        return await self.enter(utility, submission)

    def enter(self, utility: str, submission: Submission) -> "asyncio.Future[Submitted]":
        """Let a report wait for its group; what `submit` answers comes later. ProblemError where too many wait."""
        queue = self._waiting.setdefault(utility, deque())
        if len(queue) >= MOST_WAITING:
            raise problem("reports_waiting", wait=1)
        future: asyncio.Future[Submitted] = asyncio.get_running_loop().create_future()
        queue.append((submission, future))
        self._metrics.waiting.inc()
        writer = self._writers.get(utility)
        if writer is None or writer.done():
            # A group may hold reports of several senders, so it is written in a context of its own, and not as any of them.
            self._writers[utility] = asyncio.create_task(self._write(utility, queue), context=Context())
        return future

    async def close(self) -> None:
        """Finish what waits."""
        await asyncio.gather(*self._writers.values(), return_exceptions=True)

    async def _write(self, utility: str, queue: deque[_Waiting]) -> None:
        while queue:
            group: list[_Waiting] = []
            take = partial(self._take, queue, group)
            try:
                results: Sequence[Submitted | Exception] = await self._record(utility, take)
            except ProblemError as error:
                # Where a database kept silent until it was given up, those who waited meanwhile are not made to wait as long again.
                while not group or (queue and isinstance(error.__cause__, TimeoutError)):
                    take()
                results = [error] * len(group)
            except Exception as error:  # noqa: BLE001 - whatever failed the group, each report gets its own try
                alone = len(group or take()) == 1
                results = [error] if alone else [await self._alone(utility, submission) for submission, _ in group]
            for (_, future), result in zip(group, results, strict=True):
                if future.done():
                    continue
                if isinstance(result, Exception):
                    future.set_exception(result)
                else:
                    future.set_result(result)

    def _take(self, queue: deque[_Waiting], group: list[_Waiting]) -> list[Submission]:
        """Take the next group from those that wait."""
        group.extend(queue.popleft() for _ in range(min(len(queue), MOST_TOGETHER)))
        self._metrics.waiting.dec(len(group))
        return [submission for submission, _ in group]

    async def _alone(self, utility: str, submission: Submission) -> Submitted | Exception:
        try:
            return (await self._record(utility, lambda: [submission]))[0]
        except Exception as error:  # noqa: BLE001 - it is this report's own answer
            return error

    async def _record(self, code: str, take: Callable[[], list[Submission]]) -> list[Submitted | Exception]:
        """Record the group that `take` gives; each result stands where its submission stood.

        It is taken only when there is a session for it: where many utilities wait for one, their groups gather more meanwhile.
        """
        written: _Written | None = None
        async with self._store.session(code) as session:
            submissions = take()
            results: list[Submitted | Exception | None] = [None] * len(submissions)
            dated: dict[int, Submission] = {}
            for place, submission in enumerate(submissions):
                try:
                    check_moment(submission.facts.performed_at)
                    dated[place] = submission
                except ProblemError as error:
                    results[place] = error
            judged = await _judged(session, dated) if dated else None
            if judged and judged.reports and all(one.row.supersedes is None for one in judged.reports.values()):
                written = await self._write_freely(session, judged)
        # The session is given back before another is asked for: as many groups may be here as there are sessions.
        if judged and judged.reports and written is None:
            written = await self._write_alone(code, {place: submissions[place] for place in judged.reports})
        for place, refused in judged.refused.items() if judged else ():
            results[place] = refused
        if written is not None:
            if written.rows:
                self._metrics.recorded([(row.outcome, row.acceptance) for row in written.rows])
            if any(isinstance(answer, UUID) for answer in written.answers.values()):
                await self._store.settle(code)
            for place, answer in written.answers.items():
                results[place] = await self._again(written.utility, answer) if isinstance(answer, UUID) else answer
        return [result for result in results if result is not None]

    async def _write_freely(self, session: ReportSession, judged: "_Judged") -> "_Written | None":
        """Write them by what was read, with no lock held while we think; None, and nothing is written, where that was overtaken."""
        gathered = judged.gathered
        group = Group(gathered.utility, self._clock.now(), gathered.taken, gathered.requests)
        for one in judged.reports.values():
            group.know(one.row.assembly_id, one.known, one.rests)
        answers = group.answers(judged.reports)
        standings = list(group.standings.values())
        if group.rows and not await session.record(group.rows, group.requests, standings, seen=gathered.changes):
            return None
        return _Written(utility=gathered.utility, rows=group.rows, answers=answers)

    async def _write_alone(self, code: str, submissions: dict[int, Submission]) -> "_Written":
        """Judge and write them while nobody else writes for the utility: all that they rest on is read again under the lock."""
        async with self._store.recording(code) as recording:
            judged = await _judged(recording.session, submissions)
            assemblies = sorted({one.row.assembly_id for one in judged.reports.values()})
            keys = [one.idempotency_key for one in submissions.values() if one.idempotency_key is not None]
            requests = await recording.requests(keys) if keys else []
            ids = {one.id for one in submissions.values()} | {one.report_id for one in requests}
            group = Group(recording.utility, self._clock.now(), [], requests)
            group.know_whole(await recording.assemblies(assemblies), await recording.history(assemblies, sorted(ids)))
            answers = group.answers(judged.reports)
            if group.rows:
                await recording.record(group.rows, group.requests, list(group.standings.values()))
        return _Written(utility=recording.utility, rows=group.rows, answers={**answers, **judged.refused})

    async def _again(self, utility: Utility, report_id: UUID) -> Submitted:
        """The answer to a report that was recorded before."""
        told = await read_report(self._store, utility, report_id, now=self._clock.now())
        return Submitted(fresh=False, id=report_id, verdict=told.verdict, standing=told.standing, report=lambda: told.report)


class _Judged(Struct, kw_only=True):
    """What was read for some reports, those judged by it and those it refuses, each by its place."""

    gathered: Gathered
    reports: dict[int, Judged]
    refused: dict[int, Exception]


class _Written(Struct, kw_only=True):
    """What was written of a group, the utility as it was then, and what each of its reports is answered."""

    utility: Utility
    rows: list[ReportRow]
    answers: Mapping[int, Answer | Exception]


async def _judged(session: ReportSession, submissions: dict[int, Submission]) -> _Judged:
    """Read in one statement what those reports rest on, and judge them by it."""
    gathered = await session.gather([_asked(one) for one in submissions.values()])
    # How what is corrected came out: it is recorded already, or stands before its correction in this group.
    corrected = [one.facts.supersedes for one in submissions.values() if one.facts.supersedes is not UNSET]
    outcomes = await session.outcomes(corrected) if corrected else {}
    found = _Judged(gathered=gathered, reports={}, refused={})
    for (place, submission), known in zip(submissions.items(), gathered.facts, strict=True):
        try:
            found.reports[place] = one = judge(gathered.utility, submission, known, outcomes)
            cleared = one.row.outcome == "pass" and one.row.acceptance == "accepted"
            outcomes.setdefault(one.row.id, "fail" if one.event.failure_seen and not cleared else one.row.outcome)
        except (ProblemError, rules.RulesError) as error:
            found.refused[place] = error
    return found


async def read_report(store: ReportStore, utility: Utility, report_id: UUID, *, now: dt.datetime) -> RecordedRaw:
    """A report with its verdict, and its assembly's standing now; 404 where there is none."""
    stored = await store.report(utility.code, report_id)
    if stored is None:
        raise not_found("report")
    return _recorded(utility, stored, today(utility, now))


def _recorded(utility: Utility, stored: StoredReport, on: dt.date) -> RecordedRaw:
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


def _asked(one: Submission) -> Asked:
    return Asked(
        assembly_id=one.facts.assembly_id, tester_id=one.facts.tester_id, gauge_id=one.facts.gauge_id,
        performed_at=one.facts.performed_at, company_id=one.principal.company, id=one.id,
        organisation_id=one.principal.organisation_id, idempotency_key=one.idempotency_key,
    )  # fmt: skip
