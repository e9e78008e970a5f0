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
from collections.abc import Callable, Sequence
from contextvars import Context
from functools import partial
from typing import Any
from uuid import UUID

import msgspec
from msgspec import UNSET, Raw, Struct, UnsetType
from msgspec.structs import replace

import rules
from service.clock import Clock
from service.metrics import Metrics
from service.problems import Fault, ProblemError, not_found
from service.records.judging import Submission, day_of_test, judge, today
from service.records.leaf import hashed
from service.reports import KeptFacts, RecordedRaw, Report
from service.reviews import ReviewDecision
from service.store.pool import company_looks, whole_view
from service.store.registry import RegistryStore
from service.store.reports import (
    AssemblyRow,
    Gathered,
    HistoryRow,
    Recording,
    ReportRow,
    ReportSession,
    ReportStore,
    RequestRow,
    StandingRow,
    StoredReport,
)
from service.things import Season, Utility

MOST_TOGETHER = 64
MOST_WAITING = 2_000
"""Beyond this many waiting reports of a utility a new one is turned away with 503, rather than kept in memory."""
_UTILITY_REMEMBERED = dt.timedelta(seconds=5)


class Submitted(Struct, frozen=True, kw_only=True):
    """A report that is recorded; `fresh` is false where it was recorded before, with the same content."""

    fresh: bool
    answer: RecordedRaw


class _Judged(Struct, kw_only=True):
    """A submission with its verdict, before it is written."""

    submission: Submission
    row: ReportRow


_Waiting = tuple[Submission, "asyncio.Future[Submitted]"]


class Submissions:
    """The way in for reports."""

    def __init__(self, store: ReportStore, registry: RegistryStore, clock: Clock, metrics: Metrics | None = None) -> None:
        self._metrics = metrics or Metrics()
        self._store = store
        self._registry = registry
        self._clock = clock
        self._waiting: dict[str, deque[_Waiting]] = {}
        self._writers: dict[str, asyncio.Task[None]] = {}
        self._utilities: dict[str, tuple[dt.datetime, Utility]] = {}

    async def submit(self, utility: str, submission: Submission) -> Submitted:
        """Record a report and answer once it is durable; ProblemError where it cannot be."""
        return await self.enter(utility, submission)

    def enter(self, utility: str, submission: Submission) -> "asyncio.Future[Submitted]":
        """Let a report wait for its group; what `submit` answers comes later. ProblemError where too many wait."""
        queue = self._waiting.setdefault(utility, deque())
        if len(queue) >= MOST_WAITING:
            raise ProblemError(
                "unavailable", "Too many reports are waiting; send this one again shortly.", headers={"Retry-After": "1"}
            )
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

    async def _record(self, utility_code: str, take: Callable[[], list[Submission]]) -> list[Submitted | Exception]:
        """Record the group that `take` gives; each result stands where its submission stood.

        It is taken only when there is a session for it: where many utilities wait for one, their groups gather more meanwhile.
        """
        utility = await self._utility(utility_code)
        judged: dict[int, _Judged] = {}
        written: _Written | None = None
        async with self._store.session(utility_code) as session:
            submissions = take()
            results: list[Submitted | Exception | None] = [None] * len(submissions)
            asked: list[int] = []
            for place, submission in enumerate(submissions):
                try:
                    day_of_test(utility, submission.facts.performed_at)
                    asked.append(place)
                except ProblemError as error:
                    results[place] = error
            some = [submissions[place] for place in asked]
            keys = [one.idempotency_key for one in some if one.idempotency_key is not None]
            companies = [one.principal.company for one in some]
            named = [one.id for one in some] + [one.facts.supersedes for one in some if one.facts.supersedes is not UNSET]
            gathered = await session.gather([one.facts for one in some], named, keys, companies)
            # How what is corrected came out: it is recorded already, or stands before its correction in this group.
            outcomes = {row.id: row.outcome for row in gathered.taken}
            for place, facts in zip(asked, gathered.facts, strict=True):
                try:
                    row = judge(utility, submissions[place], facts, outcomes)
                    judged[place] = _Judged(submission=submissions[place], row=row)
                    outcomes.setdefault(row.id, row.outcome)
                except (ProblemError, rules.RulesError) as error:
                    results[place] = error
            if judged and all(one.row.supersedes is None for one in judged.values()):
                written = await self._write_freely(session, utility, judged, gathered)
        # The session is given back before another is asked for: as many groups may be here as there are sessions.
        if judged and written is None:
            written = await self._write_alone(utility, judged)
        if written is not None:
            if written.rows:
                self._metrics.recorded([(row.outcome, row.acceptance) for row in written.rows])
            if any(isinstance(answer, UUID) for answer in written.answers.values()):
                await self._store.settle(utility.code)
            for place, answer in written.answers.items():
                results[place] = await self._again(utility, answer) if isinstance(answer, UUID) else answer
        return [result for result in results if result is not None]

    async def _write_freely(
        self, session: ReportSession, utility: Utility, judged: dict[int, _Judged], gathered: Gathered
    ) -> "_Written | None":
        """Write them by what was read, with no lock held while we think; None, and nothing is written, where that was overtaken."""
        group = _Group(utility, self._clock.now(), gathered)
        answers = group.answers(judged)
        standings = list(group.standings.values())
        if group.rows and not await session.record(group.rows, group.requests, standings, seen=gathered.changes):
            return None
        return _Written(rows=group.rows, answers=answers)

    async def _write_alone(self, utility: Utility, judged: dict[int, _Judged]) -> "_Written":
        """Write them while nobody else writes for the utility: what they rest on is read again under the lock."""
        async with self._store.recording(utility.code) as recording:
            assemblies = sorted({one.row.assembly_id for one in judged.values()})
            keys = [one.submission.idempotency_key for one in judged.values() if one.submission.idempotency_key is not None]
            requests = await recording.requests(keys) if keys else []
            ids = {one.row.id for one in judged.values()} | {one.report_id for one in requests}
            again = Gathered(
                assemblies=await recording.assemblies(assemblies),
                history=await recording.history(assemblies, sorted(ids)),
                requests=requests,
            )
            group = _Group(utility, self._clock.now(), again)
            answers = group.answers(judged)
            if group.rows:
                await recording.record(group.rows, group.requests, list(group.standings.values()))
        return _Written(rows=group.rows, answers=answers)

    async def _again(self, utility: Utility, report_id: UUID) -> Submitted:
        """The answer to a report that was recorded before."""
        return Submitted(fresh=False, answer=await read_report(self._store, utility, report_id, now=self._clock.now()))

    async def _utility(self, code: str) -> Utility:
        now = self._clock.now()
        known = self._utilities.get(code)
        if known is None or not dt.timedelta(0) <= now - known[0] < _UTILITY_REMEMBERED:
            known = self._utilities[code] = (now, await self._registry.utility(code))
        return known[1]


