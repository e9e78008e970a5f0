"""The catalogue of types of premises, and every table row that covers each.

A type of premises raises a hazard, limits the kinds, or does neither; the tables of each authority decide which.
"""

from functools import cache

from msgspec import Struct

from rules.catalogue import Hazard
from rules.errors import DocumentError
from rules.files import read
from rules.selection.tables import cite, index, table
from rules.sources import Source


class PremisesListing(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table row that covers a type of premises: it raises the hazard (or fluid category), or limits the kinds."""

    rulebooks: tuple[str, ...]
    """The rulebooks that say so."""
    rule: str
    """The rule."""
    hazard: Hazard | None = None
    """The degree of hazard."""
    fluid_category: int | None = None
    """The fluid category (EN 1717)."""
    kinds: tuple[str, ...] | None = None
    """The kinds that qualify."""
    says: str
    """What the rule says."""
    source: Source
    """Where it is from."""


class PremisesType(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One type of premises of the catalogue, and every table row that covers it."""

    code: str
    """The code of the type."""
    name: str
    """Its name."""
    listed: tuple[PremisesListing, ...] = ()
    """What each table says of it."""


class _Types(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    types: tuple[PremisesType, ...]


@cache
def premises_types() -> tuple[PremisesType, ...]:
    """The catalogue of premises types, in its order."""
    return tuple(
        PremisesType(code=listed.code, name=listed.name, listed=_listings(listed.code))
        for listed in read("premises.toml", _Types).types
    )


def _listings(code: str) -> tuple[PremisesListing, ...]:
    found: list[PremisesListing] = []
    for table_id in sorted({name for entry in index().values() for name in entry.tables}):
        own, books = table(table_id), tuple(entry.id for entry in index().values() if table_id in entry.tables)
        found.extend(
            PremisesListing(
                rulebooks=books,
                rule=row.rule,
                hazard=row.hazard,
                fluid_category=row.fluid_category,
                says=row.says,
                source=cite(row),
            )
            for row in own.raises
            if code in row.premises
        )
        found.extend(
            PremisesListing(rulebooks=books, rule=row.rule, kinds=row.kinds, says=row.says, source=cite(row))
            for row in own.admissions
            if code in row.premises
        )
    return tuple(found)


@cache
def _names() -> dict[str, str]:
    return {listed.code: listed.name for listed in premises_types()}


def premises_name(code: str) -> str:
    """The name of that type of premises; DocumentError where the catalogue has none of that code."""
    try:
        return _names()[code]
    except KeyError:
        raise DocumentError("unknown_premises_type", "/premises", premises=code, available=tuple(_names())) from None
