"""The faults of one document as they are found, and where each is: bounded in number and in length.

A path is a chain of names and indexes, and becomes a pointer (RFC 6901) only when its fault is kept. Names come from whoever sent the
document and may be as long as it: what is repeated of them is cut.
"""

from contextlib import AbstractContextManager, suppress
from typing import Any, Final

from msgspec import UNSET

from service.problems import LONGEST_NAME, MOST_FAULTS, Fault, cut, fault

Path = tuple["Path", str] | None
ROOT: Final[Path] = None
"""The path of the whole document."""


class _FullError(Exception):
    """As many faults are listed as are ever listed."""


class Faults:
    """At most MOST_FAULTS; `more` says that there are others. With `in_query` they are in query parameters, not in a body."""

    def __init__(self, *, in_query: bool = False) -> None:
        self.listed: list[Fault] = []
        self.more = False
        self.in_query = in_query

    def add(self, path: Path, code: str, **values: Any) -> None:
        """Keep a fault; end the search if the list is already full."""
        if len(self.listed) == MOST_FAULTS:
            self.more = True
            raise _FullError
        if self.in_query:
            self.listed.append(fault(code, parameter=cut(path[1]) if path else UNSET, **values))
        else:
            self.listed.append(fault(code, pointer=pointer(path), **values))

    def until_full(self) -> AbstractContextManager[None]:
        """Search for faults inside; the search ends early where the list is full."""
        return suppress(_FullError)


def pointer(path: Path) -> str:
    """The JSON pointer of a path; where that is too long, of the nearest thing around it whose pointer is not."""
    names = []
    while path is not None:
        path, name = path
        names.append(name)
    made = ""
    for name in reversed(names):
        if len(name) > LONGEST_NAME or len(longer := f"{made}/{name.replace('~', '~0').replace('/', '~1')}") > LONGEST_NAME:
            break
        made = longer
    return made
