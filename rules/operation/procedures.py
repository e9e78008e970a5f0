"""The field procedures as data (`data/procedures.toml`): steps in their published order, cautions, and what can be observed.

A step's text never depends on the assembly's condition; what is seen at it does.
"""

from functools import cache
from typing import Literal

from msgspec import Struct

from rules.catalogue import Component, TestableKind
from rules.field_test.document import Method
from rules.files import read
from rules.sources import Source

Family = Literal["rp", "dc", "pvb", "svb", "bypass_check"]


class StepText(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One step: what the tester does and why, the part that it reads, and the members of the report that it fills in."""

    instruction: str
    because: str
    source: str
    component: Component | None = None
    records: tuple[str, ...] = ()
    optional: bool = False


class Procedure(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The steps of one method, in order, by their codes. The first method of a family is the usual one."""

    family: Family
    method: Method
    steps: tuple[str, ...]


class CautionText(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A caution for some kinds, or for all."""

    code: str
    says: str
    source: str
    kinds: tuple[TestableKind, ...] = ()


class Procedures(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`data/procedures.toml`."""

    sources: dict[str, Source]
    cautions: tuple[CautionText, ...]
    procedures: tuple[Procedure, ...]
    steps: dict[str, StepText]
    observations: dict[str, str]
    meanings: dict[str, str]


@cache
def procedures() -> Procedures:
    """The procedures, read once."""
    return read("procedures.toml", Procedures)


class Caution(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What to observe before the first step, and where that is from."""

    code: str
    """The caution, by a name that does not change with its words."""
    says: str
    """The caution."""
    source: Source
    """Where it is from."""


def cautions_for(kind: TestableKind) -> tuple[Caution, ...]:
    """The cautions that come before a test of that kind."""
    texts = procedures()
    return tuple(
        Caution(code=text.code, says=text.says, source=texts.sources[text.source])
        for text in texts.cautions
        if not text.kinds or kind in text.kinds
    )


def methods_of(family: Family) -> tuple[Method, ...]:
    """The methods that the family can be tested by, the usual one first."""
    return tuple(procedure.method for procedure in procedures().procedures if procedure.family == family)


def procedure_of(family: Family, method: Method) -> Procedure:
    """The procedure of that family and method; StopIteration where there is none."""
    return next(procedure for procedure in procedures().procedures if (procedure.family, procedure.method) == (family, method))
