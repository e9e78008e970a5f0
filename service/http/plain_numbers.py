"""Numbers that take long to read: near the ends of what a double holds, the JSON decoder needs 10 µs for each, 500 times the usual.

A body of 256 KB has room for 40,000 of them, which kept the event loop for half a second. No document needs many.
"""

import re
from itertools import islice
from typing import Final

MOST_EXTREME: Final = 100
"""So many numbers with an exponent of three digits are read, so that one that is out of bounds is named with its place."""
_SHORT: Final = 4096
"""In so short a body they take 9 ms at the most, and looking for them would cost every report."""
_NUMBER: Final = re.compile(rb"[\[,:\s]-?[0-9]+(?:\.[0-9]+)?[eE][+-]?[0-9]{3}")
_TEXT: Final = re.compile(rb'"(?:[^"\\]|\\.)*"', re.DOTALL)


def has_many_extreme_numbers(body: bytes) -> bool:
    """Whether more than `MOST_EXTREME` numbers of a JSON body have an exponent of three digits or more.

    What is within texts does not count.
    """
    return len(body) > _SHORT and _many(body) and _many(_TEXT.sub(b'""', body))


def _many(body: bytes) -> bool:
    return next(islice(_NUMBER.finditer(body), MOST_EXTREME, None), None) is not None
