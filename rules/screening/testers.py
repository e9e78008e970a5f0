"""One tester against the others of the same utility and year: repeated numbers, last digits, tests that seldom fail.

Each comparison takes what the *other* testers did (the tester's own tests left out), sort by sort, as honest work here; a
sort of which the others have too few tests is left out. A count is compared by the binomial distribution with the mean of the sorts'
chances, which is never the smaller tail where the chances differ (Hoeffding 1956, theorem 4; from memory). Honest testers differ too, by
their
gauges, districts and makes: what is judged is how far a count lies beyond `honest_spread` times what the others let one expect. The
chances of all testers compared are adjusted together (Benjamini and Hochberg).

Last digits: honest readings in psi lie so close together that their last digits are not uniform, so they are not compared with uniform
digits but with the others' digits of the same sort. A gauge may read a little high or low and springs differ by districts, which shifts
all digits alike; so the others' digits are shifted around the circle, by half digits, and the shift most favourable to the tester counts.
Digits that are rounded to 0 and 5, or invented, stand out under every shift.
"""

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from msgspec import Struct

from rules.chance import adjusted, binomial_at_least, binomial_at_most, chi_square_tail
from rules.screening.document import ScreeningEvidence, SecondLook
from rules.screening.settings import Screen, setting
from rules.screening.tally import DIGITS, Sort, Tally
from rules.screening.texts import sentence

_SHIFTS: Final = tuple(half / 2 for half in range(2 * DIGITS))


class _Compared(Struct, frozen=True, kw_only=True):
    """One tester compared, with the chance that honest work looks so at least."""

    tester_id: str
    chance: float
    message: str
    report_ids: list[str]
    figures: dict[str, float]


def looks_at_testers(year: int, tallies: Mapping[str, Tally]) -> Iterator[SecondLook]:
    """What deserves a second look among the testers of one year, by their tallies."""
    comparisons: tuple[tuple[Screen, Callable[[Mapping[str, Tally]], Iterator[_Compared]]], ...] = (
        ("repeats_last_test", _repeats_last),
        ("repeats_same_day", _repeats_same_day),
        ("last_digits", _last_digits),
        ("seldom_fails", _seldom_fails),
    )
    for screen, compare in comparisons:
        found = list(compare(tallies))
        for result, chance in zip(found, adjusted([result.chance for result in found]), strict=True):
            tally = tallies[result.tester_id]
            if chance > setting("false_discovery") or tally.last is None:
                continue
            yield SecondLook(
                screen=screen,
                subject="tester",
                subject_id=result.tester_id,
                occasion=str(year),
                on=tally.last.performed_at.date(),
                message=result.message,
                evidence=ScreeningEvidence(
                    report_ids=result.report_ids,
                    figures=result.figures,
                    chance=result.chance,
                    adjusted_chance=chance,
                    comparisons=len(found),
                ),
            )


def _expected(own: Counter[Sort], others_hits: Counter[Sort], others: Counter[Sort], *, seen: int) -> tuple[int, float]:
    """Of how many of the tester's own, and how many the others' chances let one expect.

    `seen` is added to each sort's hits, for caution.
    """
    trials, expected = 0, 0.0
    for sort, count in own.items():
        if others[sort] >= setting("least_of_others"):
            trials += count
            expected += count * min(1.0, (others_hits[sort] + seen) / (others[sort] + seen))
    return trials, expected


def _total(counters: Iterator[Counter[Sort]]) -> Counter[Sort]:
    total: Counter[Sort] = Counter()
    for counter in counters:
        total.update(counter)
    return total


def _less(total: Counter[Sort], own: Counter[Sort]) -> Counter[Sort]:
    return Counter({sort: total[sort] - own[sort] for sort in own})


def _in_sorts(hits: Counter[Sort], others: Counter[Sort]) -> int:
    """The tester's own hits in the sorts that are compared."""
    return sum(count for sort, count in hits.items() if others[sort] >= setting("least_of_others"))


def _repeats_last(tallies: Mapping[str, Tally]) -> Iterator[_Compared]:
    compared = _total(tally.compared for tally in tallies.values())
    repeated = _total(tally.repeated for tally in tallies.values())
    for tester_id, tally in tallies.items():
        others = _less(compared, tally.compared)
        trials, expected = _expected(tally.compared, _less(repeated, tally.repeated), others, seen=1)
        hits = _in_sorts(tally.repeated, others)
        if trials < setting("least_tests"):
            continue
        yield _Compared(
            tester_id=tester_id,
            chance=binomial_at_least(hits, trials, min(1.0, setting("honest_spread") * expected / trials)),
            message=sentence("repeats_last_test", "counted", repeated=hits, tests=trials, expected=expected),
            report_ids=tally.repeating,
            figures={"tests": trials, "repeated": hits, "expected": round(expected, 3)},
        )


