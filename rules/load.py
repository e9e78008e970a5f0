"""The catalogue, the cited works and the rulebooks, each read once."""

import datetime as dt
from functools import cache, lru_cache
from importlib import resources

from rules.catalogue import Catalogue
from rules.composing import Composed, change_days, compose
from rules.errors import UnknownRulebookError
from rules.files import read
from rules.floor import LocalLimits
from rules.local_rulebook import LocalVersion, RulebookKey, base_id
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
def rulebook(key: RulebookKey, on: dt.date) -> Rulebook:
    """The rulebook in force on that day, a local one over its state's; UnknownRulebookError or NotInForceError where there is none.

    Days between two changes share one resolved rulebook, so that what is derived from it can be kept beside it.
    """
    if isinstance(key, LocalVersion):
        # The state's rulebook says whether there is any on that day.
        state = rulebook(key.rulebook.extends, on)
        if not key.rulebook.says_anything(on):
            return state
        return _composed_rulebook(key, max(day for day in _change_days(key) if day <= on))
    resolved = resolve(rulebook_data(key), _sources(), on)
    return resolved if on == resolved.in_force_from else rulebook(key, resolved.in_force_from)


def composed(version: LocalVersion, on: dt.date) -> Composed:
    """A local rulebook over its state's on that day, and what of it is laxer.

    UnknownRulebookError or NotInForceError where there is none.
    """
    state = version.rulebook.extends
    open_to = local_limits()
    # Of a rule that was changed on some day, one entry: it is about the same in each.
    shapes = tuple({entry.rule: entry for entry in rulebook_data(open_to.rules_of).criteria}.values())
    return compose(rulebook_data(state), rulebook(state, on), version, on, open_to, shapes)


@lru_cache(maxsize=1024)
def _composed_rulebook(version: LocalVersion, on: dt.date) -> Rulebook:
    whole = composed(version, on).data
    return resolve(whole, _sources(), on, local=version.reference, also_changes=_change_days(version))


@lru_cache(maxsize=256)
def _change_days(version: LocalVersion) -> frozenset[dt.date]:
    data = rulebook_data(version.rulebook.extends)
    return frozenset(day for day in change_days(data, version.rulebook) if day >= data.in_force_from)


@cache
def local_limits() -> LocalLimits:
    """The limits that a utility may state."""
    return read("local.toml", LocalLimits)


def common_rulebook(key: RulebookKey, on: dt.date) -> Rulebook:
    """The rulebook that this one rests on in the end (itself, where it extends none), as in force on that day.

    UnknownRulebookError or NotInForceError where there is none.
    """
    rulebook_id = base_id(key)
    base = rulebook_data(rulebook_id).extends
    return rulebook(rulebook_id, on) if base is None else common_rulebook(base, on)


@cache
def _sources() -> dict[str, Source]:
    return {key: Source(title=work.title, clause="", provenance=work.provenance) for key, work in works().items()}
