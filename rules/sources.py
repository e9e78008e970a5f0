"""Every value of the trade says where it is from and how that is known.

`published`: read in the published source that is named. `memory`: remembered from a published source, not read again.
`common_practice`: done so in the trade, no source. The mark travels with the value into every answer.
"""

import datetime as dt
from collections.abc import Mapping
from typing import Literal

from msgspec import UNSET, Struct, UnsetType

KnownFrom = Literal["published", "from_memory", "common_practice"]
Provenance = Literal["published", "from_memory", "common_practice", "stated_by_utility"]
"""How a value is known: as the rulebooks' data say it, or stated by a utility of its own ordinance, whose text nobody here has read."""


class Source(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where a value is from, as an answer shows it."""

    title: str
    """The publication."""
    clause: str
    """The clause or page."""
    provenance: Provenance
    """How the value is known."""
    url: str | UnsetType = UNSET
    """Where the text can be read, if the utility that states the value gives an address."""


class Work(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A published work, or common practice, as `data/sources.toml` lists it."""

    title: str
    publisher: str
    provenance: Provenance
    note: str = ""
    url: str | UnsetType = UNSET


class Cited(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A value in the data: its work, clause, mark, and the days on which it is in force.

    The work is a key of `data/sources.toml`; a value that a utility states holds its ordinance as a work of its own.

    `provenance` empty means the work's own mark; a clause remembered from a work that was otherwise read says `memory` itself.
    """

    source: str | Work
    clause: str
    provenance: Provenance | None = None
    in_force_from: dt.date | None = None
    in_force_until: dt.date | None = None

    def in_force(self, on: dt.date) -> bool:
        """Whether the value is in force on that day; both ends count."""
        return (self.in_force_from is None or self.in_force_from <= on) and (
            self.in_force_until is None or on <= self.in_force_until
        )

    @property
    def stated_by_utility(self) -> bool:
        """Whether a utility states the value, rather than the rulebook's authority."""
        return isinstance(self.source, Work)


def cite(value: Cited, works: Mapping[str, Work | Source]) -> Source:
    """Where a value is from, with its own clause and mark; `works` are those that the data name by key."""
    work = value.source if isinstance(value.source, Work) else works[value.source]
    return Source(title=work.title, clause=value.clause, provenance=value.provenance or work.provenance, url=work.url)
