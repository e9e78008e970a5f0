"""Notices in Postgres: candidates a page at a time, what was prepared, and the runs.

Everything that writes notices holds the lock of the utility's log before it touches one, as whoever records reports does: a report
that changes a standing withdraws the notices that rest on it, and the two must not wait for each other.
"""

import datetime as dt
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Any, Final
from uuid import UUID

import msgspec
from msgspec import Struct

from rules.notices import Addressee, NoticeStep, Occasion, Window
from service.db.pool import Connection, Pool
from service.db.statements import composed, statements
from service.notices.schemas import NoticeState, NoticeStateEntry, RunState
from service.registry.schemas import Contact

_SQL = statements(__name__)

LEASE: Final = dt.timedelta(seconds=30)
"""How long a run's worker may give no sign before another takes the run over."""

START: Final = (dt.date.min, UUID(int=0))
"""The place before the first candidate (Postgres's -infinity)."""

# What an occasion looks for: the part of the statement, and the statuses that it goes through one after another, each in its index's order.
_SOUGHT: Final[dict[Occasion, tuple[str, tuple[str, ...]]]] = {
    "due": ("due", ("current", "untested")),
    "failed": ("failed", ("failed",)),
    "unprotected": ("failed", ("failed",)),
    "retest": ("failed", ("failed",)),
}


class Scan(Struct, frozen=True, kw_only=True):
    """One stretch of candidates: a step's window among the standings of one status."""

    window: Window
    status: str
    on: dt.date


def scans(windows: Sequence[Window], on: dt.date) -> list[Scan]:
    """The stretches that these windows of that day look through, in their order."""
    return [Scan(window=window, status=status, on=on) for window in windows for status in _SOUGHT[window.step.occasion][1]]


class Candidate(Struct, frozen=True, kw_only=True):
    """An assembly for which a step is the right one; (`due`, `assembly_id`) is its place among them."""

    assembly_id: UUID
    version: int
    due: dt.date
    due_on: dt.date | None
    report_id: UUID | None
    tested_on: dt.date | None
    repair_by: dt.date | None
    counted_from: dt.date
    kind: str
    serial_number: str | None
    position: str | None
    premises_id: UUID
    premises: str
    address: str
    reference: str | None
    contact: str | None


class NewNotice(Struct, frozen=True, kw_only=True):
    """A notice to be kept, while its assembly's standing still has that version."""

    id: UUID
    assembly_id: UUID
    standing_version: int
    due_on: dt.date | None
    report_id: UUID | None
    repair_by: dt.date | None
    scheduled_for: dt.date
    subject: str
    body: str


_ABOUT: Final = ("assembly_id", "due_on", "report_id", "scheduled_for")


class NoticeRow(Struct, frozen=True, kw_only=True):
    """A notice as kept, with where it goes."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    assembly_id: UUID
    premises_id: UUID
    run_id: UUID
    step: str
    occasion: Occasion
    addressee: Addressee
    due_on: dt.date | None
    report_id: UUID | None
    repair_by: dt.date | None
    scheduled_for: dt.date
    state: NoticeState
    states: list[NoticeStateEntry]
    subject: str
    body: str
    contact: Contact | None


class ScheduleRow(Struct, frozen=True, kw_only=True):
    """A utility's own schedule; without steps, the common one is followed."""

    version: int
    changed_at: dt.datetime
    steps: list[NoticeStep] | None


class RunRow(Struct, frozen=True, kw_only=True):
    """A run as kept."""

    id: UUID
    on_day: dt.date
    state: RunState
    worker: UUID
    created_at: dt.datetime
    finished_at: dt.datetime | None
    total: int | None
    done: int
    without_addressee: int
    by_step: dict[str, int]


