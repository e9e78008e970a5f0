"""Following the change feed, with waiting.

One poller looks at a utility's feed a few times a second, for all who wait for it: one index look-up, and no connection held in between. A
notification from Postgres could come sooner, but `NOTIFY` takes a lock of the whole database at each commit, which would make all
utilities' writers queue.
"""

import asyncio
import logging

from service.db.pool import seen_by
from service.record.changes.store import Change, ChangeStore

LOOK_AGAIN_SECONDS = 0.2
log = logging.getLogger("nonreturn")


class _Feed:
    """What is known of a feed that somebody waits for."""

    def __init__(self, head: int) -> None:
        self.head = head
        self.waiting = 0
        self.changed = asyncio.Event()
        self.poller: asyncio.Task[None] | None = None


class Feeds:
    """The feeds that somebody waits for, by their utility."""

    def __init__(self) -> None:
        self._feeds: dict[str, _Feed] = {}

    async def follow(
        self, store: ChangeStore, utility: str, after: int, *, limit: int, wait_seconds: float
    ) -> tuple[list[Change], int]:
        """Up to `limit` changes after that one, as soon as there are any, or none once the wait is over; and the number to go on from."""
        loop = asyncio.get_running_loop()
        deadline = loop.time() + wait_seconds
        while not (look := await store.after(utility, after, limit=limit)).changes:
            after = look.seen
            if loop.time() >= deadline:
                break
            if look.seen >= look.head:
                await self._news(store, utility, look.head, deadline)
        return look.changes, look.seen

    async def _news(self, store: ChangeStore, utility: str, head: int, deadline: float) -> None:
        """Wait until the feed is longer than that, or may be, or the time is over."""
        feed = self._feeds.get(utility)
        if feed is None:
            feed = self._feeds[utility] = _Feed(head)
            feed.poller = asyncio.create_task(self._poll(store, utility, feed))
        if feed.head > head:
            return
        feed.waiting += 1
        try:
            async with asyncio.timeout_at(deadline):
                await feed.changed.wait()
        except TimeoutError:
            pass
        finally:
            feed.waiting -= 1

    async def _poll(self, store: ChangeStore, utility: str, feed: _Feed) -> None:
        # For everybody, whoever began it.
        seen_by(None)
        try:
            while True:
                await asyncio.sleep(LOOK_AGAIN_SECONDS)
                if not feed.waiting:
                    return
                if (head := await store.head(utility)) > feed.head:
                    feed.head = head
                    feed.changed.set()
                    feed.changed = asyncio.Event()
        except Exception as error:  # noqa: BLE001 - whoever waits looks for itself, and is answered with what it meets
            log.info("The feed of %s could not be looked at: %r", utility, error)
        finally:
            del self._feeds[utility]
            feed.changed.set()

    def close(self) -> None:
        """Look no more."""
        for feed in self._feeds.values():
            if feed.poller is not None:
                feed.poller.cancel()
