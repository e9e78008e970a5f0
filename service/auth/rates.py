"""How much one caller may have of this process, so that one cannot crowd out the others.

An allowance is earned at an even rate and saved up for some seconds; beyond that the answer says when to try again (RFC 6585, section 4).
It is kept in memory, a process for itself: a bound on harm, not a bill.
"""

from collections import Counter, OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from service.problems import ProblemError, problem

_MOST_CALLERS = 10_000
"""So many callers are remembered; then those not seen for longest are forgotten, and have a whole allowance again."""


class Allowances:
    """What each caller has spent and not yet earned again, as the moment at which it will have been.

    `per_second` is what is earned in a second, 0 for no limit; `saved` is for how many seconds it is saved up. Times are seconds of a clock
    that only goes forward.
    """

    def __init__(self, per_second: float, *, saved: float = 2.0) -> None:
        self.per_second = per_second
        self._saved = saved
        self._until: OrderedDict[object, float] = OrderedDict()

    def wait(self, caller: object, amount: float, now: float) -> float:
        """For how many seconds that much cannot be spent yet."""
        if self.per_second <= 0:
            return 0.0
        return max(0.0, max(self._until.get(caller, now), now) - now + amount / self.per_second - self._saved)

    def charge(self, caller: object, amount: float, now: float) -> None:
        """Take that much from the caller's allowance, also where it is more than there is; what is less than nothing is given back."""
        if self.per_second <= 0:
            return
        self._until[caller] = max(self._until.get(caller, now), now) + amount / self.per_second
        self._until.move_to_end(caller)
        if len(self._until) > _MOST_CALLERS:
            self._until.popitem(last=False)

    def __len__(self) -> int:
        """How many callers are remembered."""
        return len(self._until)


class Rates:
    """How many requests (and lines of batches) a second each key may send; `per_second` 0 means no limit."""

    def __init__(self, per_second: float) -> None:
        self._allowances = Allowances(per_second)

    def spend(self, key: object, now: float) -> None:
        """Take one request from the key's allowance; ProblemError `too-many-requests` where none is left."""
        if wait := self.pause(key, 1.0, now):
            raise too_many("key_busy", wait, at_most=self._allowances.per_second)

    def pause(self, key: object, requests: float, now: float) -> float:
        """Take so much from the key's allowance; where there is less, nothing, and for how many seconds to wait."""
        wait = self._allowances.wait(key, requests, now)
        if not wait:
            self._allowances.charge(key, requests, now)
        return wait


class Shares:
    """How much of something is held at a time: in all, and by each caller."""

    def __init__(self, *, most: int, most_of_caller: int) -> None:
        self._most = most
        self._most_of_caller = most_of_caller
        self._held: Counter[object] = Counter()

    def full(self, caller: object) -> bool:
        """Whether the caller holds all that it may, or there is no more."""
        return self._held.get(caller, 0) >= self._most_of_caller or self._held.total() >= self._most

    def take(self, caller: object, amount: int) -> None:
        """The caller holds so much more, or less where it is negative."""
        self._held[caller] += amount
        if not self._held[caller]:
            del self._held[caller]

    @contextmanager
    def one(self, caller: object, what: str) -> Iterator[None]:
        """Hold one of them meanwhile; ProblemError `too-many-requests` or `unavailable` where that is one too many."""
        if self._held.get(caller, 0) >= self._most_of_caller:
            raise too_many("key_holds_too_many", 5.0, at_most=self._most_of_caller, things=what)
        if self._held.total() >= self._most:
            raise problem("service_holds_too_many", wait=5, things=what)
        self.take(caller, 1)
        try:
            yield
        finally:
            self.take(caller, -1)


def too_many(code: str, wait: float, **values: Any) -> ProblemError:
    """The problem of a caller that must wait for so many seconds."""
    return problem(code, wait=wait, **values)