def _repeats_same_day(tallies: Mapping[str, Tally]) -> Iterator[_Compared]:
    pairs = _total(tally.pairs for tally in tallies.values())
    alike = _total(tally.in_pairs for tally in tallies.values())
    for tester_id, tally in tallies.items():
        others = _less(pairs, tally.pairs)
        _, expected = _expected(tally.pairs, _less(alike, tally.in_pairs), others, seen=1)
        hits = _in_sorts(tally.echoed, others)
        trials = _in_sorts(tally.with_other, others)
        if trials < setting("least_tests"):
            continue
        # Each test may agree with any made before it on the day: its chance is at most the sum over those pairs.
        yield _Compared(
            tester_id=tester_id,
            chance=binomial_at_least(hits, trials, min(1.0, setting("honest_spread") * expected / trials)),
            message=sentence("repeats_same_day", "counted", alike=hits, tests=trials, expected=expected),
            report_ids=tally.same_day,
            figures={"tests": trials, "alike": hits, "expected": round(expected, 3)},
        )


def _seldom_fails(tallies: Mapping[str, Tally]) -> Iterator[_Compared]:
    tested = _total(tally.tested for tally in tallies.values())
    failed = _total(tally.failed for tally in tallies.values())
    for tester_id, tally in tallies.items():
        others = _less(tested, tally.tested)
        trials, expected = _expected(tally.tested, _less(failed, tally.failed), others, seen=0)
        fails = _in_sorts(tally.failed, others)
        if trials < setting("least_tests"):
            continue
        yield _Compared(
            tester_id=tester_id,
            chance=binomial_at_most(fails, trials, expected / trials / setting("honest_spread")),
            message=sentence("seldom_fails", "counted", failed=fails, tests=trials, expected=expected),
            report_ids=[],
            figures={"tests": trials, "failed": fails, "expected": round(expected, 3)},
        )


def _last_digits(tallies: Mapping[str, Tally]) -> Iterator[_Compared]:
    totals: dict[Sort, list[int]] = {}
    for tally in tallies.values():
        for sort, counts in tally.digits.items():
            totals[sort] = [a + b for a, b in zip(totals.get(sort, [0] * DIGITS), counts, strict=True)]
    for tester_id, tally in tallies.items():
        seen, sorts, widest = [0] * DIGITS, [], 0.0
        for sort, counts in tally.digits.items():
            others = [total - own for total, own in zip(totals[sort], counts, strict=True)]
            if sum(others) < 5 * setting("least_readings"):
                continue
            seen = [a + b for a, b in zip(seen, counts, strict=True)]
            sorts.append((sum(counts), others))
            widest = max(widest, sum(counts) / sum(others))
        if sum(seen) < setting("least_readings"):
            continue
        chance = max(_fit(seen, sorts, shift, widest) for shift in _SHIFTS)
        commonest = max(range(DIGITS), key=lambda digit: seen[digit])
        yield _Compared(
            tester_id=tester_id,
            chance=chance,
            message=sentence("last_digits", "counted", readings=sum(seen), digit=commonest),
            report_ids=[],
            figures={f"digit_{digit}": count for digit, count in enumerate(seen)},
        )


def _fit(seen: list[int], sorts: list[tuple[int, list[int]]], shift: float, widest: float) -> float:
    """The chance of digits so far from the others' ones under that shift; the others' are counts too, which widens the scatter."""
    low = math.floor(shift)
    part = shift - low
    expected = [0.0] * DIGITS
    for own, others in sorts:
        total = sum(others)
        for digit in range(DIGITS):
            share = (1 - part) * others[(digit - low) % DIGITS] + part * others[(digit - low - 1) % DIGITS]
            expected[digit] += own * share / total
    least = setting("least_expected")
    few_seen = sum(count for count, mean in zip(seen, expected, strict=True) if mean < least)
    few_expected = sum(mean for mean in expected if mean < least)
    cells = [(count, mean) for count, mean in zip(seen, expected, strict=True) if mean >= least]
    if few_seen or few_expected > 0:
        cells.append((few_seen, max(few_expected, 1.0)))
    distance = sum((count - mean) ** 2 / mean for count, mean in cells) / (1 + widest)
    return chi_square_tail(distance, max(1, len(cells) - 1))
