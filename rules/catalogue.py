"""The kinds of assembly and device, their parts in flow order, and what they guard against.

The table is `data/catalogue.toml`; this module only gives it its shape. A *barrier* is a part that alone can stop backflow.
"""

from typing import Literal

from msgspec import Struct

from rules.sources import Source

Kind = Literal[
    "air_gap",
    "rp",
    "rpda",
    "dc",
    "dcda",
    "pvb",
    "svb",
    "avb",
    "hose_connection_vb",
    "dual_check",
    "dual_check_vented",
    "barometric_loop",
]
TestableKind = Literal["rp", "rpda", "dc", "dcda", "pvb", "svb"]
Component = Literal["check_1", "relief_valve", "check_2", "check", "air_inlet"]
Hazard = Literal["severe", "health", "non_health"]
Line = Literal["main", "bypass"]
Purpose = Literal["premises_isolation", "point_of_use"]


class AssemblyKind(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One kind as the catalogue describes it; `components` and `barriers` stand in flow order."""

    kind: Kind
    name: str
    barriers: tuple[str, ...]
    guards_against: tuple[Literal["backsiphonage", "backpressure"], ...]
    hazards: tuple[Literal["health", "non_health"], ...]
    continuous_pressure: bool
    field_testable: bool
    standards: tuple[str, ...]
    source: Source
    components: tuple[Component, ...] = ()
    lines: tuple[Line, ...] = ("main",)
    single_hose: bool = False
    tested_as: TestableKind | None = None
    severe_with: str = ""
    """What it needs beside it before a severe hazard; empty: it is not for one."""
    note: str = ""


class Catalogue(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All kinds, in the order of the catalogue."""

    kinds: tuple[AssemblyKind, ...]

    def __getitem__(self, kind: str) -> AssemblyKind:
        """The kind of that code; KeyError where there is none."""
        for one in self.kinds:
            if one.kind == kind:
                return one
        raise KeyError(kind)
