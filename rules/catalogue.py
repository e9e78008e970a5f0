"""The kinds of assembly and device, their parts in flow order, and what they protect against.

The table is `data/catalogue.toml`; this module only gives it its shape. A *barrier* is a part that alone can stop backflow.
"""

from typing import Literal

from msgspec import Struct, UnsetType

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
    "rpda_ii",
    "dcda_ii",
]
TestableKind = Literal["rp", "rpda", "dc", "dcda", "pvb", "svb", "rpda_ii", "dcda_ii"]
InspectedKind = Literal["air_gap", "avb", "barometric_loop"]
"""The kinds that are inspected rather than field-tested; a test holds that the catalogue marks the same."""
RegisteredKind = Literal[TestableKind, InspectedKind]
Component = Literal["check_1", "relief_valve", "check_2", "check", "air_inlet"]
Hazard = Literal["severe", "health", "non_health"]
Line = Literal["main", "bypass"]
StatedMethod = Literal["one_hose", "two_hoses", "sight_tube", "duplex_gauge", "not_stated"]
"""The methods of reading differentials, and that none is stated."""
Purpose = Literal["premises_isolation", "point_of_use"]


class AssemblyKind(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One kind as the catalogue describes it; `components` and `barriers` are in flow order."""

    kind: Kind
    """The code of the kind."""
    name: str
    """Its name in the trade."""
    barriers: tuple[str, ...]
    """Its barriers, in flow order."""
    guards_against: tuple[Literal["backsiphonage", "backpressure"], ...]
    """The mechanisms of backflow that it protects against."""
    hazards: tuple[Literal["health", "non_health"], ...]
    """The degrees of hazard that it is made for."""
    continuous_pressure: bool
    """Whether it may be under pressure for more than 12 hours in 24."""
    field_testable: bool
    """Whether it is field-tested."""
    standards: tuple[str, ...]
    """Product standards it is made to."""
    source: Source
    """Where this is from."""
    inspected: bool = False
    """Whether it is inspected rather than field-tested: what it does can be seen and measured."""
    components: tuple[Component, ...] = ()
    """The parts that are field-tested, in flow order."""
    bypass_components: tuple[Component, ...] = ()
    """Those of the bypass line, where it is not a full line of its own (Type II)."""
    lines: tuple[Line, ...] = ("main",)
    """Its lines; a detector assembly has a bypass."""
    level_matters_by: tuple[StatedMethod, ...] = ()
    """The methods in which one end is open to the atmosphere, so that the gauge has to be level; two filled hoses cancel the head."""
    tested_as: TestableKind | None = None
    """The kind whose field test it has."""
    severe_with: str = ""
    """What it needs in addition for a severe hazard; empty: it is not approved for one."""
    note: str = ""
    """A note."""

    def components_on(self, line: Line) -> tuple[Component, ...]:
        """The parts tested on that line, in flow order."""
        return self.bypass_components if line == "bypass" and self.bypass_components else self.components


class Catalogue(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All kinds, in the order of the catalogue."""

    kinds: tuple[AssemblyKind, ...]

    def is_inspected(self, kind: str | UnsetType) -> bool:
        """Whether that kind is inspected rather than field-tested."""
        return any(entry.inspected for entry in self.kinds if entry.kind == kind)

    def __getitem__(self, kind: str) -> AssemblyKind:
        """The kind of that code; KeyError where there is none."""
        for entry in self.kinds:
            if entry.kind == kind:
                return entry
        raise KeyError(kind)
