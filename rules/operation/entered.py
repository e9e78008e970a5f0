"""What a caller enters about an assembly, checked: conditions of its parts, springs, and bounds of what the model takes."""

from rules.catalogue import Component
from rules.errors import DocumentError
from rules.operation.elements import Status
from rules.operation.kinds import OperableKind, parts_of
from rules.operation.physics import physics

_STATUSES: dict[str, tuple[Status, ...]] = {
    "check": ("sound", "leaking", "stuck_open"),
    "vent": ("sound", "leaking", "stuck_closed", "stuck_open"),
    "float": ("sound", "leaking", "stuck_closed"),
}


def conditions_of(
    kind: OperableKind, entered: dict[Component, Status], pointer: str = "", parts: tuple[str, ...] | None = None
) -> dict[str, Status]:
    """The conditions, checked; DocumentError where one does not belong to its part, or the part to the kind (or to the line's `parts`)."""
    statuses: dict[str, Status] = {}
    for part, status in entered.items():
        if part not in (parts_of(kind) if parts is None else parts):
            raise _unknown_part(kind, part, parts, f"{pointer}/conditions/{part}")
        sort = "check" if part.startswith("check") else "float" if kind == "avb" else "vent"
        if status not in _STATUSES[sort]:
            raise DocumentError(
                "impossible_condition", f"{pointer}/conditions/{part}", part=part, condition=status, available=_STATUSES[sort]
            )
        statuses[part] = status
    return statuses


def loadings_of(
    kind: OperableKind, entered: dict[Component, float], psi: float, pointer: str = "", parts: tuple[str, ...] | None = None
) -> dict[str, float]:
    """The loadings in psi; DocumentError where one is out of bounds, or its part not of the kind (or not one of the line's `parts`)."""
    largest = physics().springs["largest_loading"].value
    loadings: dict[str, float] = {}
    for part, value in entered.items():
        if part not in (parts_of(kind) if parts is None else parts):
            raise _unknown_part(kind, part, parts, f"{pointer}/loadings/{part}")
        if not 0 <= value * psi <= largest:
            raise DocumentError("outside_model", f"{pointer}/loadings/{part}", at_least=0.0, at_most=largest, unit="psi")
        loadings[part] = value * psi
    return loadings


def _unknown_part(kind: OperableKind, part: str, parts: tuple[str, ...] | None, pointer: str) -> DocumentError:
    available = parts_of(kind) if parts is None else parts
    if not available:
        return DocumentError("no_parts", pointer, kind=kind, part=part)
    if available == parts_of(kind):
        return DocumentError("unknown_part", pointer, kind=kind, part=part, available=available)
    return DocumentError("unknown_part_of_line", pointer, kind=kind, part=part, available=available)


def bounded(value: float, least: float, most: float, unit: str, pointer: str) -> float:
    """`value`; DocumentError where it is not between the two."""
    if not least <= value <= most:
        raise DocumentError("outside_model", pointer, at_least=least, at_most=most, unit=unit)
    return value
