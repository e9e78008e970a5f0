"""What is known of the place where an assembly is installed, and what follows for its protection whatever the test shows."""

import datetime as dt
from functools import lru_cache

from msgspec import UNSET, Struct

from rules.field_test.answer import ProtectionReason, SuitabilityReason
from rules.field_test.document import TestedAssembly
from rules.field_test.statements import protections
from rules.hazard_classes import found_hazard
from rules.load import catalogue, rulebook
from rules.operation import Mechanism
from rules.rulebook import HazardWord
from rules.selection.suitability import suitability_of
from rules.selection.tables import cite
from rules.texts import say


class Circumstances(Struct, frozen=True, kw_only=True, eq=False):
    """What is known of the place where an assembly is installed: the mechanisms possible there that the kind guards against, and more.

    Compared by identity: take it from `circumstances`.
    """

    hazard: str
    word: HazardWord | None
    mechanisms: tuple[Mechanism, ...]
    basis: ProtectionReason
    suitable: bool | None
    suitability: SuitabilityReason


@lru_cache(maxsize=4096)
def circumstances(rulebook_id: str, on: dt.date, assembly: TestedAssembly) -> Circumstances:
    """The circumstances of that assembly, by the rulebook's tables in force on that day; of equal ones always the same.

    DocumentError for a word for its hazard that the rulebook does not have.
    """
    hazard = found_hazard(rulebook(rulebook_id, on), assembly.hazard, assembly.hazard_class, "/assembly")
    found = suitability_of(
        rulebook_id,
        on,
        assembly.kind,
        hazard,
        assembly.purpose,
        backpressure_possible=assembly.backpressure_possible,
        in_plant_air_gap=assembly.in_plant_air_gap,
    )
    guards = catalogue()[assembly.kind].guards_against
    possible = assembly.backpressure_possible
    mechanisms: tuple[Mechanism, ...] = ("backsiphonage",)
    if "backpressure" not in guards:
        code = "computed_not_guarded"
    elif possible is False:
        code = "computed_impossible"
    else:
        mechanisms = ("backsiphonage", "backpressure", "both")
        code = "computed_not_stated" if possible is UNSET else "computed_possible"
    why = SuitabilityReason(
        because=found.because, source=found.source, missing=found.missing, serves=() if found.suitable else found.serves
    )
    because = ProtectionReason(code=code, because=say("field_test", "protection", code, {}), source=cite(protections().basis))
    return _circumstances(
        hazard=hazard.hazard, word=hazard.word, mechanisms=mechanisms, basis=because, suitable=found.suitable, suitability=why
    )


@lru_cache(maxsize=4096)
def _circumstances(
    *,
    hazard: str,
    word: HazardWord | None,
    mechanisms: tuple[Mechanism, ...],
    basis: ProtectionReason,
    suitable: bool | None,
    suitability: SuitabilityReason,
) -> Circumstances:
    return Circumstances(hazard=hazard, word=word, mechanisms=mechanisms, basis=basis, suitable=suitable, suitability=suitability)
