"""Subscriptions and their messages in Postgres."""

import datetime as dt
from typing import Any
from uuid import UUID

from msgspec import Struct

from service.db.pool import NO_UTILITY, Connection, Pool
from service.db.statements import statements
from service.problems import not_found, problem
from service.record.changes.store import Change

_SQL = statements(__name__)


class WebhookRow(Struct, frozen=True, kw_only=True):
    """A subscription as kept."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    url: str
    resources: list[str] | None
    description: str | None
    enabled: bool
    disabled_because: str | None
    secret_number: int
    previous_secret_until: dt.datetime | None
    master_mark: str


class WorkRow(Struct, frozen=True, kw_only=True):
    """A subscription for which something waits: whether it may be sent now, and for how many seconds the oldest change has waited."""

    id: UUID
    due: bool
    age: float


class OpenRow(Struct, frozen=True, kw_only=True):
    """A message that is to be sent."""

    delivery_id: UUID
    created_at: dt.datetime
    after_sequence: int
    covered_through: int
    covered_resources: list[str] | None
    due_at: dt.datetime
    tries: int
    attempts: int


class HeadRow(Struct, frozen=True, kw_only=True):
    """Where a subscription stands: how to send, how far it has come, and the first open message."""

    url: str
    secret_number: int
    previous_secret_until: dt.datetime | None
    master_mark: str
    resources: list[str] | None
    cursor: int
    scanned: int
    last_sequence: int
    open: OpenRow | None


class SettledRow(Struct, frozen=True, kw_only=True):
    """What an attempt came to."""

    attempted_at: dt.datetime
    seconds: float
    status: int | None
    because: str | None
    state: str
    due_at: dt.datetime
    finished_at: dt.datetime | None
    refused: bool
    disable_because: str | None


class WebhookStore:
    """Reads and writes subscriptions, and hands out their messages to one process at a time."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def rows(self, statement: str, utility: str, *arguments: Any) -> list[dict[str, Any]]:
        """The rows that a named statement gives."""
        async with self._pool.lend(utility) as connection:
            return [dict(row) for row in await connection.fetch(_SQL[statement], utility, *arguments)]

    async def create(self, utility: str, row: WebhookRow, *, most: int) -> bool:
        """Keep a new subscription, which begins at the end of the feed; False where the utility has `most` already."""
        async with self._pool.lend(utility) as connection, connection.transaction():
            await connection.execute(_SQL["name_utility"], utility)
            made = await connection.fetch(
                _SQL["create"],
                utility,
                row.id,
                row.created_at,
                row.url,
                row.resources,
                row.description,
                row.enabled,
                row.master_mark,
                most,
            )
        return bool(made)

    async def get(self, utility: str, webhook_id: UUID) -> WebhookRow:
        """The subscription of that id; 404 where there is none."""
        async with self._pool.lend(utility) as connection:
            return await self._get(connection, utility, webhook_id)

    async def _get(self, connection: Connection, utility: str, webhook_id: UUID) -> WebhookRow:
        row = await connection.fetchrow(_SQL["get"], utility, webhook_id)
        if row is None:
            raise not_found("webhook")
        return WebhookRow(**dict(row))

    async def versioned(
        self, statement: str, utility: str, webhook_id: UUID, version: int, *arguments: Any, take_up_at: dt.datetime | None = None
    ) -> WebhookRow:
        """Change a subscription while its version is still that one, 412 where it is not; open messages become due where asked."""
        async with self._pool.lend(utility) as connection, connection.transaction():
            if not await connection.fetch(_SQL[statement], utility, webhook_id, version, *arguments):
                raise problem("version_changed")
            if take_up_at is not None:
                await connection.execute(_SQL["take_up"], utility, webhook_id, take_up_at)
            return await self._get(connection, utility, webhook_id)

    async def delete(self, utility: str, webhook_id: UUID, version: int) -> None:
        """Delete a subscription with its messages while its version is still that one; 412 where it is not."""
        if not await self.rows("delete", utility, webhook_id, version):
            raise problem("version_changed")

    async def replay(self, utility: str, webhook_id: UUID, after: int, *, now: dt.datetime) -> bool:
        """Begin again after that number; False where the feed has not come so far."""
        async with self._pool.lend(utility) as connection, connection.transaction():
            if not await connection.fetch(_SQL["move"], utility, webhook_id, after):
                return False
            because = f"Sending began again after number {after}."
            await connection.execute(_SQL["replace"], utility, webhook_id, after, now, because)
            return True

    async def utilities(self) -> list[str]:
        """The utilities that have, or once had, a subscription."""
        async with self._pool.lend(NO_UTILITY) as connection:
            return [row[0] for row in await connection.fetch(_SQL["utilities"])]

    async def work(self, utility: str, now: dt.datetime) -> list[WorkRow]:
        """The enabled subscriptions for which something waits."""
        return [WorkRow(**row) for row in await self.rows("work", utility, now)]

    async def take(self, utility: str, webhook_id: UUID, lease: UUID, seconds: float) -> bool:
        """Take the lease; False where another process holds it."""
        return bool(await self.rows("take", utility, webhook_id, lease, seconds))

    async def release(self, utility: str, webhook_id: UUID, lease: UUID) -> None:
        """Give the lease back."""
        await self.rows("release", utility, webhook_id, lease)

    async def head(self, utility: str, webhook_id: UUID, lease: UUID) -> HeadRow | None:
        """Where the subscription stands; None where it is disabled, or the lease is another's by now."""
        found = await self.rows("head", utility, webhook_id, lease)
        if not found:
            return None
        row = found[0]
        of_message = {name: row.pop(name) for name in OpenRow.__struct_fields__}
        return HeadRow(**row, open=OpenRow(**of_message) if of_message["delivery_id"] is not None else None)

    async def covered(self, utility: str, after: int, through: int, resources: list[str] | None, *, limit: int) -> list[Change]:
        """Up to `limit` changes of those resources after one number up to and with another."""
        return [Change(**row) for row in await self.rows("covered", utility, after, through, resources, limit)]

    async def scanned(self, utility: str, webhook_id: UUID, lease: UUID, through: int, cursor: int) -> None:
        """Note that nothing up to that number concerns the subscription."""
        await self.rows("scanned", utility, webhook_id, lease, through, cursor)

    async def open(
        self,
        utility: str,
        webhook_id: UUID,
        lease: UUID,
        *,
        new_id: UUID,
        after: int,
        through: int,
        resources: list[str] | None,
        now: dt.datetime,
    ) -> None:
        """Open a message, unless the lease or the place in the feed is another by now."""
        await self.rows("open", utility, webhook_id, lease, new_id, after, through, resources, now)

    async def settle(
        self, utility: str, webhook_id: UUID, lease: UUID, message: OpenRow, row: SettledRow, *, lease_seconds: float
    ) -> bool:
        """Keep what an attempt came to; False (and nothing kept) where the lease is another's by now."""
        async with self._pool.lend(utility) as connection, connection.transaction():
            if not await connection.fetch(_SQL["hold"], utility, webhook_id, lease, lease_seconds):
                return False
            await connection.execute(
                _SQL["attempted"],
                utility,
                webhook_id,
                message.delivery_id,
                message.attempts + 1,
                row.attempted_at,
                row.seconds,
                row.status,
                row.because,
            )
            await connection.execute(
                _SQL["settle"],
                utility,
                webhook_id,
                message.delivery_id,
                row.state,
                row.due_at,
                row.finished_at,
                row.because,
                row.refused,
            )
            if row.disable_because is not None:
                await connection.execute(_SQL["disable"], utility, webhook_id, row.attempted_at, row.disable_because)
        return True

    async def forget(self, utility: str, before: dt.datetime) -> None:
        """Delete messages that were finished before that moment."""
        await self.rows("forget", utility, before)
