"""Leaking shutoffs → what each part's reading no longer proves (`data/shutoffs.toml`).

A leak cancels only what it could have caused itself. What a leak cancels is a *claim* of a reading: that a check holds, or leaks, that a
relief valve or an air inlet did not open, or not fully. Everything else that was read counts.
"""

from collections.abc import Iterable
from typing import Literal

from msgspec import UNSET, Struct

from rules.catalogue import Component, StatedMethod
from rules.field_test.document import Phase
from rules.files import read
from rules.sources import Cited
from rules.texts import texts

Claim = Literal["holds", "leaks", "not_opened", "not_fully"]


class Spoil(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one leaking shutoff cancels; the head of the data file says what each member means."""

    code: str
    kinds: tuple[str, ...]
    shutoff: Literal["inlet", "outlet"]
    components: tuple[Component, ...]
    cancels: tuple[Claim, ...]
    methods: tuple[StatedMethod, ...] = ()
    only_below_minimum: Component | None = None
    unless_no_backpressure: bool = False

    @property
    def because(self) -> str:
        """What the leak spoils, as the end of a sentence."""
        return texts("field_test").templates["leaks"][self.code]

    @property
    def repair(self) -> str:
        """What to do about it."""
        return texts("field_test").templates["leak_repairs"][self.code]


class Spoils(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The data file as a whole."""

    spoils: tuple[Spoil, ...]


def spoils_of(kind: str) -> tuple[Spoil, ...]:
    """The rows for that kind of assembly, in the order of the file."""
    return tuple(spoil for spoil in read("shutoffs.toml", Spoils).spoils if kind in spoil.kinds)


def spoils_in(spoils: Iterable[Spoil], phase: Phase) -> tuple[Spoil, ...]:
    """The rows that hold in a phase: its shutoff leaks, its method is the row's, and no stated lack of backpressure lifts it.

    A shutoff that leaks where the tester proved that there was no flow spoils nothing.
    """
    method = "not_stated" if phase.method is UNSET else phase.method
    return tuple(
        spoil
        for spoil in spoils
        if (phase.shutoffs.inlet if spoil.shutoff == "inlet" else phase.shutoffs.outlet) == "leaking"
        and (not spoil.methods or method in spoil.methods)
        and not (spoil.unless_no_backpressure and phase.backpressure_present is False)
    )


def cancelled_by(spoils: Iterable[Spoil], component: Component) -> dict[Claim, Spoil]:
    """Each claim of a component that a leak cancels, with the first row that does."""
    cancelled: dict[Claim, Spoil] = {}
    for spoil in spoils:
        if component in spoil.components:
            for claim in spoil.cancels:
                cancelled.setdefault(claim, spoil)
    return cancelled
