"""What each screen points out and what it leaves alone, at its edges; the rates are in test_rates.py."""

import datetime as dt
from typing import Any, get_args
from zoneinfo import ZoneInfo

import pytest
from msgspec import UNSET
from msgspec.structs import replace
from scipy import stats

import rules
from rules.load import works
from rules.screening import (
    CAUTION,
    GaugeHalves,
    IdentityChange,
    Middles,
    Number,
    Screen,
    ScreenedTest,
    SecondLook,
    SharedSerial,
    Tally,
    data,
    halves_of,
    looks_at_changes,
    looks_at_gauges,
    looks_at_shared,
    looks_at_testers,
    looks_at_times,
    numbers_of,
    stated,
)
from rules.screening.gauges import rank_sum
from rules.screening.identity import _letters_apart
from rules.screening.settings import setting
from rules.screening.testers import _fit
from rules.screening.times import within_reach

ZONE = ZoneInfo("America/Los_Angeles")
NOON = dt.datetime(2026, 3, 10, 12, tzinfo=ZONE)
DC = (Number(part="main/check_1", value=2.4), Number(part="main/check_2", value=2.1))


def screened(name: str = "a", at: dt.datetime = NOON, **changes: Any) -> ScreenedTest:
    facts: dict[str, Any] = {
        "report_id": name,
        "assembly_id": f"assembly of {name}",
        "tester_id": "t",
        "gauge_id": "g",
        "performed_at": at,
        "kind": "dc",
        "unit": "psi",
        "failed": False,
        "numbers": DC,
        "resolution": 0.1,
        "accuracy": 0.2,
    }
    return ScreenedTest(**facts | changes)


def screens(found: list[SecondLook]) -> list[str]:
    return [one.screen for one in found]


def looked(*tests: ScreenedTest) -> list[str]:
    return screens(list(looks_at_times(tests)))


# Times and places.


@pytest.mark.parametrize(
    ("hour", "minute", "pointed_out"), [(4, 59, True), (5, 0, False), (21, 59, False), (22, 0, True), (0, 1, True)]
)
def test_a_test_at_night_is_looked_at_again(hour: int, minute: int, pointed_out: bool) -> None:  # noqa: FBT001 - a table's column
    assert looked(screened(at=NOON.replace(hour=hour, minute=minute))) == (["implausible_hour"] if pointed_out else [])


def test_midnight_to_the_second_is_a_day_without_a_time() -> None:
    midnight = NOON.replace(hour=0)
    assert looked(*(screened(str(n), midnight) for n in range(40))) == []
    # As many as that on a day are counted all the same, times or no times.
    assert looked(*(screened(str(n), midnight) for n in range(41))) == ["too_many_tests"]


def test_one_moment_for_all_tests_of_a_day_was_filled_in() -> None:
    """As an import of days without times gives them: nothing follows from noon, not even for the test after it."""
    filled_in = [screened(str(n), metres_from_last=90_000.0) for n in range(40)]
    after = screened("after", NOON + dt.timedelta(days=1), metres_from_last=5_000_000.0)
    assert looked(*filled_in, after) == []
    assert looked(*filled_in, screened("41st")) == ["too_many_tests"]
    # One moment among others of the day is reported, and judged.
    assert looked(screened("first", NOON - dt.timedelta(hours=2)), *filled_in) == ["too_far_to_travel"] * 39 + ["too_many_tests"]


def test_nothing_is_nothing() -> None:
    assert looked() == []


def test_more_than_twelve_tests_within_an_hour_are_looked_at_again() -> None:
    five_minutes = [screened(str(n), NOON + dt.timedelta(minutes=5 * n)) for n in range(20)]
    assert looked(*five_minutes) == []
    [found] = looks_at_times(screened(str(n), NOON + dt.timedelta(minutes=4.5 * n)) for n in range(20))
    assert (found.screen, found.evidence.figures) == ("too_many_tests", {"in_the_day": 20, "in_an_hour": 14})
    assert found.occasion == "2026-03-10"


def test_each_day_is_counted_by_itself() -> None:
    days = [screened(f"{day}{n}", NOON + dt.timedelta(days=day, minutes=4 * n)) for day in (0, 1) for n in range(14)]
    assert looked(*days) == ["too_many_tests", "too_many_tests"]


