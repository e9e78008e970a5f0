"""Whether an assembly's kind is suitable where it is installed, and what follows for its standing.

The register's facts decide, not those of the day of a test: where they change, the standing changes with them.
"""

import datetime as dt
from functools import lru_cache
from typing import Final, Literal, get_args

from msgspec import UNSET, UnsetType

from rules.catalogue import Hazard
from rules.errors import DocumentError
from rules.hazard_classes import FoundHazard, found_hazard
from rules.rulebook import MechanicalProtection, Protection
from rules.selection.suitability import Suitability, suitability_of
from rules.selection.tables import Purpose
from rules.standing.schedule import book_for
from rules.texts import say

RegisteredHazard = Hazard | Literal["unknown"]
_WORST: Final[tuple[Protection, ...]] = get_args(Protection)


@lru_cache(maxsize=4096)
def suitability_on(  # noqa: PLR0917 - the register's facts on it
    rulebook_id: str,
    on: dt.date,
    kind: str | UnsetType,
    hazard: RegisteredHazard,
    hazard_class: str | UnsetType,
    purpose: Purpose | UnsetType,
    *,
    backpressure_possible: bool | UnsetType,
    in_plant_air_gap: bool | UnsetType,
) -> Suitability:
    """Whether the kind is suitable by the tables in force on that day, or on the nearest day on which there are any.

    A hazard that was registered in the rulebook's own word is judged by that word, as long as the rulebook has it.
    NotJudgeableError for an unknown hazard or purpose: a restored file may hold anything.
    """
    if kind is UNSET:
        return Suitability(suitable=None, because=say("standing", "standing", "kind_not_stated", {}), missing=("kind",))
    book = book_for(rulebook_id, on)
    word = next((entry for entry in book.hazard_words if entry.word == hazard_class), None)
    return suitability_of(
        rulebook_id,
        min(max(on, book.in_force_from), book.in_force_until or dt.date.max),
        kind,
        FoundHazard(hazard=hazard, word=word),
        purpose,
        backpressure_possible=backpressure_possible,
        in_plant_air_gap=in_plant_air_gap,
    )


def hazard_of_class(rulebook_id: str, on: dt.date, hazard: RegisteredHazard | UnsetType, hazard_class: str) -> RegisteredHazard:
    """The degree of hazard that the rulebook's own word acts as on that day, or on the nearest day on which it says anything.

    `unknown` where nothing read says so and none is stated besides; DocumentError for a word that the rulebook does not have, or a degree
    that contradicts it.
    """
    return found_hazard(book_for(rulebook_id, on), hazard, hazard_class).hazard


def fits_hazard(rulebook_id: str, on: dt.date, hazard: RegisteredHazard, hazard_class: str) -> bool:
    """Whether a registered word is still the rulebook's on that day and fits the registered degree: a utility may change its rulebook."""
    try:
        hazard_of_class(rulebook_id, on, hazard, hazard_class)
    except DocumentError:
        return False
    return True


def worst_protection(mechanical: MechanicalProtection, found: Suitability) -> Protection:
    """The protection to show: what the parts do, or `insufficient` where that is worse."""
    return max(mechanical, "insufficient", key=_WORST.index) if found.suitable is False else mechanical
