"""Sending webhooks: in order, at least once, by one process at a time for each subscription.

For each subscription one message at a time is open, and the next is opened once it is delivered or given up; so the order of the feed
is kept, and while a receiver is down nothing piles up but its place in the feed. A message that fails is tried again by the policy's
waits. When they are used up, it is given up, with why: where the receiver refuses just this message, sending goes on with the next;
where it is away altogether, the subscription is disabled, and enabling it begins with what was given up. So nothing is skipped
silently, and the feed keeps everything in any case. A process that dies while it sends leaves its lease, which ends by itself; the
message is then sent again under the same id.
"""

import asyncio
import datetime as dt
import logging
from contextlib import suppress
from email.utils import parsedate_to_datetime
from secrets import SystemRandom
from uuid import UUID, uuid4

import msgspec

from service.clock import Clock
from service.metrics import Metrics
from service.settings import WebhookPolicy
from service.webhooks import signatures
from service.webhooks.outbound import Reply, Sender
from service.webhooks.schemas import CoveredChanges, WebhookMessage
from service.webhooks.store import HeadRow, OpenRow, SettledRow, WebhookStore

log = logging.getLogger("nonreturn.webhooks")

GONE = 410
# Answers to the message rather than of a receiver that is away: it was read and cannot be taken (RFC 9110, 15.5).
REFUSALS = frozenset({400, 413, 415, 422})


async def _cancelled(*tasks: asyncio.Task[None]) -> None:
    """Once all of them have ended."""
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


