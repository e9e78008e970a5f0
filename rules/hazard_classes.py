"""A hazard stated in the authority's own word, such as “class I” or “fluid category 4”, and what follows from it.

Countries grade hazards differently (severe, health and non-health; severe, moderate and minor; high, medium and low; fluid categories 1
to 5), and no word of one is another's. So a rulebook says of each of its own words how it acts, as far as its authority's text does; where
it does not say, the hazard is unknown, and the answer says so.
"""

from typing import Literal, get_args

from msgspec import UNSET, Struct, UnsetType

from rules.catalogue import Hazard
from rules.errors import DocumentError
from rules.rulebook import HazardWord, Rulebook
from rules.words import fold, words

StatedOrUnknown = Hazard | Literal["unknown"]


class FoundHazard(Struct, frozen=True, kw_only=True):
    """The hazard that decides deadlines and intervals, and the rulebook's word for it where one was stated."""

    hazard: StatedOrUnknown
    word: HazardWord | None = None


def word_of(book: Rulebook, stated: str, pointer: str = "/hazard_class") -> HazardWord:
    """The rulebook's own word for a hazard; DocumentError with the list of its words where it does not have that one."""
    for entry in book.hazard_words:
        if entry.word == stated:
            return entry
    if not book.hazard_words:
        raise DocumentError("no_hazard_classes", pointer, rulebook=book.id)
    available = [entry.word for entry in book.hazard_words]
    raise DocumentError("unknown_hazard_class", pointer, rulebook=book.id, hazard_class=stated, available=available)


def found_hazard(
    book: Rulebook, hazard: StatedOrUnknown | UnsetType, hazard_class: str | UnsetType, pointer: str = ""
) -> FoundHazard:
    """The hazard as stated by degree, by the rulebook's own word, or both.

    DocumentError where neither is stated, the word is not the rulebook's, or the degree contradicts what the word acts as. `pointer` leads
    to the object that has the two members.
    """
    if hazard_class is UNSET:
        if hazard is UNSET:
            raise DocumentError("hazard_and_class_missing", f"{pointer}/hazard")
        return FoundHazard(hazard=hazard)
    word = word_of(book, hazard_class, f"{pointer}/hazard_class")
    if word.acts_as is None:
        return FoundHazard(hazard="unknown" if hazard is UNSET else hazard, word=word)
    if hazard not in (UNSET, word.acts_as):
        raise DocumentError(
            "hazard_contradicts_class",
            f"{pointer}/hazard_class",
            rulebook=book.id,
            hazard_class=word.word,
            acts_as=word.acts_as,
            hazard=hazard,
        )
    return FoundHazard(hazard=word.acts_as, word=word)


def written_hazards(book: Rulebook | None) -> dict[str, FoundHazard]:
    """What a hazard may be written as where the rulebook is that one, by the folded writing (`rules.words.fold`), and what it means.

    The rulebook's own words come first, then the degrees by their own names. No other authority's word means anything, however alike.
    """
    found: dict[str, FoundHazard] = {}
    for entry in () if book is None else book.hazard_words:
        own = FoundHazard(hazard="unknown" if entry.acts_as is None else entry.acts_as)
        if entry.word != entry.acts_as:
            own = FoundHazard(hazard=own.hazard, word=entry)
        found |= {fold(writing): own for writing in (entry.word, f"{entry.word} hazard")}
    for degree in (*get_args(Hazard), "unknown"):
        for writing in (degree, *words().vocabularies["hazard"][degree]):
            found.setdefault(fold(writing), FoundHazard(hazard=degree))
    return found
