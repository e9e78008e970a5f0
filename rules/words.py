"""How people write the trade's words: kinds, hazards, units, the headings of a spreadsheet's columns.

All of it is data (`data/words.toml`), common practice without a source. Case, spaces and punctuation do not count. A writing that is
not there means nothing: what is not understood is reported, never guessed.
"""

import unicodedata
from functools import cache
from itertools import product

from msgspec import Struct

from rules.files import read
from rules.sources import KnownFrom

Writings = dict[str, tuple[str, ...]]
"""What each code may be written as."""


class ReadingWords(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a reading's heading is put together from; `members` by component, where `check` serves every check."""

    phases: Writings
    lines: Writings
    members: dict[str, Writings]


class Words(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All writings, as the data hold them."""

    provenance: KnownFrom
    blanks: tuple[str, ...]
    not_serials: tuple[str, ...]
    months: tuple[str, ...]
    vocabularies: dict[str, Writings]
    units: dict[str, Writings]
    headings: Writings
    readings: ReadingWords


@cache
def words() -> Words:
    """The writings, read once."""
    return read("words.toml", Words)


def fold(text: str) -> str:
    """What counts of a writing: its letters, digits and signs, without case, spaces and punctuation.

    Where there is nothing else, the text as written.
    """
    whole = unicodedata.normalize("NFKC", text).casefold()
    return "".join(letter for letter in whole if letter.isalnum()) or whole.strip()


@cache
def _meanings(vocabulary: str) -> dict[str, str]:
    return {fold(writing): code for code, writings in words().vocabularies[vocabulary].items() for writing in (code, *writings)}


def meaning(vocabulary: str, text: str) -> str | None:
    """The code that a writing means in a vocabulary (`kind`, `hazard`, …); None where it is not there."""
    return _meanings(vocabulary).get(fold(text))


@cache
def _not_serials() -> frozenset[str]:
    return frozenset(fold(writing) for writing in (*words().not_serials, *words().blanks))


def is_serial_number(text: str) -> bool:
    """Whether a text can be a serial number, rather than what people write where nobody knows it."""
    return fold(text) not in _not_serials()


@cache
def units_written() -> dict[str, tuple[str, str]]:
    """What dimension and unit each writing of a unit means, by its writing in lower case."""
    return {
        writing.casefold(): (dimension, unit)
        for dimension, units in words().units.items()
        for unit, writings in units.items()
        for writing in writings
    }


@cache
def headings() -> dict[str, str]:
    """The field that each heading means, by the folded heading, the unit taken out of it."""
    found = {fold(writing): field for field, writings in words().headings.items() for writing in (field, *writings)}
    for component, writings in words().vocabularies["component"].items():
        names = (component, *writings)
        members = words().readings.members[component if component in words().readings.members else "check"]
        for (phase, phase_words), (line, line_words), (member, member_words) in product(
            words().readings.phases.items(), words().readings.lines.items(), members.items()
        ):
            field = f"{phase}.{line}.{component}.{member}"
            found[fold(field)] = field
            spoken = (phase_words, line_words, names, member_words)
            for when, at, part, read_ in product(*(map(fold, writings) for writings in spoken)):
                for parts in ((when, at, part, read_), (at, part, read_, when), (part, when, at, read_), (part, at, when, read_)):
                    found.setdefault("".join(parts), field)
    return found


@cache
def fields() -> tuple[str, ...]:
    """Every field that a column can give."""
    return tuple(dict.fromkeys(headings().values()))
