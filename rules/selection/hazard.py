"""The degree of hazard that counts: the one stated, or the higher one that the rulebook gives the type of premises.

The first table of the rulebook that lists a type of premises for a purpose decides how hazardous it is at least, so that a
state's own figure counts before common practice. A table never lowers a stated hazard: a lower one is answered as a contradiction,
with the stricter applied. That no assembly is needed is said only where a dated survey found no cross-connection, and the rulebook
requires no protection for these premises.
"""

import datetime as dt
from typing import Final

from msgspec import UNSET, Struct, UnsetType

from rules.errors import DocumentError
from rules.selection.document import AppliedHazard, SelectionFlag, SelectionRequest, StatedHazard, Survey
from rules.selection.premises import premises_name
from rules.selection.tables import InForce, Purpose, Raise, cite

_DEGREE: Final[tuple[StatedHazard, ...]] = ("none", "non_health", "health", "severe")


class Determined(Struct, frozen=True, kw_only=True):
    """The hazard that counts, the rows that raised it, what contradicts it, and the facts without which it is not determined."""

    hazard: AppliedHazard
    raises: tuple[Raise, ...] = ()
    flags: tuple[SelectionFlag, ...] = ()
    missing: tuple[str, ...] = ()


def determine(ask: SelectionRequest, tables: InForce, day: dt.date) -> Determined:
    """The hazard (or fluid category) that counts on that day.

    DocumentError for an unknown type of premises, or a hazard where the rulebook chooses by fluid category (and the other way about).
    """
    stated = _stated(ask, tables)
    premises = "" if ask.premises is UNSET else ask.premises
    name = premises_name(premises) if premises else ""
    rows = _listed(tables, ask.purpose, premises)
    highest = max(rows, key=_degree, default=None)
    if highest is not None and _degree(highest) > _degree_of(stated):
        applied = highest.fluid_category or highest.hazard
        because = f"{highest.says} So it is raised from {stated} to {applied} ({name})."
        pointer = "/fluid_category" if isinstance(stated, int) else "/hazard"
        message = f"The hazard stated ({stated}) is below the one of these premises ({name}: {applied}); the stricter is applied."
        return Determined(
            hazard=AppliedHazard(stated=stated, applied=applied, because=because),
            raises=tuple(row for row in rows if _degree(row) == _degree(highest)),
            flags=(SelectionFlag(code="hazard_below_premises", pointer=pointer, message=message, source=cite(highest)),),
        )
    if stated == "none":
        return _none(ask, tables, day, premises)
    because = "As stated."
    if name:
        because = f"As stated; no table of this rulebook raises it for this type of premises ({name}) and purpose."
    return Determined(hazard=AppliedHazard(stated=stated, applied=stated, because=because))


def _stated(ask: SelectionRequest, tables: InForce) -> StatedHazard | int:
    """The hazard or the fluid category, whichever the rulebook chooses by; DocumentError where the other is stated, or none."""
    book = ask.rulebook
    if tables.by_category:
        if ask.hazard is not UNSET:
            raise DocumentError(f"Rulebook {book} chooses by fluid category: leave the hazard out.", "/hazard")
        if ask.fluid_category is UNSET:
            raise DocumentError(f"Rulebook {book} chooses by fluid category: state it, 1 to 5.", "/fluid_category")
        return ask.fluid_category
    if ask.fluid_category is not UNSET:
        raise DocumentError(f"Rulebook {book} chooses by hazard: leave the fluid category out.", "/fluid_category")
    if ask.hazard is UNSET:
        raise DocumentError(f"Rulebook {book} chooses by hazard: state it.", "/hazard")
    return ask.hazard


def _listed(tables: InForce, purpose: Purpose, premises: str) -> tuple[Raise, ...]:
    """The rows of the first table that lists these premises for this purpose."""
    for table in tables.tables:
        rows = tuple(row for row in table.raises if premises in row.premises and (not row.purposes or purpose in row.purposes))
        if rows:
            return rows
    return ()


def _degree(row: Raise) -> int:
    return _degree_of(row.fluid_category or row.hazard or "none")


def _degree_of(hazard: StatedHazard | int) -> int:
    return hazard if isinstance(hazard, int) else _DEGREE.index(hazard)


def _none(ask: SelectionRequest, tables: InForce, day: dt.date, premises: str) -> Determined:
    """No hazard was stated: whether a dated survey and the rulebook bear it out."""
    missing, flags = _survey_faults(ask.survey, day)
    if not premises:
        missing.append("premises")
    row = tables.none_required(ask.purpose, premises)
    if not missing and not row.allowed:
        missing.append("hazard")
    if missing:
        says = _NEEDS_A_SURVEY if row.allowed else row.says
        because = f"Not determined. {says} State: {', '.join(missing)}."
        hazard = AppliedHazard(stated="none", applied=None, because=because)
        return Determined(hazard=hazard, flags=tuple(flags), missing=tuple(missing))
    return Determined(hazard=AppliedHazard(stated="none", applied="none", because=row.says))


_NEEDS_A_SURVEY = "That no assembly is needed is said only where a dated survey of these premises found no cross-connection."


def _survey_faults(survey: Survey | UnsetType, day: dt.date) -> tuple[list[str], list[SelectionFlag]]:
    """What has to be stated before the survey shows that there is no cross-connection, and what is wrong with it."""
    if survey is UNSET:
        return ["survey"], []
    if survey.surveyed_on > day:
        message = f"The survey is dated {survey.surveyed_on}, after the day of the choice ({day}). State a survey that was made."
        return ["survey"], [SelectionFlag(code="survey_in_future", pointer="/survey/surveyed_on", message=message)]
    if survey.cross_connection_found:
        message = "The survey found a cross-connection, so there is a hazard. State its degree."
        return ["hazard"], [
            SelectionFlag(code="survey_contradicts_hazard", pointer="/survey/cross_connection_found", message=message)
        ]
    return [], []
