"""Work that takes a while, done beside the event loop: in threads of its own, with a bound on what waits, in all and for each caller.

Python runs one thread at a time and lets the loop go on every few milliseconds, so more than one thread for computing gains nothing. What
is too much is refused (503) at once, rather than left to wait until nobody wants the answer any more.
"""

import asyncio
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import ParamSpec, TypeVar

from service.http.callers import caller
from service.problems import problem

P = ParamSpec("P")
T = TypeVar("T")


class Aside:
    """Threads for one sort of work; at most `most` pieces wait or run, `most_of_caller` of them for one caller."""

    def __init__(self, name: str, *, threads: int = 1, most: int = 16, most_of_caller: int = 4) -> None:
        self._threads = ThreadPoolExecutor(threads, thread_name_prefix=name)
        self._most = most
        self._most_of_caller = most_of_caller
        self._waiting: Counter[object] = Counter()
        self._counting = threading.Lock()

    async def run(self, who: object, work: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
        """What the work returns; ProblemError `unavailable` where too much waits already. Its time is added to the caller's."""
        asks = caller.get()

        def measured() -> T:
            begun = time.thread_time()
            try:
                return work(*arguments, **named)
            finally:
                asks.seconds += time.thread_time() - begun

        self._begin(who)
        running = self._threads.submit(measured)
        # It counts until it has ended, also where whoever asked has left.
        running.add_done_callback(lambda _: self._end(who))
        return await asyncio.wrap_future(running)

    def _begin(self, who: object) -> None:
        with self._counting:
            if self._waiting.total() >= self._most or self._waiting[who] >= self._most_of_caller:
                raise problem("work_waiting", wait=1)
            self._waiting[who] += 1

    def _end(self, who: object) -> None:
        with self._counting:
            self._waiting[who] -= 1
            if not self._waiting[who]:
                del self._waiting[who]

    def close(self) -> None:
        """Wait for nothing that has not begun."""
        self._threads.shutdown(wait=False, cancel_futures=True)
