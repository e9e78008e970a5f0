"""Reports in batches: a line of JSON a report in, a line of JSON an answer out, in the same order, both streamed.

A line is a report as a single call takes it, with an `id` of the sender's own: sending the batch again is safe. A line that is bad
spoils only itself. A bounded number of lines is under way at a time; while they are recorded no more is read, and the sender waits.
"""

import asyncio
import logging
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from typing import Any
from uuid import UUID

import msgspec
from litestar.exceptions import HTTPException
from msgspec import UNSET, Raw, Struct, UnsetType

import rules
from service.http import documents
from service.http.endpoint import MINIMAL, Answer, Call, operation
from service.http.media_types import NDJSON
from service.http.problem_details import Problem, body_of, status_of
from service.http.spool import Spool
from service.problems import ProblemError, problem
from service.record.reports.brief import BriefReport, brief
from service.record.reports.group import Submitted
from service.record.reports.schemas import ReportFacts, Submission

UNDER_WAY = 512
"""So many lines of a batch are under way at most: a group that is being written, and the next that gathers."""
LINE_SHARE = 0.1
"""What a line takes of a key's allowance, in requests: about what it costs beside one."""
log = logging.getLogger("nonreturn")


class BatchLine(ReportFacts, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A report with its id."""

    id: UUID
    """The report's id, a UUID that you mint: sending the line again is safe."""


class _Named(Struct):
    """What is read of a line that is refused, so that its answer names it."""

    id: UUID


class BatchLineResult(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The answer to the line of that number, counted from 1: a recorded report's id, verdict and standing, or the problem.

    `status` is that of a single report: 201 recorded, 200 recorded before with the same content, or the problem's.
    """

    line: int
    """The number of the line answered, counted from 1."""
    status: int
    """201 recorded, 200 recorded before with the same content, or the status of the problem."""
    id: UUID | UnsetType = UNSET
    """The report's id."""
    verdict: rules.Verdict | UnsetType = UNSET
    """The verdict on the report."""
    standing: rules.Standing | UnsetType = UNSET
    """The assembly's standing with this report."""
    problem: Problem | UnsetType = UNSET
    """Why the line was refused."""


class BriefBatchLineResult(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The answer to a line in brief, where `Prefer: return=minimal` was sent; `GET …/reports/{id}` has the rest."""

    line: int
    """The number of the line answered, counted from 1."""
    status: int
    """201 recorded, 200 recorded before with the same content, or the status of the problem."""
    id: UUID | UnsetType = UNSET
    """The report's id."""
    outcome: rules.Outcome | UnsetType = UNSET
    """The outcome of the last phase tested."""
    acceptance: rules.Acceptance | UnsetType = UNSET
    """Whether the report is accepted, held or refused by its verdict."""
    flags: list[str] | UnsetType = UNSET
    """The codes of the verdict's flags."""
    standing_status: rules.StandingStatus | UnsetType = UNSET
    """The status of the assembly with this report."""
    problem: Problem | UnsetType = UNSET
    """Why the line was refused."""


class _RawBatchLineResult(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The same, with the verdict and the problem as the bytes that they are."""

    line: int
    status: int
    id: UUID | UnsetType = UNSET
    verdict: Raw | UnsetType = UNSET
    standing: rules.Standing | UnsetType = UNSET
    problem: Raw | UnsetType = UNSET


class _Line(Struct, frozen=True, kw_only=True):
    """A line that is under way, or what is wrong with it already."""

    number: int
    id: UUID | UnsetType
    coming: "asyncio.Future[Submitted] | Exception"


_UnderWay = asyncio.Queue[_Line | None]


@operation(
    "POST",
    "/v1/utilities/{utility:str}/reports/batches",
    id="submitReportBatch",
    summary="Submit a batch of reports",
    answers={200: BatchLineResult},
    media_types={200: (NDJSON,)},
    tag="reports",
    right="report",
    companies=True,
    body_media_type=NDJSON,
    line=BatchLine,
    answer_line=BatchLineResult,
    streams=True,
    minimal=BriefBatchLineResult,
)
async def post_batch(call: Call, document: bytes = b"") -> Answer:  # noqa: ARG001 - the body is read while it is answered
    """Record the reports of a batch. Each line is answered in order, and a bad line affects only itself."""
    await call.services.registry.utility(call.utility)
    answers = _answers(call)
    # Up to where it has its place among the batches, so that one too many is refused with a status.
    await anext(answers)
    return Answer(body=answers, media_type=NDJSON, reads_on=True, headers=MINIMAL if call.wants_minimal else {})


async def _answers(call: Call) -> AsyncIterator[bytes]:
    """Nothing at first, then the lines' answers."""
    with call.services.batches.one(call.who.key_id, "batches"):
        yield b""
        async for piece in _recorded(call):
            yield piece


async def _recorded(call: Call) -> AsyncIterator[bytes]:
    spool = Spool(call.services.spools, call.who.key_id)
    reader = asyncio.create_task(_read(call, spool))
    try:
        while piece := await spool.get():
            yield piece
        await reader
    finally:
        spool.close()
        reader.cancel()
        with suppress(asyncio.CancelledError):
            await reader


async def _read(call: Call, spool: Spool) -> None:
    """Take line after line in; no more than so many are under way."""
    under_way: _UnderWay = asyncio.Queue(UNDER_WAY)
    answering = asyncio.create_task(_put_answers(call, under_way, spool))
    number = 0
    try:
        async for number, line in _lines(call.pieces(), call.services.settings.body_limit):
            # The sender waits, as the lines of a batch count against its key's allowance.
            while wait := call.services.rates.pause(call.who.key_id, LINE_SHARE, time.monotonic()):  # noqa: ASYNC110 - time alone ends it
                await asyncio.sleep(wait)
            # Decoded as it comes, without a task of its own; only recording is waited for.
            await under_way.put(_entered(call, number, line))
    except ProblemError as late:
        # The line that did not come is answered so; those before it stand, and the batch may be sent again.
        await under_way.put(_Line(number=number + 1, id=UNSET, coming=late))
    except HTTPException:
        # The sender has left in the middle; whole lines that came are recorded all the same.
        log.info("A batch ended before its body did.")
    finally:
        await under_way.put(None)
        await answering


async def _put_answers(call: Call, under_way: _UnderWay, spool: Spool) -> None:
    """Put the answers into the spool in the order of the lines."""
    while (line := await under_way.get()) is not None:
        await spool.put(await _answer(call, line))
    spool.end()


async def _lines(chunks: AsyncIterator[bytes], longest: int) -> AsyncIterator[tuple[int, bytes | None]]:
    """The lines with their numbers; None for one longer than `longest`, which is not kept. Blank lines count and are passed over."""
    rest, number, too_long = b"", 0, False
    async for chunk in chunks:
        *lines, last = chunk.split(b"\n")
        for line in lines:
            number += 1
            whole, rest = rest + line, b""
            if too_long or len(whole) > longest:
                too_long = False
                yield number, None
            elif whole.strip():
                yield number, whole
        rest += last
        if len(rest) > longest:
            rest, too_long = b"", True
    if too_long or len(rest) > longest:
        yield number + 1, None
    elif rest.strip():
        yield number + 1, rest


def _entered(call: Call, number: int, line: bytes | None) -> _Line:
    report_id: UUID | UnsetType = UNSET
    coming: asyncio.Future[Submitted] | Exception
    try:
        if line is None:
            limit = call.services.settings.body_limit
            raise problem("line_too_large", at_most=limit)  # noqa: TRY301 - answered like any other
        result = documents.decode(BatchLine, line)
        report_id = result.id
        facts = ReportFacts(**{name: getattr(result, name) for name in ReportFacts.__struct_fields__})
        submission = Submission(id=report_id, facts=facts, principal=call.who, received_at=call.clock.now())
        coming = call.services.submissions.submit(call.utility, submission)
    except Exception as error:  # noqa: BLE001 - a line's failure is its own answer
        coming = error
        if report_id is UNSET and line is not None:
            with suppress(msgspec.DecodeError, RecursionError):
                report_id = msgspec.json.decode(line, type=_Named).id
    return _Line(number=number, id=report_id, coming=coming)


async def _answer(call: Call, line: _Line) -> bytes:
    try:
        if isinstance(line.coming, Exception):
            raise line.coming  # noqa: TRY301 - answered like one that comes later
        done = await line.coming
        status = 201 if done.fresh else 200
        if call.wants_minimal:
            return msgspec.json.encode(_brief(line.number, status, brief(done.id, done.verdict, done.standing))) + b"\n"
        answer = _RawBatchLineResult(
            line=line.number,
            status=status,
            id=done.id,
            verdict=done.verdict,
            standing=done.standing,
        )
    except Exception as error:  # noqa: BLE001 - a line's failure is its own answer
        refused = _problem_for(error)
        body: Any = Raw(body_of(refused, call.request.url.path))
        answer = _RawBatchLineResult(line=line.number, status=status_of(refused), id=line.id, problem=body)
    return msgspec.json.encode(answer) + b"\n"


def _brief(number: int, status: int, report: BriefReport) -> BriefBatchLineResult:
    said = {name: getattr(report, name) for name in BriefReport.__struct_fields__}
    return BriefBatchLineResult(line=number, status=status, **said)


def _problem_for(error: Exception) -> ProblemError:
    if isinstance(error, ProblemError):
        return error
    if isinstance(error, rules.RulesError):
        return documents.from_rules(error)
    log.error("A line of a batch failed.", exc_info=error)
    return problem("service_failed")


operations = [post_batch]