@pytest.mark.parametrize(
    ("kilometres", "minutes", "pointed_out"),
    # 130 km/h over the minutes stated and 20 more.
    [(130, 40, False), (131, 40, True), (1.9, 0, False), (60, 1, True), (45.5, 1, False), (60, 0, False), (None, 1, False)],
)
def test_two_tests_too_far_apart_are_looked_at_again(
    kilometres: float | None,
    minutes: int,
    pointed_out: bool,  # noqa: FBT001 - a table's column
) -> None:
    metres = None if kilometres is None else 1000 * kilometres
    found = looked(screened("a"), screened("b", NOON + dt.timedelta(minutes=minutes), metres_from_last=metres))
    assert found == (["too_far_to_travel"] if pointed_out else [])


def test_places_within_two_kilometres_are_not_compared_however_wrong_the_times() -> None:
    # A written time may be twenty minutes off, so the later test may be written twenty minutes before the earlier one.
    assert within_reach(dt.timedelta(minutes=-20)) == 2_000
    assert within_reach(dt.timedelta(0)) == pytest.approx(130_000 / 3)


def test_forty_tests_are_a_day_s_work_and_one_more_is_looked_at_again() -> None:
    quarters = [screened(str(n), NOON.replace(hour=6) + dt.timedelta(minutes=15 * n)) for n in range(41)]
    assert looked(*quarters[:40]) == []
    assert looked(*quarters) == ["too_many_tests"]
    assert looked(*(screened(str(n), NOON + dt.timedelta(minutes=4 * n)) for n in range(12))) == []
    assert looked(*(screened(str(n), NOON + dt.timedelta(minutes=4 * n)) for n in range(13))) == ["too_many_tests"]
    # An hour is sixty minutes, and the test that begins it again is not within it.
    assert looked(*(screened(str(n), NOON + dt.timedelta(minutes=5 * n)) for n in range(13))) == []


def test_evidence_of_travel_names_both_reports() -> None:
    [found] = looks_at_times([screened("a"), screened("b", NOON + dt.timedelta(minutes=10), metres_from_last=100_000)])
    assert found.evidence.report_ids == ["a", "b"]
    assert found.evidence.figures == {"kilometres": 100, "minutes": 10, "kilometres_per_hour": 200}
    # Figures are given as closely as times and places are known: metres, hundredths of a minute.
    [odd] = looks_at_times([screened("a"), screened("b", NOON + dt.timedelta(seconds=100), metres_from_last=100_000.4)])
    assert odd.evidence.figures == {"kilometres": 100.0, "minutes": 1.67, "kilometres_per_hour": 276.9}
    assert found.false_alarms == (stated()["too_far_to_travel"].false_alarms, "tester and year")


# Testers against one another.


def tallied(**testers: list[ScreenedTest]) -> list[SecondLook]:
    tallies = {}
    for name, tests in testers.items():
        tallies[name] = Tally()
        for one in tests:
            tallies[name].add(one)
    return list(looks_at_testers(2026, tallies))