class _Written(Struct, kw_only=True):
    """What was written of a group, and what each of its reports is answered; an id: as that report was answered before."""

    rows: list[ReportRow]
    answers: dict[int, Submitted | UUID | ProblemError]


class _Group:
    """The reports that one transaction records, checked one after another against what is recorded and what precedes them."""

    def __init__(self, utility: Utility, now: dt.datetime, gathered: Gathered) -> None:
        self._utility = utility
        self._assemblies = gathered.assemblies
        self._today = today(utility, now)
        self._by_id = {row.id: row for row in (*gathered.history, *gathered.taken)}
        self._history: dict[UUID, list[HistoryRow]] = {}
        for row in gathered.history:
            self._history.setdefault(row.assembly_id, []).append(row)
        self._superseded = {row.supersedes for row in gathered.history if row.supersedes is not None}
        self._made = {(row.organisation_id, row.idempotency_key): row.report_id for row in gathered.requests}
        self.rows: list[ReportRow] = []
        self.requests: list[RequestRow] = []
        self.standings: dict[UUID, StandingRow] = {}

    def answers(self, judged: dict[int, _Judged]) -> dict[int, Submitted | UUID | ProblemError]:
        """What each gets, by its place: its answer, the id under which the same is recorded already, or what is wrong with it."""
        found: dict[int, Submitted | UUID | ProblemError] = {}
        for place, one in judged.items():
            try:
                found[place] = self.add(one)
            except ProblemError as error:
                found[place] = error
        return found

    def add(self, judged: _Judged) -> Submitted | UUID:
        """Take a report in and give its answer, or the id under which the same is recorded already; ProblemError for a conflict."""
        row, submission = judged.row, judged.submission
        key = (row.organisation_id, submission.idempotency_key or "")
        if submission.idempotency_key is not None and key in self._made:
            return self._same(
                self._made[key], judged, "That Idempotency-Key made another report; use a new key for a new report."
            )
        if row.id in self._by_id:
            return self._same(
                row.id,
                judged,
                "Another report is recorded under that id; reports are never changed. Give a new report an id of its own.",
            )
        corrected = self._corrected(judged)
        if row.company_id is None and corrected is not None:
            row = hashed(self._utility.code, replace(row, company_id=corrected.company_id))
        kept = HistoryRow(**{name: getattr(row, name) for name in HistoryRow.__struct_fields__})
        self._by_id[row.id] = kept
        history = self._history.setdefault(row.assembly_id, [])
        history.append(kept)
        if row.supersedes is not None:
            self._superseded.add(row.supersedes)
        self.rows.append(row)
        if submission.idempotency_key is not None:
            self._made[key] = row.id
            self.requests.append(
                RequestRow(organisation_id=row.organisation_id, idempotency_key=submission.idempotency_key, report_id=row.id)
            )
        standing = work_out(self._utility, self._assemblies[row.assembly_id], history)
        self.standings[row.assembly_id] = standing_row(row.assembly_id, standing)
        answer = RecordedRaw(
            report=_report(self._utility.code, row.id, row.received_at, submission.facts),
            verdict=Raw(row.verdict.encode()),
            standing=rules.standing_on(standing, self._today, self._utility.due_soon_days),
        )
        return Submitted(fresh=True, answer=answer)

    def _same(self, recorded: UUID, judged: _Judged, otherwise: str) -> UUID:
        known = self._by_id.get(recorded)
        if known is not None and (known.content_hash != judged.row.content_hash or _anothers(known, judged)):
            raise ProblemError("conflict", otherwise)
        return recorded

    def _corrected(self, judged: _Judged) -> HistoryRow | None:
        """The report that this one corrects; None where it corrects none, ProblemError where it may not correct that one."""
        row = judged.row
        if row.supersedes is None:
            return None
        corrected = self._by_id.get(row.supersedes)
        if corrected is None or corrected.assembly_id != row.assembly_id or _anothers(corrected, judged):
            detail = "`supersedes` names no report of this assembly."
            raise ProblemError("not-applicable", detail, [Fault(pointer="/supersedes", detail=detail)])
        if row.supersedes in self._superseded:
            raise ProblemError("conflict", "That report is superseded already; correct the report that superseded it.")
        return corrected


