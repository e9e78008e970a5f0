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
            raise DocumentError(_no_such_part(kind, part, parts), f"{pointer}/conditions/{part}")
        sort = "check" if part.startswith("check") else "float" if kind == "avb" else "vent"
        if status not in _STATUSES[sort]:
            raise DocumentError(f"{part} can be {', '.join(_STATUSES[sort])}, not {status}.", f"{pointer}/conditions/{part}")
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
            raise DocumentError(_no_such_part(kind, part, parts), f"{pointer}/loadings/{part}")
        if not 0 <= value * psi <= largest:
            raise DocumentError(f"A loading must be between 0 and {largest:g} psi.", f"{pointer}/loadings/{part}")
        loadings[part] = value * psi
    return loadings


def _no_such_part(kind: OperableKind, part: str, parts: tuple[str, ...] | None) -> str:
    line = "" if parts in {None, parts_of(kind)} else " on that line"
    return f"A {kind} has no {part}{line}; its parts are: {', '.join(parts_of(kind) if parts is None else parts) or 'none'}."


def bounded(value: float, least: float, most: float, unit: str, pointer: str) -> float:
    """`value`; DocumentError where it is not between the two."""
    if not least <= value <= most:
        raise DocumentError(f"Send a value between {least:.4g} and {most:.4g} {unit}.", pointer)
    return value
