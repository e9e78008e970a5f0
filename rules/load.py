"""The catalogue, the cited works and the rulebooks, each read once."""

import datetime as dt
from functools import cache, lru_cache
from importlib import resources

from rules.catalogue import Catalogue
from rules.errors import UnknownRulebookError
from rules.files import read
from rules.rulebook import Rulebook, RulebookData, extend, resolve
from rules.sources import Source, Work


@cache
def catalogue() -> Catalogue:
    """The kinds of assembly."""
    return read("catalogue.toml", Catalogue)


@cache
def works() -> dict[str, Work]:
    """Every work that the data cite, by key."""
    return read("sources.toml", dict[str, Work])


@cache
def rulebook_ids() -> tuple[str, ...]:
    """The ids of the available rulebooks, sorted."""
    folder = resources.files("rules") / "data" / "rulebooks"
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")))


@cache
def rulebook_data(rulebook_id: str) -> RulebookData:
    """One rulebook with what it inherits; UnknownRulebookError where there is none of that id."""
    if rulebook_id not in rulebook_ids():
        raise UnknownRulebookError("unknown_rulebook", "/rulebook", rulebook=rulebook_id, available=rulebook_ids())
    own = read(f"rulebooks/{rulebook_id}.toml", RulebookData)
    return extend(rulebook_data(own.extends) if own.extends else None, own)


@lru_cache(maxsize=4096)
def rulebook(rulebook_id: str, on: dt.date) -> Rulebook:
    """The rulebook in force on that day; UnknownRulebookError or NotInForceError where there is none.

    Days between two changes share one resolved rulebook, so that what is derived from it can be kept beside it.
    """
    resolved = resolve(rulebook_data(rulebook_id), _sources(), on)
    return resolved if on == resolved.in_force_from else rulebook(rulebook_id, resolved.in_force_from)


def common_rulebook(rulebook_id: str, on: dt.date) -> Rulebook:
    """The rulebook that this one rests on in the end (itself, where it extends none), as in force on that day.

    UnknownRulebookError or NotInForceError where there is none.
    """
    base = rulebook_data(rulebook_id).extends
    return rulebook(rulebook_id, on) if base is None else common_rulebook(base, on)


@cache
def _sources() -> dict[str, Source]:
    return {key: Source(title=work.title, clause="", provenance=work.provenance) for key, work in works().items()}
