"""What was published of assemblies with some parts failed (`data/protection.toml`; texts: `data/texts/field_test.toml`)."""

from functools import cache

from msgspec import Struct

from rules.catalogue import Component
from rules.files import read
from rules.operation import Mechanism
from rules.rulebook import MechanicalProtection
from rules.sources import Cited
from rules.texts import say


class Statement(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was published of kinds with exactly these parts `failed`, or with any of these parts `weak`."""

    code: str
    kinds: tuple[str, ...]
    failed: tuple[Component, ...] = ()
    weak: tuple[Component, ...] = ()
    against: tuple[Mechanism, ...]
    protection: MechanicalProtection

    @property
    def says(self) -> str:
        """The statement in a sentence."""
        return say("field_test", "protection", self.code, {})


class Protections(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`data/protection.toml`; `basis` is the source of what is computed."""

    basis: Cited
    statements: tuple[Statement, ...]


@cache
def protections() -> Protections:
    """The published statements, read once."""
    return read("protection.toml", Protections)
