"""What the command does to prove the record: audit the log, sign its heads, judge every report again."""

import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from uuid import UUID

import msgspec
from msgspec import Struct

from service.auth.store import AccessStore
from service.cli.commands import database
from service.clock import SystemClock
from service.db.pool import Pool
from service.ledger.audit import audit
from service.ledger.audit_facts import audit_facts
from service.ledger.fact_store import FactStore
from service.ledger.store import LogStore
from service.ledger.tree import head
from service.problems import ProblemError, problem
from service.record.reports.rejudging import rejudge_reports
from service.record.reports.store import ReportStore
from service.record.standings.work_out import differing_standings
from service.registry.store import RegistryStore
from service.settings import Settings
from service.signing import KeyRing

MOST = 100
"""The largest exit status that says how many differ."""


@asynccontextmanager
async def _utilities(settings: Settings, chosen: str | None) -> AsyncIterator[tuple[Pool, list[str]]]:
    """The database, and the utilities to go through: the one chosen, or every one there is."""
    with database(settings) as found:
        pool = await Pool.open(found.dsn, size=2)
        try:
            codes = [row["utility_id"] for row in await AccessStore(pool).rows("all_utility_ids")]
            if chosen is not None:
                codes = [(await RegistryStore(pool).utility(chosen)).code]
            yield pool, codes
        finally:
            await pool.close()


def _progress(utility: str) -> Callable[..., None]:
    """Says how far a long run has come, on standard error, every 20 000 reports."""
    reported = 0

    def heard(done: int, of: int | None = None) -> None:
        nonlocal reported
        if done - reported >= 20_000:  # noqa: PLR2004 - so often that a person sees it go on
            reported = done
            print(f"{utility}: {done} reports{'' if of is None else f' of {of}'}", file=sys.stderr, flush=True)  # noqa: T201

    return heard


async def rejudge(settings: Settings, utility: str | None) -> int:
    """Judge every report again, of one utility or of all, and say which verdicts would differ and in what; none is rewritten.

    The number of differing verdicts is the exit status, 100 at most.
    """
    count = 0
    async with _utilities(settings, utility) as (pool, codes):
        for code in codes:
            judged, differing = await rejudge_reports(ReportStore(pool), code, _progress(code))
            print(f"{code}: {judged} reports judged again, {len(differing)} verdicts differ.")  # noqa: T201
            print("".join(f"{item.report_id}: {item.says}\n" for item in differing), end="")  # noqa: T201
            count += len(differing)
    return min(count, MOST)


async def seal(settings: Settings, utility: str | None) -> int:
    """Sign the heads of each utility's two logs as they are, and print them, for whoever keeps heads; 1 where one cannot be signed."""
    status = 0
    async with _utilities(settings, utility) as (pool, codes):
        keys = KeyRing(settings.signing_keys).keys()
        for code in codes:
            try:
                # The head of the reports first: it is a fact itself, which the head of the facts then covers.
                for log in (LogStore(pool), FactStore(pool)):
                    print((await head(log, keys, code, now=SystemClock().now())).signed)  # noqa: T201
            except ProblemError as error:
                print(f"{code}: {error.detail}", file=sys.stderr)  # noqa: T201
                status = 1
    return status


async def audited(settings: Settings, utility: str | None, kept: list[str], *, rejudged: bool, standings: bool) -> int:
    """Audit the log of one utility or of all, and say what was found; 1 where anything was."""
    keys = KeyRing(settings.signing_keys).keys()
    troubled = False
    async with _utilities(settings, utility) as (pool, codes):
        for code in codes:
            found = await audit(LogStore(pool), keys, code, kept, _progress(code))
            facts = await audit_facts(FactStore(pool), keys, code, kept, _progress(code))
            lines = list(dict.fromkeys(trouble.line() for trouble in [*found.troubles, *facts.troubles]))
            if rejudged:
                _, differing = await rejudge_reports(ReportStore(pool), code, _progress(code))
                lines += [f"report {item.report_id}: verdict differs: {item.says}" for item in differing]
            if standings:
                lines += await _standings(pool, code)
            said = "nothing altered" if not lines else f"{len(lines)} found"
            heads = f"{found.heads + facts.heads} heads kept here, {len(kept)} kept elsewhere"
            print(f"{code}: {found.reports} reports, {facts.facts} facts, {heads}: {said}.")  # noqa: T201
            print("".join(f"{code}: {line}\n" for line in lines), end="")  # noqa: T201
            print("".join(f"{code}: note: {note.line()}\n" for note in [*found.notes, *facts.notes]), end="")  # noqa: T201
            troubled = troubled or bool(lines)
    return 1 if troubled else 0


async def _standings(pool: Pool, code: str) -> list[str]:
    """A line for each assembly whose kept standing is not what its reports give."""
    store, found = ReportStore(pool), list[UUID]()
    try:
        utility = await RegistryStore(pool).utility(code)
    except ProblemError as error:
        return [f"utility: standings cannot be worked out: {error.detail}"]
    for assembly_id in await store.assembly_ids(utility.code):
        # Under the log's lock, so that no report comes between its standing and its history.
        async with store.recording(utility.code) as recording:
            found += [row.assembly_id for row in await differing_standings(recording, [assembly_id])]
    return [f"assembly {item}: standing differs: Worked out again from the reports, it is another." for item in found]


class _Head(Struct):
    head: str


class _KeptHeads(Struct):
    head: str | None = None
    items: list[_Head] = []


def kept_heads(file: Path | None) -> list[str]:
    """The heads in a file: a JWS a line, or the service's JSON answers, one a line or a list of them; none where there is no file.

    ProblemError where they cannot be read.
    """
    found = []
    try:
        for line in [] if file is None else file.read_text(encoding="utf-8").splitlines():
            if line.strip().startswith("{"):
                kept = msgspec.json.decode(line, type=_KeptHeads)
                found += [item.head for item in kept.items] if kept.head is None else [kept.head]
            elif line.strip():
                found.append(line.strip())
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise problem("kept_head_unreadable", file=str(file), error=str(error)) from None
    return found
