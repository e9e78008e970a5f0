"""The kinds that the model knows: their parts, and the elements that one line of each is made of."""

from typing import Final, Literal, get_args

from msgspec import Struct

from rules.operation.elements import AirInlet, Check, ReliefValve, Status
from rules.operation.physics import conductance, physics

OperableKind = Literal["rp", "rpda", "dc", "dcda", "pvb", "svb", "avb", "dual_check", "air_gap", "rpda_ii", "dcda_ii"]
OPERABLE_KINDS: Final[tuple[OperableKind, ...]] = get_args(OperableKind)

_FAMILY: Final[dict[OperableKind, OperableKind]] = {"rpda": "rp", "dcda": "dc", "rpda_ii": "rp", "dcda_ii": "dc"}
# Type II: the bypass lies beside main check 2 only, with one check of its own, so both lines are one device.
_TYPE_II: Final[frozenset[OperableKind]] = frozenset({"rpda_ii", "dcda_ii"})
_PARTS: Final[dict[OperableKind, tuple[str, ...]]] = {
    "rp": ("check_1", "relief_valve", "check_2"),
    "dc": ("check_1", "check_2"),
    "dual_check": ("check_1", "check_2"),
    "pvb": ("check", "air_inlet"),
    "svb": ("check", "air_inlet"),
    "avb": ("air_inlet",),
    "air_gap": (),
}


def family_of(kind: OperableKind) -> OperableKind:
    """The kind that one line of a detector assembly is; any other kind itself."""
    return _FAMILY.get(kind, kind)


def is_type_ii(kind: OperableKind) -> bool:
    """Whether the kind is a Type II detector assembly, whose bypass check `check` lies beside main check 2."""
    return kind in _TYPE_II


def parts_of(kind: OperableKind) -> tuple[str, ...]:
    """The parts of an assembly of that kind, in flow order.

    A Type I detector assembly's are those of one line. A Type II's are the main line's and then the bypass check, `check`.
    """
    return (*_PARTS[family_of(kind)], *(("check",) if kind in _TYPE_II else ()))


def parts_on(kind: OperableKind, *, bypass: bool) -> tuple[str, ...]:
    """The parts of one line. The bypass of a Type II detector assembly has its check only, its main line the rest."""
    if kind not in _TYPE_II:
        return parts_of(kind)
    return ("check",) if bypass else _PARTS[family_of(kind)]


class Device(Struct, frozen=True, kw_only=True):
    """The elements of one line. With `is_float`, the first check and the air inlet are one part: an atmospheric vacuum breaker's."""

    first: Check
    vent: AirInlet | ReliefValve | None
    second: Check
    is_float: bool = False


def device(kind: OperableKind, statuses: dict[str, Status], loadings: dict[str, float]) -> Device:
    """The elements of one line of that kind; parts not named in `statuses` are sound, loadings not named are the data's."""
    family = family_of(kind)
    usual = usual_loadings(kind)
    wide, fouled = conductance("check"), conductance("leak")
    passage = Check(loading=0.0, wide=conductance("body"), held_open=conductance("body"))

    def load(part: str) -> float:
        return loadings.get(part, usual[part])

    def check(part: str) -> Check:
        held = {"leaking": fouled, "stuck_open": wide}.get(statuses.get(part, "sound"), 0.0)
        return Check(loading=load(part), wide=wide, held_open=held)

    second = check("check_2") if family in {"rp", "dc", "dual_check"} else passage
    if kind in _TYPE_II:
        second = second.beside(check("check"))
    if family in {"dc", "dual_check"}:
        return Device(first=check("check_1"), vent=None, second=second)
    if family == "rp":
        relief = ReliefValve(
            opening=load("relief_valve"),
            span=physics().springs["relief_span"].value,
            status=statuses.get("relief_valve", "sound"),
            wide=conductance("relief_valve"),
            weep=conductance("weep") if statuses.get("relief_valve") == "leaking" else 0.0,
        )
        return Device(first=check("check_1"), vent=relief, second=second)
    status = statuses.get("air_inlet", "sound")
    inlet = AirInlet(
        opening=load("air_inlet"),
        status=status,
        wide=conductance("air_inlet"),
        weep=conductance("weep") if status == "leaking" else 0.0,
    )
    if family == "avb":
        seat = Check(loading=0.0, wide=wide, held_open=fouled if status == "leaking" else 0.0)
        return Device(first=seat, vent=inlet, second=passage, is_float=True)
    return Device(first=check("check"), vent=inlet, second=passage)


def bypass_check_device(statuses: dict[str, Status], loadings: dict[str, float]) -> Device:
    """The bypass line of a Type II detector assembly by itself: one check, and the open way behind it."""
    both = device(
        "dcda_ii", {"check": statuses.get("check", "sound")}, {"check": loadings["check"], "check_2": loadings["check"]}
    )
    passage = Check(loading=0.0, wide=conductance("body"), held_open=conductance("body"))
    return Device(first=both.second, vent=None, second=passage)


def usual_loadings(kind: OperableKind) -> dict[str, float]:
    """The springs [psi] of a new assembly, part by part."""
    return {
        part: parameter.value for part, parameter in physics().loadings[kind if kind in _TYPE_II else family_of(kind)].items()
    }
