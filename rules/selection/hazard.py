"""The degree of hazard that counts: the one stated, or the higher one that a table gives the type of premises.

A table never lowers a stated hazard, and where several speak the highest counts. Fluid categories (EN 1717) are taken as stated.
"""

from functools import cache
from typing import Final

from msgspec import Struct

from rules import load
from rules.catalogue import Hazard
from rules.errors import DocumentError
from rules.selection.tables import InForce, Purpose, Raise, cite, index, table
from rules.sources import Source

_DEGREE: Final[dict[Hazard, int]] = {"non_health": 0, "health": 1, "severe": 2}


class Listing(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table's row that speaks of a type of premises: it raises the hazard, or limits the kinds."""

    rulebooks: tuple[str, ...]
    rule: str
    hazard: Hazard | None = None
    kinds: tuple[str, ...] | None = None
    says: str
    source: Source


class PremisesType(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One type of premises of the catalogue, and every table's row that speaks of it."""

    code: str
    name: str
    listed: tuple[Listing, ...] = ()


class _Types(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    types: tuple[PremisesType, ...]


@cache
def premises_types() -> tuple[PremisesType, ...]:
    """The catalogue of premises types, in its order."""
    return tuple(
        PremisesType(code=one.code, name=one.name, listed=_listings(one.code)) for one in load.read("premises.toml", _Types).types
    )


def _listings(code: str) -> tuple[Listing, ...]:
    found: list[Listing] = []
    for table_id in sorted({name for entry in index().values() for name in entry.tables}):
        one, books = table(table_id), tuple(entry.id for entry in index().values() if table_id in entry.tables)
        found.extend(
            Listing(rulebooks=books, rule=row.rule, hazard=row.hazard, says=row.says, source=cite(row))
            for row in one.raises
            if code in row.premises
        )
        found.extend(
            Listing(rulebooks=books, rule=row.rule, kinds=row.kinds, says=row.says, source=cite(row))
            for row in one.admissions
            if code in row.premises
        )
    return tuple(found)


@cache
def _names() -> dict[str, str]:
    return {one.code: one.name for one in premises_types()}


def premises_name(code: str) -> str:
    """The name of that type of premises; DocumentError where the catalogue has none of that code."""
    try:
        return _names()[code]
    except KeyError:
        raise DocumentError(
            f"No type of premises {code!r} is carried. Carried are: {', '.join(_names())}.", pointer="/premises"
        ) from None


def raised(tables: InForce, stated: Hazard, purpose: Purpose, premises: str) -> tuple[Hazard, tuple[Raise, ...]]:
    """The hazard that counts, and the rows that raise the stated one (none where it stands)."""
    rows = [
        row
        for one in tables.tables
        for row in one.raises
        if row.covers(stated, purpose, premises) and _DEGREE[row.hazard] > _DEGREE[stated]
    ]
    highest = max((row.hazard for row in rows), key=_DEGREE.__getitem__, default=stated)
    return highest, tuple(row for row in rows if row.hazard == highest)
