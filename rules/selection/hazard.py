"""The degree of hazard that counts: the one stated, or the higher one that the rulebook gives the type of premises.

The first table of the rulebook that lists a type of premises for a purpose decides how hazardous it is at least, so that a
state's own figure counts before common practice. A table never lowers a stated hazard: a stated hazard below the table's is flagged as a
contradiction, and the stricter applies. No assembly is needed only where a dated survey found no cross-connection and the rulebook
requires no protection for these premises.
"""

import datetime as dt
from typing import Final

from msgspec import UNSET, Struct, UnsetType, structs

from rules.errors import DocumentError
from rules.hazard_classes import word_of
from rules.load import rulebook
from rules.selection.document import AppliedHazard, SelectionFlag, SelectionRequest, StatedHazard, Survey
from rules.selection.premises import premises_name
from rules.selection.tables import InForce, Purpose, Raise, cite
from rules.selection.texts import sentence

_DEGREE: Final[tuple[StatedHazard, ...]] = ("none", "non_health", "health", "severe")


class Determined(Struct, frozen=True, kw_only=True):
    """The hazard that counts, the rows that raised it, what contradicts it, and the facts without which it is not determined."""

    hazard: AppliedHazard
    raises: tuple[Raise, ...] = ()
    flags: tuple[SelectionFlag, ...] = ()
    missing: tuple[str, ...] = ()


def determine(request: SelectionRequest, tables: InForce, day: dt.date) -> Determined:
    """The hazard (or fluid category) that counts on that day.

    DocumentError for an unknown type of premises, or a hazard where the rulebook chooses by fluid category (and the other way about).
    """
    if request.hazard_class is not UNSET:
        return _by_class(request, request.hazard_class, tables, day)
    stated = _stated(request, tables)
    premises = "" if request.premises is UNSET else request.premises
    name = premises_name(premises) if premises else ""
    rows = listed(tables, request.purpose, premises)
    highest = max(rows, key=degree_of_row, default=None)
    if highest is not None and degree_of_row(highest) > degree_of(stated):
        applied = highest.fluid_category or highest.hazard
        degrees = {"stated": str(stated), "applied": str(applied), "premises": name}
        because = sentence("hazard", "raised", rule=highest.says, **degrees)
        pointer = "/fluid_category" if isinstance(stated, int) else "/hazard"
        message = sentence("hazard", "below_premises", **degrees)
        return Determined(
            hazard=AppliedHazard(stated=stated, applied=applied, because=because),
            raises=tuple(row for row in rows if degree_of_row(row) == degree_of_row(highest)),
            flags=(SelectionFlag(code="hazard_below_premises", pointer=pointer, message=message, source=cite(highest)),),
        )
    if stated == "none":
        return _none(request, tables, day, premises)
    because = sentence("hazard", "as_stated_for_premises", premises=name) if name else sentence("hazard", "as_stated")
    return Determined(hazard=AppliedHazard(stated=stated, applied=stated, because=because))


def _by_class(request: SelectionRequest, stated: str, tables: InForce, day: dt.date) -> Determined:
    """The hazard stated in the rulebook's own word; not determined where the rulebook does not say by which its tables choose."""
    for name in ("hazard", "fluid_category"):
        if getattr(request, name) is not UNSET:
            raise DocumentError("hazard_stated_twice", "/hazard_class", field=name)
    word = word_of(rulebook(request.rulebook, day), stated)
    plain = structs.replace(request, hazard_class=UNSET)
    if tables.by_category and word.fluid_category is not None:
        found = determine(structs.replace(plain, fluid_category=word.fluid_category), tables, day)
    elif not tables.by_category and word.chosen_as is not None:
        found = determine(structs.replace(plain, hazard=word.chosen_as), tables, day)
    else:
        serves = "" if word.serves is None else " " + sentence("hazard", "class_accepts", rule=word.serves.says)
        because = sentence("hazard", "class_not_stated", rulebook=request.rulebook, hazard_class=word.word, serves=serves)
        hazard = AppliedHazard(stated=None, applied=None, because=because, hazard_class=word.word)
        return Determined(hazard=hazard, missing=("hazard",))
    because = f"{sentence('hazard', 'class_acts_as', hazard_class=word.word, rule=word.says)} {found.hazard.because}"
    return structs.replace(found, hazard=structs.replace(found.hazard, because=because, hazard_class=word.word))


def _stated(request: SelectionRequest, tables: InForce) -> StatedHazard | int:
    """The hazard or the fluid category, whichever the rulebook chooses by; DocumentError where the other is stated, or none."""
    book = request.rulebook
    if tables.by_category:
        if request.hazard is not UNSET:
            raise DocumentError("hazard_not_used", "/hazard", rulebook=book)
        if request.fluid_category is UNSET:
            raise DocumentError("fluid_category_missing", "/fluid_category", rulebook=book)
        return request.fluid_category
    if request.fluid_category is not UNSET:
        raise DocumentError("fluid_category_not_used", "/fluid_category", rulebook=book)
    if request.hazard is UNSET:
        raise DocumentError("hazard_missing", "/hazard", rulebook=book)
    return request.hazard


def listed(tables: InForce, purpose: Purpose, premises: str) -> tuple[Raise, ...]:
    """The rows of the first table that lists these premises for this purpose."""
    for table in tables.tables:
        rows = tuple(row for row in table.raises if premises in row.premises and (not row.purposes or purpose in row.purposes))
        if rows:
            return rows
    return ()


def degree_of_row(row: Raise) -> int:
    """How high a row's hazard (or fluid category) is, to compare it with another's."""
    return degree_of(row.fluid_category or row.hazard or "none")


def degree_of(hazard: StatedHazard | int) -> int:
    """How high a hazard (or fluid category) is, to compare it with another."""
    return hazard if isinstance(hazard, int) else _DEGREE.index(hazard)


def _none(request: SelectionRequest, tables: InForce, day: dt.date, premises: str) -> Determined:
    """`none` was stated as the hazard: whether a dated survey and the rulebook support it."""
    missing, flags = _survey_faults(request.survey, day)
    if not premises:
        missing.append("premises")
    row = tables.none_required(request.purpose, premises)
    if not missing and not row.allowed:
        missing.append("hazard")
    if missing:
        says = sentence("hazard", "survey_needed") if row.allowed else row.says
        because = sentence("hazard", "not_determined", rule=says, missing=", ".join(missing))
        hazard = AppliedHazard(stated="none", applied=None, because=because)
        return Determined(hazard=hazard, flags=tuple(flags), missing=tuple(missing))
    return Determined(hazard=AppliedHazard(stated="none", applied="none", because=row.says))


def _survey_faults(survey: Survey | UnsetType, day: dt.date) -> tuple[list[str], list[SelectionFlag]]:
    """What has to be stated before the survey shows that there is no cross-connection, and what is wrong with it."""
    if survey is UNSET:
        return ["survey"], []
    if survey.surveyed_on > day:
        dates = {"surveyed_on": survey.surveyed_on.isoformat(), "day": day.isoformat()}
        message = sentence("hazard", "survey_in_future", **dates)
        return ["survey"], [SelectionFlag(code="survey_in_future", pointer="/survey/surveyed_on", message=message)]
    if survey.cross_connection_found:
        message = sentence("hazard", "survey_contradicts_hazard")
        return ["hazard"], [
            SelectionFlag(code="survey_contradicts_hazard", pointer="/survey/cross_connection_found", message=message)
        ]
    return [], []
