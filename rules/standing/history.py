"""Which of an assembly's reports count, and what they decide: the last valid pass, and the failure after it.

A failure seen in any phase counts, whoever saw it: accepted, held or refused. It counts until a valid test passes later, an accepted
report supersedes it, or its report is voided. A void report is no test of the assembly; the report that it corrected stays corrected, as
by a refused one. A pass counts only in an accepted report that nothing supersedes. Tests are ordered by when they were performed, or
received where that came first, so that a test dated ahead outranks nothing that is still to come.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Final, Literal, get_args

from msgspec import UNSET, Struct, UnsetType

from rules.field_test.answer import Acceptance, Basis, Outcome
from rules.rulebook import ActsAs, MechanicalProtection

# Both from best to worst.
_LEFT: Final[tuple[MechanicalProtection, ...]] = get_args(MechanicalProtection)
_ACTS_AS: Final[tuple[ActsAs, ...]] = get_args(ActsAs)

CountsAs = Literal[Acceptance, "void"]
"""How a report counts: by its verdict, or by what a person decided since."""


class TestEvent(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A report as far as standing goes.

    `performed_on` is the day of the test where the utility is, or of its receipt where that is earlier.

    `acceptance` is what a person decided, where a person did; `supersedes` the report that this one corrects. `outcome` and
    `protection` are those of the last phase; `initial_outcome` is that of the initial test, left out where it is the outcome.
    `failed_protection` is what the phase left that failed last, left out where it is the last phase; `acts_as` says which deadline that
    failure has, left out where what was left says it. `basis` is left out where the readings were judged. Protection is the mechanical
    value: what the parts do, whatever the hazard. `notified_on` is the day on which the customer was sent the notice of its failure, left
    out where none is on record.
    """

    __test__ = False
    report_id: str
    performed_on: dt.date
    performed_at: dt.datetime
    received_at: dt.datetime
    reason: str
    outcome: Outcome
    protection: MechanicalProtection
    acceptance: CountsAs
    supersedes: str | UnsetType = UNSET
    initial_outcome: Outcome | UnsetType = UNSET
    failed_protection: MechanicalProtection | UnsetType = UNSET
    acts_as: ActsAs | UnsetType = UNSET
    basis: Basis | UnsetType = UNSET
    notified_on: dt.date | UnsetType = UNSET

    @property
    def moment(self) -> dt.datetime:
        """The moment by which tests are ordered: performed, or received where that came first."""
        return min(self.performed_at, self.received_at)

    @property
    def failure_seen(self) -> bool:
        """Whether any phase failed."""
        return "fail" in (self.outcome, self.initial_outcome)

    @property
    def left_by_failure(self) -> MechanicalProtection:
        """What the phase left that failed last."""
        return self.protection if self.failed_protection is UNSET else self.failed_protection

    @property
    def failure_acts_as(self) -> ActsAs:
        """Which deadline its failure has; what is unknown after a failure acts as lost."""
        if self.acts_as is not UNSET:
            return self.acts_as
        return "lost" if self.left_by_failure == "unknown" else self.left_by_failure

    @property
    def severity(self) -> tuple[int, int]:
        """How bad its failure is: by what it left, then by its deadline."""
        return _LEFT.index(self.left_by_failure), _ACTS_AS.index(self.failure_acts_as)


class Decided(Struct, frozen=True, kw_only=True):
    """The last passing test that counts, the failing one after it that decides, and the days of failures up to the passing one.

    With the failing one comes the first day of its run.

    `accepted` is the last of the tests that count whose report is accepted: only such a test answers what requires one.
    """

    passed: TestEvent | None
    failed: TestEvent | None
    failing_since: dt.date | None
    failures: tuple[dt.date, ...]
    accepted: TestEvent | None


Corrections = Mapping[str, TestEvent]
"""Reports that supersede others, by the id of what they supersede."""


def decide(history: Sequence[TestEvent]) -> Decided:
    """What the tests that count decide, in their order.

    Of a run of failures the last one decides; but a report that was not accepted only makes a standing worse, so a milder or equal one
    takes nothing from a failure that is on record.
    """
    passed: TestEvent | None = None
    failed: TestEvent | None = None
    accepted: TestEvent | None = None
    failing_since: dt.date | None = None
    failures: list[dt.date] = []
    before: tuple[dt.date, ...] = ()
    corrections = corrections_of(history)

    def order(test: TestEvent) -> tuple[dt.datetime, int, dt.datetime, str]:
        """Of one moment (a day, where no times are known) a failure comes last, unless the pass is reported as the repair's."""
        after_repair = passes(test, corrections) and test.reason == "repair"
        return test.moment, 2 if after_repair else int(fails(test, corrections)), test.received_at, test.report_id

    for test in sorted(history, key=order):
        valid = passes(test, corrections)
        if not valid and not fails(test, corrections):
            continue
        if test.acceptance == "accepted":
            accepted = test
        if test.failure_seen:
            failures.append(test.performed_on)
        if valid:
            passed, failed, failing_since, before = test, None, None, tuple(failures)
            continue
        failing_since = failing_since if failed is not None else test.performed_on
        if failed is None or test.acceptance == "accepted" or test.severity > failed.severity:
            failed = test
    return Decided(passed=passed, failed=failed, failing_since=failing_since, failures=before, accepted=accepted)


def corrections_of(history: Sequence[TestEvent]) -> Corrections:
    """The reports among them that supersede others."""
    return {test.supersedes: test for test in history if test.supersedes is not UNSET}


def passes(test: TestEvent, corrections: Corrections) -> bool:
    """Whether it is a valid passing test: accepted, and nothing supersedes it."""
    return test.outcome == "pass" and test.acceptance == "accepted" and test.report_id not in corrections


def fails(test: TestEvent, corrections: Corrections) -> bool:
    """Whether a failure was seen that counts: no valid final test cleared it, no accepted report supersedes it, and it is not void."""
    return test.acceptance != "void" and test.failure_seen and not passes(test, corrections) and not corrected(test, corrections)


def corrected(test: TestEvent, corrections: Corrections) -> bool:
    """Whether an accepted report supersedes it, or supersedes what does."""
    correction = corrections.get(test.report_id)
    while correction is not None and correction.acceptance != "accepted":
        correction = corrections.get(correction.report_id)
    return correction is not None


def rested_on(history: Sequence[TestEvent]) -> list[TestEvent]:
    """Of these tests, those that a standing rests on, now and after any test that is added: so that the others need not be read again.

    They are the last valid passing test and what came at its moment or later, every failure that no accepted report supersedes, and every
    correction that is not accepted, as a person may still decide on it. Of void reports only corrections are kept.
    """
    corrections = corrections_of(history)
    passed = max((test.moment for test in history if passes(test, corrections)), default=None)
    return [
        test
        for test in history
        if not corrected(test, corrections)
        and (
            (test.supersedes is not UNSET and test.acceptance != "accepted")
            or (test.acceptance != "void" and test.failure_seen)
            or (
                test.acceptance not in ("refused", "void")
                and test.report_id not in corrections
                and (passed is None or test.moment >= passed)
            )
        )
    ]
