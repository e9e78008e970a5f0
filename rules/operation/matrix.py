"""Which failures a kind of assembly survives: computed on the hydraulic model, never written down.

A set of failed parts is tried under every trial of its mechanism (`data/operation.toml`), each after a spell of ordinary use. A failed
relief valve or air inlet is stuck closed. A failed check leaks: `small`, what a fouling wire lets through, or `wide_open`. A field test
does not show which, so both are computed. The supply is *protected* when no downstream water passes the inlet in any trial, and when
the kind withstands the mechanism at all. A kind of several parts withstands a mechanism that it survives sound and with any one part
failed, a check with a small leak; a device of one part, a mechanism that it survives sound. A vacuum breaker therefore does not
withstand backpressure, which holds its air inlet shut and leaves a lone check.
"""

from collections.abc import Iterator, Mapping
from functools import cache
from itertools import chain, combinations, product
from typing import Final, Literal, get_args

from msgspec import Struct

from rules.operation.air import sea_level
from rules.operation.elements import Status
from rules.operation.kinds import OPERABLE_KINDS, OperableKind, device, family_of, is_type_ii, parts_of
from rules.operation.physics import Mechanism, Trial, conductance, physics, water_head
from rules.operation.zones import Boundary, State, settle

LeakSize = Literal["small", "wide_open"]
Protection = Literal["full", "degraded", "unknown", "lost"]
MECHANISMS: Final[tuple[Mechanism, ...]] = get_args(Mechanism)
LEAK_SIZES: Final[tuple[LeakSize, ...]] = get_args(LeakSize)
_VENTS: Final = frozenset({"relief_valve", "air_inlet"})


class MatrixRow(Struct, frozen=True, kw_only=True):
    """One row: whether the supply is protected from that mechanism with these parts failed and checks leaking so much."""

    kind: OperableKind
    failed: tuple[str, ...]
    mechanism: Mechanism
    leak: LeakSize
    protected: bool


@cache
def protection_matrix() -> tuple[MatrixRow, ...]:
    """Every kind × set of failed parts × mechanism × leak size, in that order."""
    return tuple(
        MatrixRow(
            kind=kind,
            failed=failed,
            mechanism=mechanism,
            leak=leak,
            protected=protected(kind, frozenset(failed), mechanism, leak),
        )
        for kind in OPERABLE_KINDS
        for failed in _sets(kind)
        for mechanism in MECHANISMS
        for leak in LEAK_SIZES
    )


@cache
def protected(kind: OperableKind, failed: frozenset[str], mechanism: Mechanism, leak: LeakSize) -> bool:
    """Whether the supply is protected from the mechanism with these parts failed.

    `small`: each failed check leaks as a fouling wire makes it. `wide_open`: at least one failed check is wide open, and the worst of
    the ways in which the others leak is answered. Where no check has failed the two agree. A Type I detector assembly is computed line
    by line, as an assembly of its own; a Type II's parts are the main line's and the bypass check `check`, computed together. KeyError
    where the kind is not modelled, or where `failed` names a part that it does not have.
    """
    _known(kind, failed)
    return withstands(kind, mechanism) and _holds(kind, failed, mechanism, leak)


@cache
def withstands(kind: OperableKind, mechanism: Mechanism) -> bool:
    """Whether the kind is made for the mechanism at all: see the head of this module."""
    parts = parts_of(kind)
    if not _holds(kind, frozenset(), mechanism, "small"):
        return False
    return len(parts) < 2 or all(_holds(kind, frozenset({part}), mechanism, "small") for part in parts)  # noqa: PLR2004 - "one part" and "several" are the definition


def _known(kind: str, failed: frozenset[str]) -> None:
    if kind not in OPERABLE_KINDS:
        raise KeyError(f"{kind} is not modelled")
    if strange := failed - set(parts_of(kind)):
        raise KeyError(f"{kind} has no {', '.join(sorted(strange))}")


def _sets(kind: OperableKind) -> Iterator[tuple[str, ...]]:
    parts = parts_of(kind)
    return chain.from_iterable(combinations(parts, count) for count in range(len(parts) + 1))


def _holds(kind: OperableKind, failed: frozenset[str], mechanism: Mechanism, leak: LeakSize) -> bool:
    """Whether no downstream water passes the inlet in any trial, with the failed checks leaking so much."""
    vents: dict[str, Status] = dict.fromkeys(failed & _VENTS, "stuck_closed")
    checks = sorted(failed - _VENTS)
    ways: Iterator[tuple[Status, ...]] = product(("leaking", "stuck_open"), repeat=len(checks))
    fitting = (way for way in ways if not checks or ("stuck_open" in way) == (leak == "wide_open"))
    return all(survives(kind, vents | dict(zip(checks, way, strict=True)), mechanism) for way in fitting)


def survives(kind: OperableKind, statuses: Mapping[str, Status], mechanism: Mechanism) -> bool:
    """Whether no downstream water passes the inlet in any trial of the mechanism, with the parts in the statuses given."""
    # Line by line, a Type I detector is what one of its lines is; a Type II is a device of its own.
    modelled = kind if is_type_ii(kind) else family_of(kind)
    return all(
        _survives_trial(modelled, tuple(sorted(statuses.items())), trial)
        for trial in physics().trials
        if trial.mechanism == mechanism
    )


@cache
def _survives_trial(kind: OperableKind, statuses: tuple[tuple[str, Status], ...], trial: Trial) -> bool:
    if kind == "air_gap":
        # Nothing joins the two sides: there is no path whose flow could be solved.
        return True
    made_of = device(kind, dict(statuses), {})
    head = water_head() * trial.outlet_elevation / 12
    use = Boundary(supply=physics().supply["nominal"].value, downstream=head, downstream_opening=conductance("outlet"))
    trouble = Boundary(
        supply=max(trial.supply_pressure, sea_level().deepest_vacuum),
        downstream=head if trial.backpressure is None else trial.backpressure,
        downstream_opening=conductance("outlet_widest"),
    )
    return settle(made_of, trouble, settle(made_of, use, State())).non_potable == 0.0
