"""Following the change feed, with waiting.

Whoever waits looks again a few times a second, with one index look-up and no connection held in between. A notification from Postgres
could tell sooner, but `NOTIFY` takes a lock of the whole database at each commit, which would make all utilities' writers queue.
"""

import asyncio

from service.store.changes import Change, ChangeStore

LOOK_AGAIN_SECONDS = 0.2


async def follow(store: ChangeStore, utility: str, after: int, *, limit: int, wait_seconds: float) -> tuple[list[Change], int]:
    """Up to `limit` changes after that one, as soon as there are any, or none once the wait is over; and the number to ask on from."""
    loop = asyncio.get_running_loop()
    deadline = loop.time() + wait_seconds
    while not (look := await store.after(utility, after, limit=limit)).changes:
        after = look.seen
        left = deadline - loop.time()
        if left <= 0:
            break
        if look.seen >= look.head:
            await asyncio.sleep(min(LOOK_AGAIN_SECONDS, left))
    return look.changes, look.seen
