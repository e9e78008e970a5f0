"""Criteria that a utility states itself, where its authority's text on them was not read.

Which rules there are, and what each is about, is as in the rulebook that `data/local.toml` names; no figure is taken from it. A kind is
judged once every rule that decides on it is stated; until then nothing of it is judged. That a part was seen to leak or not to open is not
stated apart: a part of which that was seen does not have the minimum.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from msgspec import UNSET

from rules.floor import Laxer
from rules.local_rulebook import StatedCriterion, work_of
from rules.rulebook import Criterion, Quantity, Rulebook
from rules.texts import Value

_SEEN_AT: Final[dict[Quantity, Quantity]] = {"held_at": "closed_tight", "opened_at": "opened"}
"""What is seen of a part, by the quantity that is read at it."""
_OPTIONAL: Final[frozenset[Quantity]] = frozenset({"closed_tight", "opened", "buffer", "tight_against_backpressure"})
"""What a kind can be judged without: what follows from a minimum, and what only some procedures have."""

Shapes = Sequence[Criterion]
Placed = Sequence[tuple[int, StatedCriterion]]
Parameters = dict[str, Value | list[str]]


def states_own_criteria(state: Rulebook) -> bool:
    """Whether a utility under that rulebook may state criteria of its own: the rulebook has none, and says why."""
    return not state.criteria and state.left_open("criteria") is not None


def faults_of_own_criteria(state: Rulebook, stated: Placed, shapes: Shapes) -> Iterator[Laxer]:
    """What keeps a stated criterion from being applied: an unknown rule, half a minimum, or a kind that is not stated as a whole."""
    known = {shape.rule: shape for shape in shapes}
    whole = _whole_kinds(stated, shapes)
    for place, entry in stated:
        shape = known.get(entry.rule)
        if shape is None:
            available = [name for name, rule in known.items() if rule.quantity not in _SEEN_AT.values()]
            parameters: Parameters = {"rulebook": state.id, "rule": entry.rule, "available": available}
            yield Laxer(section="criteria", place=place, member="rule", code="local_rule_unknown", parameters=parameters)
        elif shape.at_least is not None and UNSET in (entry.at_least, entry.unit):
            yield Laxer(section="criteria", place=place, member="at_least", code="local_minimum_missing")
        elif shape.at_least is None and (entry.at_least is not UNSET or shape.quantity in _SEEN_AT.values()):
            code = "local_rule_follows" if shape.quantity in _SEEN_AT.values() else "local_rule_without_minimum"
            yield Laxer(section="criteria", place=place, member="rule", code=code, parameters={"rule": entry.rule})
        elif not whole & set(shape.kinds):
            kind = shape.kinds[0]
            missing = sorted(_required(kind, shapes) - {entry.rule for _, entry in stated})
            parameters = {"kind": kind, "missing": missing}
            yield Laxer(section="criteria", place=place, member="rule", code="local_kind_in_part", parameters=parameters)


def own_criteria(stated: Placed, shapes: Shapes) -> tuple[Criterion, ...]:
    """The stated criteria as a rulebook has them, for the kinds that are stated as a whole."""
    whole = _whole_kinds(stated, shapes)
    found: list[Criterion] = []
    for _, entry in stated:
        shape = next(shape for shape in shapes if shape.rule == entry.rule)
        found.append(_criterion(entry, shape, whole))
        seen_at = _SEEN_AT.get(shape.quantity)
        found += [
            _criterion(entry, seen, whole)
            for seen in shapes
            if (seen.kinds, seen.component, seen.quantity) == (shape.kinds, shape.component, seen_at)
        ]
    return tuple(found)


def _criterion(entry: StatedCriterion, shape: Criterion, whole: set[str]) -> Criterion:
    return Criterion(
        rule=shape.rule,
        kinds=tuple(kind for kind in shape.kinds if kind in whole),
        component=shape.component,
        quantity=shape.quantity,
        alternative_to=shape.alternative_to if shape.at_least is None else None,
        at_least=None if shape.at_least is None or entry.at_least is UNSET else entry.at_least,
        unit=None if shape.at_least is None or entry.unit is UNSET else entry.unit,
        source=work_of(entry.clause),
        clause=entry.clause.section,
        says=entry.says,
    )


def _whole_kinds(stated: Placed, shapes: Shapes) -> set[str]:
    """The kinds of which every rule that decides is stated."""
    rules = {entry.rule for _, entry in stated}
    return {kind for shape in shapes for kind in shape.kinds if _required(kind, shapes) <= rules}


def _required(kind: str, shapes: Shapes) -> set[str]:
    return {shape.rule for shape in shapes if kind in shape.kinds and shape.quantity not in _OPTIONAL}
