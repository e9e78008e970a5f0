"""Which barriers are left → what the assembly would do today.

The combination of failed parts is looked up in the matrix that `rules.operation` computes from hydraulics. Where a part's state is not
known, every way it could fall is tried: if all agree that is the answer, otherwise it is *unknown*. On a detector assembly the worse
line decides.
"""

from functools import lru_cache
from itertools import product
from typing import Final, Literal

from rules.load import catalogue
from rules.operation import protection as left_with
from rules.rulebook import Protection

State = Literal["sound", "weak", "unknown", "failed", "discharging"]
"""What was seen of a part: `weak` still is a barrier, `discharging` is an open relief valve, which protects while it discharges."""

_RANK: Final[dict[Protection, int]] = {"full": 0, "degraded": 1, "unknown": 2, "lost": 3}


@lru_cache(maxsize=1024)
def line_protection(kind: str, states: tuple[State, ...]) -> Protection:
    """What is left on one line; `states` stand in the order of the kind's components."""
    ways = product(*[(True, False) if state == "unknown" else (state == "failed",) for state in states])
    components = catalogue()[kind].components
    possible = {left_with(kind, frozenset(part for part, failed in zip(components, way, strict=True) if failed)) for way in ways}
    left: Protection = possible.pop() if len(possible) == 1 else "unknown"
    return "degraded" if left == "full" and set(states) & {"weak", "discharging"} else left


def worse(one: Protection, other: Protection) -> Protection:
    """The worse of two lines; one that is unknown is worse than one known to be degraded."""
    return one if _RANK[one] >= _RANK[other] else other
