"""What is counted of one tester's tests in one year; small whatever their number, so that millions are counted in flat memory.

A *sort* is what may be compared with one another: tests of one kind, read in one unit with one resolution, with as many numbers.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable
from itertools import accumulate

from rules.quantities import fast_factor
from rules.screening.document import Number, ScreenedTest, named

DIGITS = 10
Sort = tuple[str, ...]


class Tally:
    """The counts of one tester in one year; `add` takes the tests in the order of their making."""

    __slots__ = (
        "_day",
        "_of_day",
        "compared",
        "digits",
        "echoed",
        "failed",
        "in_pairs",
        "last",
        "pairs",
        "repeated",
        "repeating",
        "same_day",
        "tested",
        "with_other",
    )

    def __init__(self) -> None:
        self.tested: Counter[Sort] = Counter()
        self.failed: Counter[Sort] = Counter()
        self.compared: Counter[Sort] = Counter()
        self.repeated: Counter[Sort] = Counter()
        self.pairs: Counter[Sort] = Counter()
        self.in_pairs: Counter[Sort] = Counter()
        """Pairs of tests of one sort on one day on two assemblies, and those of them that agree in every digit."""
        self.with_other: Counter[Sort] = Counter()
        self.echoed: Counter[Sort] = Counter()
        """Tests before which others of their sort were made on the day, and those of them that agree with one in every digit."""
        self.digits: dict[Sort, list[int]] = {}
        self.repeating: list[str] = []
        self.same_day: list[str] = []
        self.last: ScreenedTest | None = None
        self._day: object = None
        self._of_day: dict[Sort, list[tuple[str, tuple[Number, ...]]]] = {}

    def add(self, test: ScreenedTest) -> None:
        """Count one test."""
        self.last = test
        sort = (test.kind, test.unit, f"{test.resolution or 0:g}", str(len(test.numbers)))
        self.tested[test.kind,] += 1
        self.failed[test.kind,] += test.failed
        # One number alone repeats too easily to say anything.
        if len(test.numbers) > 1:
            if test.repeats_last is not None:
                self.compared[sort] += 1
                if test.repeats_last:
                    self.repeated[sort] += 1
                    self.repeating = named([*self.repeating, test.report_id])
            self._among_the_day(sort, test)
        if test.resolution:
            self._digits(test, test.resolution)

    def _among_the_day(self, sort: Sort, test: ScreenedTest) -> None:
        if test.performed_at.date() != self._day:
            self._day, self._of_day = test.performed_at.date(), {}
        before = [numbers for assembly, numbers in self._of_day.setdefault(sort, []) if assembly != test.assembly_id]
        alike = sum(numbers == test.numbers for numbers in before)
        self.pairs[sort] += len(before)
        self.in_pairs[sort] += alike
        self.with_other[sort] += bool(before)
        if alike:
            self.echoed[sort] += 1
            self.same_day = named([*self.same_day, test.report_id])
        self._of_day[sort].append((test.assembly_id, test.numbers))

    def _digits(self, test: ScreenedTest, resolution: float) -> None:
        for number in test.numbers:
            steps = number.value / resolution
            whole = round(steps)
            # What lies between two steps was not read off this gauge's scale; its last digit is another thing.
            if abs(steps - whole) < 1e-6 * max(1.0, steps):
                counts = self.digits.setdefault((test.kind, number.part, test.unit, f"{resolution:g}"), [0] * DIGITS)
                counts[whole % DIGITS] += 1


class Middles:
    """The middle of what all gauges read on one kind and component in one year, from counts of readings to the hundredth of a psi."""

    def __init__(self) -> None:
        self._counts: dict[Sort, Counter[float]] = {}
        self._middles: dict[Sort, float] = {}

    def add(self, test: ScreenedTest) -> None:
        """Count the readings of one test."""
        for sort, value in readings_of(test):
            self._counts.setdefault(sort, Counter())[round(value, 2)] += 1

    def of(self, sort: Sort) -> float:
        """The median; KeyError for a sort of which nothing was counted."""
        if sort not in self._middles:
            counts = self._counts[sort]
            values = sorted(counts)
            sums = list(accumulate(counts[value] for value in values))
            self._middles[sort] = values[bisect_left(sums, counts.total() / 2)]
        return self._middles[sort]


def readings_of(test: ScreenedTest) -> Iterable[tuple[Sort, float]]:
    """The readings of a test in psi, each with its sort."""
    factor = fast_factor(test.unit, "psi")
    for number in test.numbers:
        yield (str(test.performed_at.year), test.kind, number.part), number.value * factor