class Deliverer:
    """Looks for what waits and sends it, until it is closed."""

    def __init__(
        self, store: WebhookStore, master: bytes, *, clock: Clock, sender: Sender, policy: WebhookPolicy, metrics: Metrics
    ) -> None:
        self._store = store
        self._master = master
        self._clock = clock
        self._sender = sender
        self._policy = policy
        self._metrics = metrics
        self._slots = asyncio.Semaphore(policy.at_once)
        self._turns: dict[UUID, asyncio.Task[None]] = {}
        self._chance = SystemRandom()
        self._forgot_at: dt.datetime | None = None
        self._running: asyncio.Task[None] | None = None
        self._closing = False

    def start(self) -> None:
        """Begin, in the background."""
        self._running = asyncio.create_task(self.run())

    async def run(self) -> None:
        """Look again and again. Between two looks lies at least ten times what a look took, so that many utilities make it no burden."""
        loop = asyncio.get_running_loop()
        while True:
            began = loop.time()
            try:
                await self._look()
            except Exception as error:  # noqa: BLE001 - whatever is wrong (the database is away, say), the next look may find it well again
                log.warning("Looking for webhooks to send failed: %s", error)
            pause = max(self._policy.look_seconds, 10 * (loop.time() - began))
            await asyncio.sleep(pause * self._chance.uniform(0.75, 1.25))

    async def close(self) -> None:
        """Stop: what is being sent may still be answered for a moment; what is cut off then will be sent again."""
        self._closing = True
        if self._running is not None:
            await _cancelled(self._running)
        if turns := [*self._turns.values()]:
            await asyncio.wait(turns, timeout=self._policy.close_seconds)
            await _cancelled(*turns)
        await self._sender.close()

    async def _look(self) -> None:
        oldest = 0.0
        now = self._clock.now()
        forgets = self._forgot_at is None or abs(now - self._forgot_at) > dt.timedelta(hours=1)
        for utility in await self._store.utilities():
            for row in await self._store.work(utility, now):
                oldest = max(oldest, row.age)
                if row.due and row.id not in self._turns:
                    self._turns[row.id] = asyncio.create_task(self._turn(utility, row.id))
            if forgets:
                await self._store.forget(utility, now - dt.timedelta(days=self._policy.keep_delivered_days))
        if forgets:
            self._forgot_at = now
        self._metrics.webhooks_oldest.set(oldest)

    async def _turn(self, utility: str, webhook_id: UUID) -> None:
        """Send for one subscription what is due, up to a number of messages, so that all get their turn."""
        lease = uuid4()
        try:
            async with self._slots:
                if not await self._store.take(utility, webhook_id, lease, self._policy.lease_seconds):
                    return
                try:
                    for _ in range(self._policy.messages_a_turn):
                        if not await self._step(utility, webhook_id, lease):
                            break
                finally:
                    await self._store.release(utility, webhook_id, lease)
        except Exception as error:  # noqa: BLE001 - the next look takes it up again
            log.warning("Sending for webhook %s failed: %s", webhook_id, error)
        finally:
            del self._turns[webhook_id]

    async def _step(self, utility: str, webhook_id: UUID, lease: UUID) -> bool:
        """Open a message or send the one that is open; whether there may be more to do at once."""
        head = await self._store.head(utility, webhook_id, lease)
        if head is None:
            return False
        if head.open is None:
            return await self._open(utility, webhook_id, lease, head)
        if head.open.due_at > self._clock.now():
            return False
        settled = await self._send(utility, webhook_id, head, head.open)
        kept = await self._store.settle(utility, webhook_id, lease, head.open, settled, lease_seconds=self._policy.lease_seconds)
        if not kept:
            return False
        self._metrics.webhooks.labels("failed" if settled.state == "pending" else settled.state).inc()
        return settled.state != "pending" and not self._closing

    async def _open(self, utility: str, webhook_id: UUID, lease: UUID, head: HeadRow) -> bool:
        end = min(head.last_sequence, head.scanned + self._policy.look_ahead)
        if end <= head.scanned:
            return False
        most = self._policy.changes_together
        found = await self._store.covered(utility, head.scanned, end, head.resources, limit=most)
        if not found:
            await self._store.scanned(utility, webhook_id, lease, end, head.cursor)
            return True
        through = found[-1].sequence if len(found) == most else end
        await self._store.open(
            utility,
            webhook_id,
            lease,
            new_id=self._clock.new_id(),
            after=head.cursor,
            through=through,
            resources=head.resources,
            now=self._clock.now(),
        )
        return True

    async def _send(self, utility: str, webhook_id: UUID, head: HeadRow, message: OpenRow) -> SettledRow:
        """One attempt, and what it comes to."""
        now, began = self._clock.now(), asyncio.get_running_loop().time()
        if head.master_mark != signatures.mark(self._master):
            reply = Reply(status=None, because="Its secret is of another master key than the service has now; rotate the secret.")
        else:
            changes = await self._store.covered(
                utility,
                message.after_sequence,
                message.covered_through,
                message.covered_resources,
                limit=self._policy.changes_together,
            )
            data = CoveredChanges(
                utility=utility, after_sequence=message.after_sequence, last_sequence=message.covered_through, changes=changes
            )
            body = msgspec.json.encode(WebhookMessage(timestamp=message.created_at, data=data))
            signed = signatures.headers(str(message.delivery_id), now, body, self._secrets(webhook_id, head, now))
            reply = await self._sender.post(head.url, signed, body)
        return self.settled(message, reply, now=now, seconds=asyncio.get_running_loop().time() - began)

    def _secrets(self, webhook_id: UUID, head: HeadRow, now: dt.datetime) -> list[bytes]:
        numbers = [head.secret_number]
        if head.previous_secret_until is not None and now < head.previous_secret_until:
            numbers.append(head.secret_number - 1)
        return [signatures.secret(self._master, webhook_id, number) for number in numbers]

    def settled(self, message: OpenRow, reply: Reply, *, now: dt.datetime, seconds: float) -> SettledRow:
        """What a reply makes of a message: delivered, to be tried again, or given up."""
        state, due_at, disable = "pending", now, None
        waits = self._policy.waits
        if reply.because is None:
            state = "delivered"
        elif reply.status == GONE:
            state, disable = "dead", "The receiver answered 410 Gone, which asks for no more messages."
        elif message.tries < len(waits):
            wait = waits[message.tries] * self._chance.uniform(1, 1 + self._policy.jitter)
            due_at = now + max(dt.timedelta(seconds=wait), self._asked(reply, now))
        else:
            state = "dead"
            if reply.status not in REFUSALS:
                disable = (
                    f"A message was not taken in {message.tries + 1} attempts; the last one: {reply.because} "
                    "Enable it again to go on where it stopped."
                )
        return SettledRow(
            attempted_at=now,
            seconds=seconds,
            status=reply.status,
            because=reply.because,
            state=state,
            due_at=due_at,
            finished_at=None if state == "pending" else now,
            refused=reply.status in REFUSALS,
            disable_because=disable,
        )

    def _asked(self, reply: Reply, now: dt.datetime) -> dt.timedelta:
        """For how long the receiver asks to be left alone: seconds, or a date (RFC 9110, 10.2.3)."""
        text = (reply.retry_after or "").strip()
        wait = dt.timedelta(0)
        if text.isascii() and text.isdigit():
            wait = dt.timedelta(seconds=min(int(text[:9]), self._policy.longest_wait))
        elif text:
            with suppress(ValueError, TypeError, OverflowError):
                at = parsedate_to_datetime(text)
                wait = (at if at.tzinfo is not None else at.replace(tzinfo=dt.UTC)) - now
        return min(max(wait, dt.timedelta(0)), dt.timedelta(seconds=self._policy.longest_wait))
