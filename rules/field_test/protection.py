"""The state of every part → what the assembly would do today, why, and which deadline follows.

Which failed parts are tried in the matrix that `rules.operation` computes from hydraulics, at a small leak and at a wide open one, against
every mechanism that is known to be possible at the assembly. A part whose state is unknown is tried both ways. Only if every possible
answer stops backflow is that the answer. A published statement about exactly the parts that failed settles a mix of answers
(`data/protection.toml`). On a detector assembly the worse line decides. The hazard and the kind do not change this mechanical value:
where the kind is not suitable, `insufficient` is shown if that is worse.
"""

import datetime as dt
from functools import cache, lru_cache
from itertools import product
from typing import Final, Literal, get_args

from msgspec import UNSET, Struct

from rules.catalogue import Component
from rules.field_test.answer import Outcome, PhaseVerdict, ProtectionReason, SuitabilityReason
from rules.field_test.document import TestedAssembly
from rules.load import catalogue, read
from rules.operation import LEAK_SIZES, Mechanism, protected
from rules.rulebook import ActsAs, MechanicalProtection, Protection
from rules.selection.suitability import suitability
from rules.selection.tables import cite
from rules.sources import Cited

State = Literal["sound", "weak", "unknown", "failed", "discharging"]
"""`weak`: below its minimum and still a barrier. `discharging`: a relief valve that is open, and protects while it discharges."""

_ORDER: Final[tuple[Protection, ...]] = get_args(Protection)
_URGENCY: Final[tuple[ActsAs, ...]] = get_args(ActsAs)


class LineResult(Struct, frozen=True, kw_only=True):
    """The states of the parts of one line, in the order of the kind's components.

    `failure_seen` where a reading failed a rule and the part's state shows it: a stricter local minimum fails a part that is sound.
    """

    states: tuple[State, ...]
    failure_seen: bool


class Statement(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was published of kinds with exactly these parts `failed`, or with any of these parts `weak`."""

    kinds: tuple[str, ...]
    failed: tuple[Component, ...] = ()
    weak: tuple[Component, ...] = ()
    against: tuple[Mechanism, ...]
    protection: MechanicalProtection
    says: str


class Basis(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a verdict says of how its protection was found, by what is known of backpressure at the assembly."""

    possible: str
    impossible: str
    not_stated: str
    not_guarded: str


class Protections(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`data/protection.toml`."""

    basis: Basis
    statements: tuple[Statement, ...]


@cache
def protections() -> Protections:
    """The published statements, read once."""
    return read("protection.toml", Protections)


class Circumstances(Struct, frozen=True, kw_only=True):
    """What is known of the place where an assembly is installed: the mechanisms possible there that the kind guards against, and more."""

    hazard: str
    mechanisms: tuple[Mechanism, ...]
    basis: ProtectionReason
    suitable: bool | None
    suitability: SuitabilityReason


@lru_cache(maxsize=4096)
def circumstances(rulebook_id: str, on: dt.date, assembly: TestedAssembly) -> Circumstances:
    """The circumstances of that assembly, by the rulebook's tables in force on that day; of equal ones always the same."""
    found = suitability(
        rulebook_id, on, assembly.kind, UNSET if assembly.hazard == "unknown" else assembly.hazard, assembly.purpose,
        backpressure_possible=assembly.backpressure_possible, in_plant_air_gap=assembly.in_plant_air_gap,
    )  # fmt: skip
    guards, basis = catalogue()[assembly.kind].guards_against, protections().basis
    possible = assembly.backpressure_possible
    mechanisms: tuple[Mechanism, ...] = ("backsiphonage",)
    if "backpressure" not in guards:
        says = basis.not_guarded
    elif possible is False:
        says = basis.impossible
    else:
        mechanisms = ("backsiphonage", "backpressure", "both")
        says = basis.not_stated if possible is UNSET else basis.possible
    return _shared(
        Circumstances(
            hazard=assembly.hazard, mechanisms=mechanisms, basis=ProtectionReason(because=says, source=cite(basis)), suitable=found.suitable,
            suitability=SuitabilityReason(
                because=found.because, source=found.source, missing=found.missing, serves=() if found.suitable else found.serves
            ),
        )
    )  # fmt: skip


@lru_cache(maxsize=4096)
def _shared(place: Circumstances) -> Circumstances:
    return place


@lru_cache(maxsize=4096)
def phase_verdict(kind: str, place: Circumstances, outcome: Outcome, lines: tuple[LineResult, ...]) -> PhaseVerdict:
    """What a phase shows, from its outcome and what was seen of each line."""
    mechanical: MechanicalProtection = "full"
    acts_as: ActsAs = "full"
    for line in lines:
        left = line_protection(kind, line, place.mechanisms)
        mechanical = max(mechanical, left, key=_ORDER.index)
        acts_as = max(acts_as, _acts_as(kind, line, left), key=_URGENCY.index)
    return PhaseVerdict(
        outcome=outcome,
        protection=max(mechanical, "insufficient", key=_ORDER.index) if place.suitable is False else mechanical,
        mechanical_protection=mechanical,
        acts_as=acts_as if outcome == "fail" else None,
    )


@lru_cache(maxsize=1024)
def line_protection(kind: str, line: LineResult, mechanisms: tuple[Mechanism, ...]) -> MechanicalProtection:
    """What the parts of one line would do today."""
    components = catalogue()[kind].components
    ways = product(*[(True, False) if state == "unknown" else (state == "failed",) for state in line.states])
    stops: set[bool] = set()
    for way in ways:
        stops |= _stops(kind, frozenset(part for part, failed in zip(components, way, strict=True) if failed), mechanisms)
    if stops != {True}:
        return "lost" if stops == {False} else "unknown"
    if line.failure_seen or set(line.states) & {"weak", "discharging"}:
        return "degraded"
    return "unknown" if "unknown" in line.states else "full"


def _stops(kind: str, failed: frozenset[Component], mechanisms: tuple[Mechanism, ...]) -> set[bool]:
    """Every answer to whether backflow is stopped with these parts failed."""
    computed = {all(protected(kind, failed, mechanism, leak) for mechanism in mechanisms) for leak in LEAK_SIZES}
    for row in protections().statements:
        if kind in row.kinds and row.failed and set(row.failed) == failed:
            if row.protection == "unknown":
                return {True, False}
            return {row.protection == "degraded"} if len(computed) > 1 else computed
    return computed


def _acts_as(kind: str, line: LineResult, left: Protection) -> ActsAs:
    """The deadline that a line has. What nobody can say acts as lost only where a failure was seen on that line."""
    if left == "lost" or (left == "unknown" and line.failure_seen):
        return "lost"
    components = catalogue()[kind].components
    barriers = [state for state in line.states if state != "failed"]
    if len(barriers) == 1 and "relief_valve" in components:
        return "last_check"
    if barriers == ["weak"]:
        return "last_barrier_weak"
    return "full" if left == "full" else "degraded"


@lru_cache(maxsize=4096)
def reasons(kind: str, place: Circumstances, lines: tuple[LineResult, ...]) -> tuple[ProtectionReason, ...]:
    """How the protection was found, and what was published of parts that failed so."""
    found = {place.basis: None}
    for line in lines:
        parts = list(zip(catalogue()[kind].components, line.states, strict=True))
        failed = {part for part, state in parts if state == "failed"}
        weak = {part for part, state in parts if state == "weak"}
        for row in protections().statements:
            if kind in row.kinds and (set(row.failed) == failed if row.failed else weak & set(row.weak)):
                found[ProtectionReason(because=row.says, source=cite(row))] = None
    return tuple(found)
