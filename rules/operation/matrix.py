"""Which failures a kind of assembly survives: computed on the hydraulic model, never written down.

A combination of failed parts is tried in every way those parts can fail (a check fouled or stuck open, a relief valve or air inlet
stuck closed) under every trial of its hazard (`data/operation.toml`), each after a spell of ordinary use. It is *protected* when no
downstream water passes the inlet in any of them, and when the kind withstands the hazard at all. A kind of several parts withstands a
hazard that it survives sound and with any one part failed; a device of one part, a hazard that it survives sound. A vacuum breaker
therefore does not withstand backpressure, which holds its air inlet shut and leaves a lone check.
"""

from collections.abc import Iterator
from functools import cache
from itertools import chain, combinations, product
from typing import Final, Literal, get_args

from msgspec import Struct

from rules.catalogue import Kind
from rules.operation.elements import Hazard, Status, Trial, conductance, deepest_vacuum, physics, water_head
from rules.operation.zones import OPERABLE_KINDS, Boundary, OperableKind, State, device, family_of, parts_of, settle

Protection = Literal["full", "degraded", "lost"]
HAZARDS: Final[tuple[Hazard, ...]] = get_args(Hazard)
_VENTS: Final = frozenset({"relief_valve", "air_inlet"})
_STUCK: Final[tuple[Status, ...]] = ("stuck_closed",)
_PASSING: Final[tuple[Status, ...]] = ("leaking", "stuck_open")
_FOUND_BY_TESTS: Final[tuple[Status, ...]] = ("leaking",)


class MatrixRow(Struct, frozen=True, kw_only=True):
    """One row: whether the supply is protected with these parts failed, under that hazard."""

    kind: OperableKind
    failed: tuple[str, ...]
    hazard: Hazard
    protected: bool


@cache
def protection_matrix() -> tuple[MatrixRow, ...]:
    """Every kind × combination of failed parts × hazard, in that order."""
    return tuple(
        MatrixRow(kind=kind, failed=failed, hazard=hazard, protected=protected(kind, frozenset(failed), hazard))
        for kind in OPERABLE_KINDS
        for failed in _combinations(kind)
        for hazard in HAZARDS
    )


@cache
def protected(kind: OperableKind, failed: frozenset[str], hazard: Hazard) -> bool:
    """Whether the supply is protected against the hazard with these parts failed."""
    return withstands(kind, hazard) and _holds(family_of(kind), failed, hazard)


@cache
def withstands(kind: OperableKind, hazard: Hazard) -> bool:
    """Whether the kind is made for the hazard at all: see the head of this module."""
    family, parts = family_of(kind), parts_of(kind)
    if not _holds(family, frozenset(), hazard):
        return False
    return len(parts) < 2 or all(_holds(family, frozenset({part}), hazard) for part in parts)  # noqa: PLR2004 - "one part" and "several" are the definition


@cache
def protection(kind: Kind, failed: frozenset[str]) -> Protection:
    """`full`: nothing failed. `degraded`: still protected against each hazard that the kind withstands. `lost`: not against each.

    Barriers left are reckoned as in the trade (common practice, no source): each hazard by itself, and a failed check as one that passes
    water rather than one that is gone, for that is what a field test finds. So an RP whose checks both leak still has its relief valve.
    The matrix beside it is harder: it also tries checks stuck wide open, and both hazards at once.
    Detector assemblies are judged line by line, each line as an assembly of its own. KeyError where the kind is not modelled, or
    where `failed` names a part that it does not have.
    """
    if kind not in OPERABLE_KINDS:
        raise KeyError(f"{kind} is not modelled")
    if strange := failed - set(parts_of(kind)):
        raise KeyError(f"{kind} has no {', '.join(sorted(strange))}")
    if not failed:
        return "full"
    guarded = [hazard for hazard in HAZARDS if hazard != "both" and withstands(kind, hazard)]
    return "degraded" if all(_holds(family_of(kind), failed, hazard, _FOUND_BY_TESTS) for hazard in guarded) else "lost"


def _combinations(kind: OperableKind) -> Iterator[tuple[str, ...]]:
    parts = parts_of(kind)
    return chain.from_iterable(combinations(parts, count) for count in range(len(parts) + 1))


@cache
def _holds(family: OperableKind, failed: frozenset[str], hazard: Hazard, passing: tuple[Status, ...] = _PASSING) -> bool:
    """Whether, in every way these parts can fail (checks: `passing`) and in every trial, no downstream water passes the inlet."""
    if family == "air_gap":
        # Nothing joins the two sides: there is no path whose flow could be solved.
        return True
    parts = sorted(failed)
    ways = product(*[_STUCK if part in _VENTS else passing for part in parts])
    trials = [trial for trial in physics().trials if trial.hazard == hazard]
    return all(_survives(family, dict(zip(parts, way, strict=True)), trial) for way in ways for trial in trials)


def _survives(family: OperableKind, statuses: dict[str, Status], trial: Trial) -> bool:
    made_of = device(family, statuses, {})
    head = water_head() * trial.outlet_elevation / 12
    use = Boundary(supply=physics().supply["nominal"].value, downstream=head, downstream_opening=conductance("outlet"))
    trouble = Boundary(
        supply=max(trial.supply_pressure, deepest_vacuum()),
        downstream=head if trial.backpressure is None else trial.backpressure,
        downstream_opening=conductance("outlet_widest"),
    )
    return settle(made_of, trouble, settle(made_of, use, State())).non_potable == 0.0
