"""Every value of the trade says where it is from and how that is known.

`published`: read in the published source that is named. `memory`: remembered from a published source, not read again.
`common_practice`: done so in the trade, no source. The mark travels with the value into every answer.
"""

import datetime as dt
from typing import Literal

from msgspec import Struct

KnownFrom = Literal["published", "from_memory", "common_practice"]


class Source(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where a value is from, as an answer shows it."""

    title: str
    """The publication."""
    clause: str
    """The clause or page."""
    provenance: KnownFrom
    """How the value is known."""


class Work(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A published work, or common practice, as `data/sources.toml` lists it."""

    title: str
    publisher: str
    provenance: KnownFrom
    note: str = ""


class Cited(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A value in the data: its work (a key of `data/sources.toml`), clause, mark, and the days on which it is in force.

    `provenance` empty means the work's own mark; a clause remembered from a work that was otherwise read says `memory` itself.
    """

    source: str
    clause: str
    provenance: KnownFrom | None = None
    in_force_from: dt.date | None = None
    in_force_until: dt.date | None = None

    def in_force(self, on: dt.date) -> bool:
        """Whether the value is in force on that day; both ends count."""
        return (self.in_force_from is None or self.in_force_from <= on) and (
            self.in_force_until is None or on <= self.in_force_until
        )