def _anothers(known: HistoryRow, judged: _Judged) -> bool:
    """Whether a report is hidden from the testing company that sends this one, being none of its own."""
    company = judged.submission.principal.company
    return company is not None and known.company_id != company


def _report(utility: str, report_id: UUID, received_at: dt.datetime, facts: KeptFacts, **more: Any) -> Report:
    said = {name: getattr(facts, name) for name in KeptFacts.__struct_fields__}
    return Report(id=report_id, utility=utility, received_at=received_at, **said, **more)


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
        report=_report(
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


_occurrences = msgspec.json.Decoder(list[rules.Occurrence]).decode


def work_out(utility: Utility, known: AssemblyRow, history: Sequence[HistoryRow]) -> rules.Standing:
    """An assembly's standing from its facts, its reports and what happened to it: the rules' own, by the utility's rulebook."""
    return rules.standing(
        rulebook_id=utility.rulebook,
        hazard=known.hazard,
        connection=known.connection,
        in_service=known.in_service,
        installed_on=known.installed_on,
        history=[
            rules.TestEvent(
                report_id=str(row.id), performed_on=row.performed_on, performed_at=row.performed_at, received_at=row.received_at,
                reason=row.reason, outcome=row.outcome, protection=row.protection, acceptance=row.acceptance,
                initial_outcome=row.initial_outcome or UNSET, supersedes=UNSET if row.supersedes is None else str(row.supersedes),
            )
            for row in history
        ],
        occurrences=_occurrences(known.occurrences) + _occurrences(known.incidents or "[]"),
        season_starts=None if known.season is None else msgspec.json.decode(known.season, type=Season).start,
        interval_months=known.test_interval_months,
        registered_on=today(utility, known.created_at),
    )  # fmt: skip


def standing_row(assembly_id: UUID, standing: rules.Standing) -> StandingRow:
    """A standing as it is kept."""
    return StandingRow(assembly_id=assembly_id, due_on=standing.due_on, basis=msgspec.json.encode(standing).decode())


async def read_standing(store: ReportStore, utility: Utility, assembly_id: UUID, *, now: dt.datetime) -> rules.Standing:
    """An assembly's standing today, where the utility is; 404 for an assembly that is not there."""
    if company_looks() and not await store.sees(utility.code, assembly_id):
        raise not_found("assembly")
    with whole_view():
        # What a standing rests on, incidents too, is not all for a testing company's eyes; how the assembly stands is.
        row = await store.assembly(utility.code, assembly_id)
    if row is None:
        raise not_found("assembly")
    kept = msgspec.json.decode(row.basis, type=rules.Standing) if row.basis is not None else work_out(utility, row, [])
    return rules.standing_on(kept, today(utility, now), utility.due_soon_days)


async def rebuild_standings(store: ReportStore, utility: Utility) -> list[UUID]:
    """Work out every standing of a utility from its reports; the assemblies whose kept one differed, which are written anew."""
    differing = []
    for assembly_id in await store.assembly_ids(utility.code):
        async with store.recording(utility.code) as recording:
            differing += await rework(recording, utility, [assembly_id])
    return differing


async def rework(recording: Recording, utility: Utility, assemblies: Sequence[UUID]) -> list[UUID]:
    """Work out those standings from the reports, and write anew those that differ; their assemblies."""
    for row in (differing := await differing_standings(recording, utility, assemblies)):
        await recording.keep_standing(row)
    return [row.assembly_id for row in differing]


async def differing_standings(recording: Recording, utility: Utility, assemblies: Sequence[UUID]) -> list[StandingRow]:
    """What those of these assemblies' standings would be that are kept otherwise than their reports give; nothing is written."""
    differing = []
    history: dict[UUID, list[HistoryRow]] = {}
    for one in await recording.history(assemblies, []):
        history.setdefault(one.assembly_id, []).append(one)
    for assembly_id, row in (await recording.assemblies(assemblies)).items():
        new = standing_row(assembly_id, work_out(utility, row, history.get(assembly_id, [])))
        if row.basis != new.basis:
            differing.append(new)
    return differing
