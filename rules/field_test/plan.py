"""What a test of one kind needs, worked out once per rulebook, kind and unit: every criterion with its minimum in the report's unit.

Judging then only compares. Sources and fixed sentences are shared by all verdicts that rest on them.
"""

from functools import lru_cache

from msgspec import Struct

from rules.catalogue import AssemblyKind, Component
from rules.load import catalogue, read
from rules.quantities import convert
from rules.rulebook import Criterion, Rulebook
from rules.sources import Cited, Source


class PlannedCriterion(Struct, frozen=True, kw_only=True):
    """A criterion ready to compare: its minimum in the report's unit, and where that figure is from."""

    criterion: Criterion
    at_least: float | None
    source: Source


class Spoil(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A leaking shutoff that makes readings of some components unreadable."""

    kinds: tuple[str, ...]
    shutoff: str
    components: tuple[Component, ...]
    because: str
    only_below_minimum: Component | None = None


class Spoils(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The data file of those."""

    spoils: tuple[Spoil, ...]


class Plan(Struct, frozen=True, kw_only=True):
    """All that judging a test of one kind, in one unit, by one rulebook needs; pressures in that unit."""

    rulebook: Rulebook
    kind: AssemblyKind
    unit: str
    by_component: dict[Component, tuple[PlannedCriterion, ...]]
    buffer: PlannedCriterion | None
    most_plausible: float
    line_pressure: tuple[float, float]
    accuracy_at_most: float
    near: tuple[float, float]
    calibration_months: int
    spoils: tuple[Spoil, ...]


def plan(rulebook: Rulebook, kind: str, unit: str) -> Plan:
    """The plan for that kind in that pressure unit."""
    return _plan(_Sealed(rulebook), kind, unit)


class _Sealed:
    """A rulebook told by its digest, so that the cache neither hashes nor compares the whole of it."""

    __slots__ = ("rulebook",)

    def __init__(self, rulebook: Rulebook) -> None:
        self.rulebook = rulebook

    def __hash__(self) -> int:
        return hash(self.rulebook.digest)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Sealed) and self.rulebook.digest == other.rulebook.digest


@lru_cache(maxsize=512)
def _plan(sealed: _Sealed, kind_code: str, unit: str) -> Plan:
    rulebook, kind = sealed.rulebook, catalogue()[kind_code]
    planned = [_planned(rulebook, one, unit) for one in rulebook.criteria if kind_code in one.kinds]
    within = rulebook.limit("line_pressure")
    near = rulebook.limit("near_limit")
    return Plan(
        rulebook=rulebook,
        kind=kind,
        unit=unit,
        by_component={
            component: tuple(
                one for one in planned if one.criterion.component == component and one.criterion.quantity != "buffer"
            )
            for component in kind.components
        },
        buffer=next((one for one in planned if one.criterion.quantity == "buffer"), None),
        most_plausible=_in(rulebook, "plausible.differential", unit),
        line_pressure=(convert(within.at_least or 0, "psi", unit), convert(within.at_most or 0, "psi", unit)),
        accuracy_at_most=_in(rulebook, "gauge.accuracy", unit),
        near=(near.at_least or 0, near.at_most or 1),
        calibration_months=int(rulebook.limit("gauge.calibration").at_most or 0),
        spoils=tuple(one for one in read("shutoffs.toml", Spoils).spoils if kind_code in one.kinds),
    )


def _in(rulebook: Rulebook, name: str, unit: str) -> float:
    limit = rulebook.limit(name)
    return convert(limit.at_most or 0, limit.unit, unit)


def _planned(rulebook: Rulebook, criterion: Criterion, unit: str) -> PlannedCriterion:
    if criterion.at_least is None:
        return PlannedCriterion(criterion=criterion, at_least=None, source=rulebook.cite(criterion))
    at_least, figure = criterion.minimum_in(unit)
    return PlannedCriterion(criterion=criterion, at_least=at_least, source=rulebook.cite(figure or criterion))