def many(count: int, **changes: Any) -> list[ScreenedTest]:
    """Tests on a day each, no two with the same numbers."""
    return [
        screened(str(n), NOON + dt.timedelta(days=n % 290, minutes=n // 290), **{"numbers": spread(n)} | changes)
        for n in range(count)
    ]


def spread(n: int) -> tuple[Number, ...]:
    return (
        Number(part="main/check_1", value=round(1.5 + n % 17 / 10, 1)),
        Number(part="main/check_2", value=round(1.4 + n % 19 / 10, 1)),
    )


def test_a_tester_who_never_fails_anything_is_looked_at_again() -> None:
    others = [replace(one, failed=n % 10 == 0) for n, one in enumerate(many(600))]
    assert screens(tallied(a=many(150), b=others)) == ["seldom_fails"]
    [found] = tallied(a=many(150), b=others)
    assert found.evidence.chance == pytest.approx(stats.binom.cdf(0, 150, 0.1 / 1.5))
    assert found.evidence.comparisons == 2
    assert "150 assemblies failed" in found.message
    assert (found.subject_id, found.occasion) == ("a", "2026")


def test_a_tester_with_few_tests_or_few_to_compare_with_is_not_judged() -> None:
    others = [replace(one, failed=n % 3 == 0) for n, one in enumerate(many(99))]
    assert tallied(a=many(150), b=others) == []
    assert tallied(a=many(29), b=many(29, failed=True) * 10) == []


def test_thirty_tests_beside_a_hundred_of_others_are_enough_to_be_compared() -> None:
    copied = many(30, repeats_last=True)
    assert screens(tallied(a=copied, b=many(100, repeats_last=False))) == ["repeats_last_test"]
    assert tallied(a=copied[:29], b=many(100, repeats_last=False)) == []
    assert tallied(a=copied, b=many(99, repeats_last=False)) == []
    # The same of numbers used again on a day: each day's first test has none before it.
    busy = [screened(str(n), NOON + dt.timedelta(days=n // 2, minutes=30 * (n % 2)), numbers=spread(n)) for n in range(200)]
    again = [replace(one, numbers=busy[n - n % 2].numbers) for n, one in enumerate(busy[:60])]
    assert screens(tallied(a=again, b=busy)) == ["repeats_same_day"]
    assert tallied(a=again[:58], b=busy) == []
    assert tallied(a=again, b=busy[:198]) == []


def test_a_hundred_readings_beside_five_hundred_are_enough_to_compare_last_digits() -> None:
    five = (Number(part="main/check_1", value=2.5), Number(part="main/check_2", value=2.0))
    assert "last_digits" in screens(tallied(a=many(50, numbers=five), b=many(500)))
    assert "last_digits" not in screens(tallied(a=many(50, numbers=five), b=many(499)))


def test_how_well_digits_fit_is_pearson_s_chi_square_with_rare_digits_taken_together() -> None:
    """Cells of which 5 or more are expected stand alone; the others' digits being counts too widens the scatter by 1 + own / others."""
    others = [50, 49, 49, 102, 150, 120, 120, 120, 120, 120]  # of 1000
    seen = [9, 3, 1, 19, 10, 14, 9, 13, 12, 10]  # of 100
    cells, means = [9, *seen[3:], 3 + 1], [5.0, *(one / 10 for one in others[3:]), 4.9 + 4.9]
    theirs = stats.chi2.sf(sum((o - e) ** 2 / e for o, e in zip(cells, means, strict=True)) / 1.1, len(cells) - 1)
    assert _fit(seen, [(100, others)], 0.0, 0.1) == pytest.approx(theirs, rel=1e-9)
    # A shift by whole digits is a turn of the wheel; by half a digit, the mean of two turns.
    turned = others[-3:] + others[:-3]
    assert _fit(seen, [(100, others)], 3.0, 0.1) == pytest.approx(_fit(seen, [(100, turned)], 0.0, 0.1))
    halfway = [(a + b) / 2 for a, b in zip(others, others[-1:] + others[:-1], strict=True)]
    assert _fit(seen, [(100, others)], 0.5, 0.1) == pytest.approx(_fit(seen, [(100, halfway)], 0.0, 0.1))  # type: ignore[list-item]


def test_a_tester_with_a_kind_that_nobody_else_tests_is_not_judged_by_it() -> None:
    others = [replace(one, failed=n % 3 == 0, kind="rp") for n, one in enumerate(many(600))]
    assert tallied(a=many(150), b=others) == []


def test_numbers_copied_from_the_last_test_are_looked_at_again() -> None:
    copied = [replace(one, repeats_last=n % 4 == 0) for n, one in enumerate(many(150, repeats_last=False))]
    [found] = tallied(a=copied, b=many(300, repeats_last=False))
    assert found.screen == "repeats_last_test"
    assert found.evidence.figures["repeated"] == 38
    assert len(found.evidence.report_ids) == 38


def test_one_number_alone_repeats_too_easily_to_count() -> None:
    one = {"numbers": DC[:1], "repeats_last": True}
    assert tallied(a=many(150, **one), b=many(300, **one | {"repeats_last": False})) == []


def test_numbers_used_again_on_one_day_are_looked_at_again_and_evidence_names_fifty_at_most() -> None:
    busy = [screened(str(n), NOON + dt.timedelta(days=n // 10, minutes=30 * (n % 10)), numbers=spread(n)) for n in range(600)]
    crooked = [replace(one, numbers=busy[n - n % 2].numbers) for n, one in enumerate(busy[:200])]
    [found] = tallied(a=crooked, b=busy)
    assert (found.screen, found.evidence.figures["alike"]) == ("repeats_same_day", 100)
    assert found.evidence.report_ids == [str(n) for n in range(101, 200, 2)]
    # The same assembly tested twice on a day is no other assembly.
    assert tallied(a=[replace(one, assembly_id=str(n - n % 2)) for n, one in enumerate(crooked)], b=busy) == []


def test_readings_rounded_by_hand_are_looked_at_again() -> None:
    rounded = [replace(one, numbers=tuple(replace(n, value=round(2 * n.value) / 2) for n in one.numbers)) for one in many(150)]
    found = tallied(a=rounded, b=many(600))
    assert "last_digits" in screens(found)


def test_digits_that_only_lie_a_little_higher_are_left_alone() -> None:
    higher = [replace(one, numbers=tuple(replace(n, value=round(n.value + 0.3, 1)) for n in one.numbers)) for one in many(150)]
    assert tallied(a=higher, b=many(600)) == []


@pytest.mark.parametrize(("own", "others"), [(49, 600), (150, 200)])
def test_few_digits_are_not_judged(own: int, others: int) -> None:
    five = (Number(part="main/check_1", value=2.5), Number(part="main/check_2", value=2.0))
    assert "last_digits" not in screens(tallied(a=many(own, numbers=five), b=many(others)))


def test_digits_that_a_gauge_of_that_resolution_cannot_show_are_not_counted() -> None:
    between = Tally()
    between.add(screened(numbers=(Number(part="main/check_1", value=2.47), Number(part="main/check_2", value=2.1))))
    assert between.digits == {("dc", "main/check_2", "psi", "0.1"): [0, 1, 0, 0, 0, 0, 0, 0, 0, 0]}
    unknown = Tally()
    unknown.add(screened(resolution=None))
    assert unknown.digits == {}


def test_rare_digits_are_counted_together() -> None:
    narrow = [replace(one, numbers=(Number(part="main/check_1", value=2.4 + n % 2 / 10),)) for n, one in enumerate(many(800))]
    assert tallied(a=narrow[:200], b=narrow) == []
    # Every tenth reading ends in a digit that the others never read.
    strange = [
        replace(one, numbers=(Number(part="main/check_1", value=2.9 if n % 10 == 0 else 2.4 + n % 2 / 10),))
        for n, one in enumerate(many(200))
    ]
    assert "last_digits" in screens(tallied(a=strange, b=narrow))


# Gauges.


def halves(shift: float, count: int = 60, **changes: Any) -> GaugeHalves | None:
    middles = Middles()
    for one in many(600):
        middles.add(one)
    tests = [
        replace(
            one, numbers=tuple(replace(n, value=n.value + (shift if at >= count // 2 else 0)) for n in one.numbers), **changes
        )
        for at, one in enumerate(many(count))
    ]
    return halves_of(tests, middles_with(middles, tests))


def middles_with(middles: Middles, tests: list[ScreenedTest]) -> Middles:
    for one in tests:
        middles.add(one)
    return middles


def test_a_gauge_that_shifts_beyond_its_accuracy_is_looked_at_again() -> None:
    one = halves(0.8, calibrated_on=dt.date(2026, 1, 5))
    assert one is not None
    [found] = looks_at_gauges([one])
    assert (found.screen, found.subject, found.occasion) == ("gauge_shift", "gauge", "2026-01-05")
    assert "calibration on 2026-01-05" in found.message
    assert found.evidence.figures["readings"] == 120
    # It is a matter of the last test's day.
    assert (found.on, found.evidence.report_ids[-1]) == (many(60)[-1].performed_at.date(), "59")


def test_a_gauge_within_its_accuracy_or_with_few_readings_is_left_alone() -> None:
    within, large = halves(0.8, accuracy=2.0), halves(0.8)
    assert within is not None
    assert large is not None
    assert list(looks_at_gauges([within])) == []
    assert "first test" in next(iter(looks_at_gauges([large]))).message
    assert next(iter(looks_at_gauges([large]))).occasion == "never calibrated"
    assert halves(0.8, count=18) is None
    steady = halves(0.0)
    assert steady is not None
    assert list(looks_at_gauges([steady])) == []


def test_at_the_level_itself_and_beyond_the_accuracy_a_gauge_is_pointed_out() -> None:
    one = halves(0.8)
    assert one is not None

    def pointed_out(**changes: Any) -> int:
        return len(list(looks_at_gauges([replace(one, **changes)])))

    assert (pointed_out(chance=0.05), pointed_out(chance=0.0501)) == (1, 0)
    assert (
        pointed_out(shift=0.3, accuracy=0.2),
        pointed_out(shift=0.2, accuracy=0.2),
        pointed_out(shift=-0.3, accuracy=0.2),
    ) == (1, 0, 1)
    # A gauge's accuracy is in its own unit: 1.4 kPa are 0.203 psi.
    metric = halves(0.8, unit="kPa", accuracy=1.4)
    assert metric is not None
    assert metric.accuracy == pytest.approx(1.4 / 6.894757, rel=1e-6)
    # Twenty readings in either half are enough, and nineteen are not.
    ones = [replace(one, numbers=one.numbers[:1]) for one in many(40)]
    middles = middles_with(Middles(), ones)
    assert halves_of(ones, middles) is not None
    assert halves_of(ones[:39], middles) is None


def test_the_rank_sum_is_scipy_s() -> None:
    early, late = [1.0, 1.1, 1.1, 1.3, 1.5, 0.9], [1.1, 1.4, 1.6, 1.6, 1.3]
    theirs = stats.mannwhitneyu(late, early, method="asymptotic", use_continuity=False, alternative="greater")
    assert stats.norm.sf(rank_sum(early, late)) == pytest.approx(theirs.pvalue, rel=1e-9)
    assert rank_sum([1.0, 1.0], [1.0]) == 0


# Identity.


def change(
    serials: tuple[str | None, str | None] = ("AB12345", "AB12345"),
    size: tuple[str | None, str | None] = ("1 in", "1 in"),
    *,
    replaced: bool = False,
) -> IdentityChange:
    return IdentityChange(assembly_id="a", version=4, on=NOON.date(), serial_number=serials, size=size, replaced=replaced)


@pytest.mark.parametrize(
    ("one", "pointed_out"),
    [
        (change(("AB12345", "CD99881")), "serial number"),
        (change(("AB12345", None)), "serial number"),
        (change(("AB12345", "AB12354")), ""),  # two letters
        (change(("AB12345", "ab 12345")), ""),  # written otherwise
        (change(("AB12345", "12345")), ""),  # two letters fewer
        (change((None, "AB12345")), ""),  # stated for the first time
        (change(size=("1 in", "2 in")), "size"),
        (change(size=(None, "2 in")), ""),
        (change(("AB12345", "CD99881"), replaced=True), ""),
    ],
)
def test_what_stands_on_the_body_does_not_change(one: IdentityChange, pointed_out: str) -> None:
    found = list(looks_at_changes([one]))
    assert len(found) == bool(pointed_out)
    assert all(f"The {pointed_out} on record" in look.message and look.occasion == "version 4" for look in found)


def apart(one: str, other: str) -> int:
    """Levenshtein's distance as it is defined: the fewest letters added, dropped or changed."""
    if not one or not other:
        return len(one) + len(other)
    changed = apart(one[1:], other[1:]) + (one[0] != other[0])
    return min(changed, apart(one[1:], other) + 1, apart(one, other[1:]) + 1)


def test_letters_apart_are_counted_as_levenshtein_defined_them() -> None:
    words = ["", "A", "B", "AB", "BA", "ABC", "ACB", "1ABC", "ABC1", "XYZ", "A1B2"]
    for one in words:
        for other in words:
            assert _letters_apart(one, other.lower()) == apart(one, other)
    assert _letters_apart("kitten", "sitting") == 3  # the textbook's
    assert _letters_apart("AB 12", "ab12") == 0


def test_a_serial_number_on_three_assemblies_points_out_the_two_later_ones() -> None:
    found = list(looks_at_shared([SharedSerial(serial_number="S1", kind="dc", assembly_ids=("a", "b", "c"), on=NOON.date())]))
    assert [one.subject_id for one in found] == ["b", "c"]
    assert {one.evidence.texts["also_on"] for one in found} == {"a"}


# The data, and the words.


def test_every_setting_has_a_source_and_a_clause_and_every_screen_a_stated_rate() -> None:
    assert len({one.key for one in data().settings}) == len(data().settings)
    for one in data().settings:
        assert one.source in works()
        assert one.clause
        assert one.says
    assert set(stated()) == set(get_args(Screen))
    assert len(data().stated) == len(stated())
    with pytest.raises(KeyError):
        setting("nothing of that name")


def test_no_message_accuses() -> None:
    found = [
        *looks_at_times(
            [
                screened("a", NOON.replace(hour=3)),
                *(screened(str(n), NOON + dt.timedelta(minutes=n), metres_from_last=9e5) for n in range(14)),
            ]
        ),
        *tallied(a=many(150), b=[replace(one, failed=n % 10 == 0) for n, one in enumerate(many(600))]),
        *looks_at_changes([change(("AB12345", "CD99881"))]),
    ]
    assert found
    for one in found:
        assert "could explain it" in one.message
        assert not any(
            word in one.message.lower() for word in ("fraud", "fake", "forge", "invent", "cheat", "dishonest", "false")
        )
    assert "not a finding of fault" in CAUTION


def test_numbers_are_named_by_line_and_component() -> None:
    readings: list[Any] = [
        rules.ReliefValveReading(opened=True, opened_at=2.8),
        rules.Check1Reading(closed_tight=True, held_at=7.2),
        rules.Check2Reading(closed_tight=False),
        rules.AirInletReading(opened=True, opened_at=UNSET),
    ]
    assert numbers_of(readings) == (
        Number(part="main/check_1", value=7.2),
        Number(part="main/relief_valve", value=2.8),
    )
