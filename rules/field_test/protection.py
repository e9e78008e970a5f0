"""The state of every part → what the assembly would do today, why, and which deadline follows.

Which failed parts are tried in the matrix that `rules.operation` computes from hydraulics, at a small leak and at a wide open one, against
every mechanism that is known to be possible at the assembly. A part whose state is unknown is tried both ways. Only if every possible
answer stops backflow is that the answer. A published statement about exactly the parts that failed settles a mix of answers
(`data/protection.toml`). On a detector assembly the worse line decides. The hazard and the kind do not change this mechanical value:
where the kind is not suitable, `insufficient` is shown if that is worse.
"""

from functools import lru_cache
from itertools import product
from typing import Final, Literal, get_args

from msgspec import Struct

from rules.catalogue import TestableKind
from rules.field_test.answer import Outcome, PhaseVerdict, ProtectionReason
from rules.field_test.circumstances import Circumstances
from rules.field_test.statements import protections
from rules.operation import LEAK_SIZES, Mechanism, is_type_ii, parts_of, protected
from rules.rulebook import ActsAs, MechanicalProtection, Protection
from rules.selection.tables import cite

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


@lru_cache(maxsize=4096)
def phase_verdict(kind: TestableKind, place: Circumstances, outcome: Outcome, lines: tuple[LineResult, ...]) -> PhaseVerdict:
    """What a phase shows, from its outcome and what was seen of each line."""
    mechanical: MechanicalProtection = "full"
    acts_as: ActsAs = "full"
    for whole, ways_through in _devices(kind, lines):
        left = device_protection(kind, whole, place.mechanisms)
        mechanical = max(mechanical, left, key=_ORDER.index)
        for line in ways_through:
            acts_as = max(acts_as, _acts_as(kind, line, left), key=_URGENCY.index)
    return PhaseVerdict(
        outcome=outcome,
        protection=max(mechanical, "insufficient", key=_ORDER.index) if place.suitable is False else mechanical,
        mechanical_protection=mechanical,
        acts_as=acts_as if outcome == "fail" else None,
    )


def _devices(kind: TestableKind, lines: tuple[LineResult, ...]) -> list[tuple[LineResult, tuple[LineResult, ...]]]:
    """Each device that the hydraulics compute as one, with the lines on which water can pass it.

    A Type I detector assembly is two devices, its main line and its bypass. A Type II is one: the bypass check lies beside main check 2,
    so water passes main check 1 (and the relief valve), then either.
    """
    if not is_type_ii(kind):
        return [(line, (line,)) for line in lines]
    main, bypass = lines
    seen = main.failure_seen or bypass.failure_seen
    whole = LineResult(states=main.states + bypass.states, failure_seen=seen)
    return [(whole, (main, LineResult(states=main.states[:-1] + bypass.states, failure_seen=seen)))]


@lru_cache(maxsize=1024)
def device_protection(kind: TestableKind, device: LineResult, mechanisms: tuple[Mechanism, ...]) -> MechanicalProtection:
    """What the parts of one device would do today, in the order of `parts_of`."""
    ways = product(*[(True, False) if state == "unknown" else (state == "failed",) for state in device.states])
    stops: set[bool] = set()
    for way in ways:
        stops |= _stops(kind, frozenset(part for part, failed in zip(parts_of(kind), way, strict=True) if failed), mechanisms)
    if stops != {True}:
        return "lost" if stops == {False} else "unknown"
    if device.failure_seen or set(device.states) & {"weak", "discharging"}:
        return "degraded"
    return "unknown" if "unknown" in device.states else "full"


def _stops(kind: TestableKind, failed: frozenset[str], mechanisms: tuple[Mechanism, ...]) -> set[bool]:
    """Every answer to whether backflow is stopped with these parts failed."""
    computed = {all(protected(kind, failed, mechanism, leak) for mechanism in mechanisms) for leak in LEAK_SIZES}
    for row in protections().statements:
        if kind in row.kinds and row.failed and set(row.failed) == failed:
            if row.protection == "unknown":
                return {True, False}
            return {row.protection == "degraded"} if len(computed) > 1 else computed
    return computed


def _acts_as(kind: TestableKind, line: LineResult, left: MechanicalProtection) -> ActsAs:
    """The deadline that a line has. What nobody can say acts as lost only where a failure was seen on that line."""
    if left == "lost" or (left == "unknown" and line.failure_seen):
        return "lost"
    barriers = [state for state in line.states if state != "failed"]
    if len(barriers) == 1 and "relief_valve" in parts_of(kind):
        return "last_check"
    if barriers == ["weak"]:
        return "last_barrier_weak"
    return "full" if left == "full" else "degraded"


@lru_cache(maxsize=4096)
def reasons(kind: TestableKind, place: Circumstances, lines: tuple[LineResult, ...]) -> tuple[ProtectionReason, ...]:
    """How the protection was found, and what was published of parts that failed so."""
    found = {place.basis: None}
    for device, _ in _devices(kind, lines):
        parts = list(zip(parts_of(kind), device.states, strict=True))
        failed = {part for part, state in parts if state == "failed"}
        weak = {part for part, state in parts if state == "weak"}
        # That the parts which are left protect is said only where nothing is wrong with them, or unknown of them.
        doubtful = bool(weak) or "unknown" in device.states
        for row in protections().statements:
            if row.failed and doubtful and row.protection == "degraded":
                continue
            if kind in row.kinds and (set(row.failed) == failed if row.failed else weak & set(row.weak)):
                found[ProtectionReason(code=row.code, because=row.says, source=cite(row))] = None
    return tuple(found)