class NoticeStore:
    """Reads and writes notices, schedules and runs."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    @asynccontextmanager
    async def _transaction(self, utility: str) -> AsyncIterator[Connection]:
        """A transaction whose statements are planned for the tables as they are by now."""
        async with self._pool.lend(utility) as connection, connection.transaction():
            await connection.execute(_SQL["plan_anew"])
            yield connection

    async def schedule(self, utility: str) -> ScheduleRow | None:
        """The utility's own schedule."""
        async with self._pool.lend(utility) as connection:
            return _schedule(await connection.fetchrow(_SQL["schedule"], utility))

    async def keep_schedule(
        self, utility: str, steps: Sequence[NoticeStep] | None, *, version: int, now: dt.datetime
    ) -> ScheduleRow | None:
        """Replace the schedule while its version is still that one (0: none kept yet); None where it is not."""
        result = None if steps is None else msgspec.json.encode(steps).decode()
        async with self._pool.lend(utility) as connection:
            return _schedule(await connection.fetchrow(_SQL["keep_schedule"], utility, version, now, result))

    async def count(self, utility: str, scan: Scan) -> int:
        """How many candidates a stretch holds."""
        sql, arguments = _candidates(utility, scan, ["count"])
        async with self._transaction(utility) as connection:
            found: int = await connection.fetchval(sql, *arguments)
        return found

    async def candidates(self, utility: str, scan: Scan, *, after: tuple[dt.date, UUID], limit: int) -> list[Candidate]:
        """Up to `limit` candidates of a stretch after that place."""
        sql, arguments = _candidates(
            utility, scan, ["candidates"], "candidates_after", after_due=after[0], after=after[1], limit=limit
        )
        async with self._transaction(utility) as connection:
            return [Candidate(**dict(row)) for row in await connection.fetch(sql, *arguments)]

    async def notices(self, utility: str, *, after: UUID | None, limit: int, **wanted: Any) -> list[NoticeRow]:
        """Up to `limit` notices after that id; `wanted` are the columns asked for, None where not asked."""
        asked = {name: value for name, value in wanted.items() if value is not None}
        parts = ["notices", *(f"of_{name}" for name in asked), *(["after"] if after else []), "by_id"]
        sql, arguments = composed(__name__, parts, {**asked, "utility": utility, "after": after, "limit": limit})
        async with self._pool.lend(utility) as connection:
            return [_notice(row) for row in await connection.fetch(sql, *arguments)]

    async def runs(self, utility: str, *, after: UUID | None, limit: int) -> list[RunRow]:
        """Up to `limit` runs after that id."""
        async with self._pool.lend(utility) as connection:
            return [_run(row) for row in await connection.fetch(_SQL["runs"], utility, after, limit, LEASE)]

    async def run(self, utility: str, run_id: UUID) -> RunRow | None:
        """One run."""
        async with self._pool.lend(utility) as connection:
            row = await connection.fetchrow(_SQL["run"], utility, run_id, LEASE)
        return None if row is None else _run(row)

    async def enter_run(self, utility: str, *, new_id: UUID, worker: UUID, on: dt.date, now: dt.datetime) -> UUID:
        """The run to work on or to follow: a new one, one taken over from a worker that gives no sign, or another's that goes on."""
        async with self._pool.lend(utility) as connection:
            while True:
                await connection.execute(_SQL["abandon_run"], utility, on, LEASE)
                for statement, arguments in (
                    ("take_over_run", (on, worker, LEASE)),
                    ("begin_run", (new_id, now, on, worker)),
                    ("unfinished_run", ()),
                ):
                    found: UUID | None = await connection.fetchval(_SQL[statement], utility, *arguments)
                    if found is not None:
                        return found

    async def leave_run(self, utility: str, run: RunRow) -> None:
        """Let go of an unfinished run."""
        async with self._pool.lend(utility) as connection:
            await connection.execute(_SQL["leave_run"], utility, run.id, run.worker)

    async def finish_run(self, utility: str, run: RunRow, *, now: dt.datetime) -> None:
        """Mark a run as finished, if it is still the worker's."""
        async with self._pool.lend(utility) as connection:
            await connection.execute(_SQL["finish_run"], utility, run.id, run.worker, now)

    @asynccontextmanager
    async def piece(self, utility: str, run: RunRow) -> AsyncIterator["Piece | None"]:
        """The transaction of one piece of a run's work; None where the run is no longer the worker's."""
        async with self._transaction(utility) as connection:
            held = await connection.fetchval(_SQL["hold_run"], utility, run.id, run.worker)
            yield None if held is None else Piece(connection, utility)

    async def change_state(
        self,
        connection: Connection,
        utility: str,
        notice_id: UUID,
        *,
        version: int,
        state: str,
        detail: str | None,
        now: dt.datetime,
    ) -> bool:
        """Bring a notice into a state while its version is still that one, in the caller's transaction; whether it was."""
        row = await connection.fetchval(_SQL["change_state"], utility, notice_id, version, now, state, detail)
        return row is not None


class Piece:
    """One transaction of a run."""

    def __init__(self, connection: Connection, utility: str) -> None:
        self._connection = connection
        self._utility = utility

    async def prepare(self, run: RunRow, step: NoticeStep, notices: Sequence[NewNotice], *, now: dt.datetime) -> set[UUID]:
        """Keep those notices that are not kept yet and whose standing is still the one that was read; their ids."""
        await self._connection.execute(statements("service.record.reports.store")["lock_log"], self._utility)
        columns = [[getattr(notice, name) for notice in notices] for name in NewNotice.__struct_fields__]
        rows = await self._connection.fetch(
            _SQL["prepare"], self._utility, now, run.id, step.step, step.occasion, step.to, *columns
        )
        kept = {row["id"] for row in rows}
        if kept:
            about = [[getattr(notice, name) for notice in notices if notice.id in kept] for name in _ABOUT]
            await self._connection.execute(_SQL["withdraw_earlier"], self._utility, now, step.occasion, step.to, *about)
        return kept

    async def advance(self, run: RunRow) -> None:
        """Keep how far the run has come."""
        result = msgspec.json.encode(run.by_step).decode()
        await self._connection.execute(
            _SQL["advance_run"], self._utility, run.id, run.total, run.done, run.without_addressee, result
        )


def _candidates(utility: str, scan: Scan, head: list[str], *tail: str, **more: Any) -> tuple[str, list[Any]]:
    step = scan.window.step
    after = scan.window.after or dt.date.min
    # What is registered by today counts from yesterday at the latest, so that a step beginning later has a due day in its own window.
    due_after = after if after >= scan.on - dt.timedelta(days=1) else dt.date.min
    values = {
        "utility": utility,
        "status": scan.status,
        "on": scan.on,
        "from": after,
        "due_after": due_after,
        "until": scan.window.until,
        "step": step.step,
        "occasion": step.occasion,
        "addressee": step.to,
        "days": step.days,
        **more,
    }
    return composed(__name__, [*head, _SOUGHT[step.occasion][0], "not_notified", *tail], values)


def _schedule(row: Any) -> ScheduleRow | None:
    if row is None:
        return None
    steps = None if row["steps"] is None else msgspec.json.decode(row["steps"], type=list[NoticeStep])
    return ScheduleRow(version=row["version"], changed_at=row["changed_at"], steps=steps)


def _notice(row: Any) -> NoticeRow:
    contact = None if row["contact"] is None else msgspec.json.decode(row["contact"], type=Contact)
    states = msgspec.json.decode(row["states"], type=list[NoticeStateEntry])
    return NoticeRow(**{**dict(row), "contact": contact, "states": states})


def _run(row: Any) -> RunRow:
    return RunRow(**{**dict(row), "by_step": msgspec.json.decode(row["by_step"], type=dict[str, int])})
