"""Local rulebooks as they are answered: a version, and what one would change."""

import datetime as dt
from uuid import UUID

from msgspec import Struct

from rules import Acceptance, LocalRulebook, Outcome, StandingStatus
from rules.rulebook import Protection

LISTED = 100
"""A preview lists so many assemblies and reports of each list; it counts all of them."""


class LocalRulebookVersion(Struct, frozen=True, kw_only=True):
    """A version of a local rulebook as it was stated; it is never changed."""

    version: int
    """The number of the version, from 1."""
    recorded_at: dt.datetime
    """When it was stated; reports received from then on are judged by it."""
    rulebook: LocalRulebook
    """What it states."""


class MovedDueDay(Struct, frozen=True, kw_only=True):
    """An assembly whose standing a local rulebook would change."""

    assembly_id: UUID
    due_on: dt.date | None
    """The day its next test is due now."""
    due_on_then: dt.date | None
    """The day its next test would be due."""
    status: StandingStatus
    """Its status today."""
    status_then: StandingStatus
    """Its status today under the local rulebook."""


class TestJudgedOtherwise(Struct, frozen=True, kw_only=True):
    """A recorded test that a local rulebook would judge otherwise. Its verdict stays as it was given."""

    __test__ = False
    report_id: UUID
    assembly_id: UUID
    outcome: Outcome
    """Whether it met the criteria in force now."""
    outcome_then: Outcome
    """Whether it would meet the criteria of the local rulebook."""
    acceptance: Acceptance
    """Whether its report is accepted by the rulebook in force now."""
    acceptance_then: Acceptance
    """Whether its report would be accepted by the local rulebook."""
    protection: Protection
    """What the assembly would do, by the rulebook in force now."""
    protection_then: Protection
    """What the assembly would do, by the local rulebook."""


class LocalRulebookPreview(Struct, frozen=True, kw_only=True):
    """What a local rulebook would change if it were put in force now. Nothing is written."""

    version: int
    """The number under which it would be put."""
    on: dt.date
    """Today, where the utility is: the day of all figures here."""
    assemblies: int
    """How many assemblies were looked at."""
    due_days_moved: int
    """How many assemblies' due days would move."""
    due_earlier: int
    """How many of those would be due earlier, or at all."""
    due_later: int
    """How many of those would be due later, or no longer."""
    becoming_overdue: int
    """How many assemblies would become overdue today."""
    no_longer_overdue: int
    """How many assemblies would be overdue no longer."""
    moved: list[MovedDueDay]
    """The first assemblies whose due day or status would change, those that become overdue first."""
    tests_since: dt.date
    """The first day of the tests that were judged again: one longest interval ago."""
    tests: int
    """How many tests of that time were judged again."""
    tests_judged_otherwise: int
    """How many of those would be judged otherwise."""
    judged_otherwise: list[TestJudgedOtherwise]
    """The first of those tests, in the order in which they were recorded."""
