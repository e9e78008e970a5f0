"""How much one caller may have of this process, so that one cannot crowd out the others.

An allowance is earned at an even rate and saved up for some seconds; beyond that the caller is told when to come back (RFC 6585, section 4).
It is kept in memory, a process for itself: a bound on harm, not a bill.
"""

from collections import OrderedDict

from service.problems import ProblemError

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
        if wait := self.pause(key, now):
            raise too_many(f"This key may send {self._allowances.per_second:g} requests a second.", wait)

    def pause(self, key: object, now: float) -> float:
        """Take one request from the key's allowance; where none is left, for how many seconds there will be none."""
        wait = self._allowances.wait(key, 1.0, now)
        if not wait:
            self._allowances.charge(key, 1.0, now)
        return wait


def too_many(reason: str, wait: float) -> ProblemError:
    """The problem of a caller that has spent its allowance."""
    return ProblemError(
        "too-many-requests",
        f"{reason} Wait, then send the same request again.",
        headers={"Retry-After": str(max(1, round(wait)))},
    )
