"""How many requests a second one key may send to this process, so that one asker cannot crowd out the others.

A key may save up two seconds' worth; beyond that it is told when to come back (RFC 6585, section 4). Kept in memory, a process for
itself: a bound on harm, not a bill.
"""

from service.problems import ProblemError

_MOST_KEYS = 10_000


class Rates:
    """The allowance of each key; `per_second` 0 means no limit. Times are seconds of a clock that only goes forward."""

    def __init__(self, per_second: float) -> None:
        self._per_second = per_second
        self._left: dict[object, tuple[float, float]] = {}

    def spend(self, key: object, now: float) -> None:
        """Take one request from the key's allowance; ProblemError `too-many-requests` where none is left."""
        if self._per_second <= 0:
            return
        most = 2 * self._per_second
        left, at = self._left.get(key, (most, now))
        left = min(most, left + (now - at) * self._per_second)
        if left < 1:
            self._left[key] = (left, now)
            wait = max(1, round((1 - left) / self._per_second))
            raise ProblemError(
                "too-many-requests",
                f"This key may send {self._per_second:g} requests a second; wait, then send the same request again.",
                headers={"Retry-After": str(wait)},
            )
        if len(self._left) >= _MOST_KEYS and key not in self._left:
            self._left.clear()
        self._left[key] = (left - 1, now)
