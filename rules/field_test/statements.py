"""What was published of assemblies with some parts failed (`data/protection.toml`)."""

from functools import cache

from msgspec import Struct

from rules.catalogue import Component
from rules.files import read
from rules.operation import Mechanism
from rules.rulebook import MechanicalProtection
from rules.sources import Cited


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
