"""Each rulebook's intervals, triggers and deadlines against their clauses, every value's source and mark, and a digest that pins it all.

The clauses are transcribed here a second time. `published`: read in the source named. `memory`: remembered from it.
`common_practice`: done so in the trade, no source.
"""

import datetime as dt
from collections.abc import Iterator

import pytest

import rules
from rules.field_test.diagnosis import Rows
from rules.field_test.flags import severities
from rules.field_test.plausible import plausible
from rules.field_test.shutoffs import Spoils
from rules.load import read, works
from rules.rulebook import Limit
from rules.sources import Cited
from rules.standing import interval_for, next_due
from rules.standing.schedule import trigger_for

ON = dt.date(2026, 6, 1)
DAY = dt.date(2026, 3, 10)

# rulebook, hazard, connection, months (None: once, on installation), the clause, its mark
INTERVALS = {
    "Washington: annually": ("us-wa", "non_health", "residential", 12, "WAC 246-290-490 (7)(b)", "published"),
    "Washington, health hazard: annually at least": ("us-wa", "health", "non_residential", 12, "WAC 246-290-490 (7)(b)", "published"),
    "Oregon: once every 12 months": ("us-or", "health", "non_residential", 12, "OAR 333-061-0070 (6)(c)", "published"),
    # As city codes quote 290.44(h)(4), and a supply district 344.50(e): so from memory. The three years of some cities are no state rule.
    "Texas, health hazard: yearly": ("us-tx", "health", "non_residential", 12, "30 TAC 290.44(h)(4)", "from_memory"),
    "Texas, irrigation that is a health hazard: yearly": ("us-tx", "health", "irrigation", 12, "30 TAC 344.50(e)", "from_memory"),
    "Texas, no health hazard: on installation": ("us-tx", "non_health", "non_residential", None, "30 TAC 290.44(h)(4)", "from_memory"),
    "Texas, irrigation without additives: on installation": ("us-tx", "non_health", "irrigation", None, "30 TAC 290.44(h)(4)", "from_memory"),
    "Florida: yearly": ("us-fl", "health", "non_residential", 12, "62-555.360 F.A.C.", "published"),
    "Florida, residential: every 2 years": ("us-fl", "non_health", "residential", 24, "62-555.360 F.A.C.", "published"),
    "California: annually": ("us-ca", "health", "non_residential", 12, "handbook, 3.3.3(b)", "from_memory"),
    "A Canadian programme: yearly": ("ca-bc", "health", "non_residential", 12, "a British Columbia city's form", "published"),
    "Common in the United States: yearly": ("us-common", "health", "fire", 12, "EPA 816-R-03-002, chapter 5", "published"),
}  # fmt: skip


@pytest.mark.parametrize("name", INTERVALS)
def test_an_interval(name: str) -> None:
    rulebook, hazard, connection, months, _, mark = INTERVALS[name]
    book = rules.rulebook(rulebook, ON)
    assert interval_for(book, hazard, connection).months == months
    assert book.cite(interval_for(book, hazard, connection)).provenance == mark
    due = {None: None, 12: dt.date(2027, 3, 10), 24: dt.date(2028, 3, 10), 36: dt.date(2029, 3, 10)}[months]
    assert next_due(book, hazard, connection, DAY) == due


# rulebook, the events after which it asks for a test at once, the clause, its mark
TRIGGERS = {
    "Washington: at installation": ("us-wa", {"installation"}, "(7)(b)(i)", "published"),
    "Washington: after an incident": ("us-wa", {"incident"}, "(7)(b)(iii)", "published"),
    "Washington: after repair, reinstallation, relocation": ("us-wa", {"repair", "relocation"}, "(7)(b)(iv)", "published"),
    "Oregon: installation, repair, relocation": (
        "us-or", {"installation", "repair", "relocation"}, "(6)(b); in the older text (6)(a)", "published"),
    "Oregon: after an incident": ("us-or", {"incident"}, "(6)(d) of the older text; the newer text was not read so far", "from_memory"),
    "Texas: on installation": ("us-tx", {"installation"}, "(h)(4)", "from_memory"),
    "Texas: when repaired, replaced, moved": (
        "us-tx", {"repair", "relocation"}, "344.50(e), for irrigation; for others common practice", "common_practice"),
    "California: on installation, after repair, relocation": (
        "us-ca", {"installation", "repair", "relocation"}, "3.3.3(c), (d)", "from_memory"),
    "Common in the United States": (
        "us-common", {"installation", "repair", "relocation", "incident"}, "–", "common_practice"),
}  # fmt: skip


@pytest.mark.parametrize("name", TRIGGERS)
def test_the_triggers(name: str) -> None:
    rulebook, events, clause, mark = TRIGGERS[name]
    book = rules.rulebook(rulebook, ON)
    for event in events:
        trigger = trigger_for(book, event)
        assert trigger is not None
        assert (trigger.days, trigger.clause, book.cite(trigger).provenance) == (0, clause, mark), event
    # An assembly put back for the season, or into service, is tested as it begins to serve (common practice, no source).
    for event in ("seasonal_start", "return_to_service"):
        trigger = trigger_for(book, event)
        assert trigger is not None
        assert (trigger.days, book.cite(trigger).provenance) == (0, "common_practice")


# 17 CCR 7583 to 7605 went inoperative on 2024-07-01, the day on which the Cross-Connection Control Policy Handbook came into force
# (HSC 116407(c)(1), as agencies quote it: from memory).
@pytest.mark.parametrize(("on", "source"), [(dt.date(2024, 6, 30), "17-ccr-7604"), (dt.date(2024, 7, 1), "ca-cccph")])
def test_california_changes_its_rules_on_one_day(on: dt.date, source: str) -> None:
    book = rules.rulebook("us-ca", on)
    assert {interval.source for interval in book.intervals} == {source}
    assert {trigger.source for trigger in book.triggers if trigger.event in ("installation", "repair", "relocation")} == {source}
    assert book.in_force_from == (on if source == "ca-cccph" else dt.date(1994, 1, 1))


@pytest.mark.parametrize("rulebook", sorted(set(rules.rulebook_ids()) - {"us-common"}))
def test_no_authority_inherits_an_interval_that_nobody_looked_up(rulebook: str) -> None:
    common = {interval.source for interval in rules.rulebook_data("us-common").intervals}
    assert all(interval.source not in common for interval in rules.rulebook_data(rulebook).intervals)


def test_no_state_asks_for_a_test_before_re_occupancy() -> None:
    # A Texas city's rule (Harker Heights code (A)(4)), not the state's: the text was read in the city's code.
    assert trigger_for(rules.rulebook("us-tx", ON), "reoccupancy") is None


# Washington: "more often ... for assemblies that repeatedly fail", WAC 246-290-490 (7)(b) (published). The regulation leaves the numbers to
# the purveyor: six months after two failures within 24 is common practice, no source.
@pytest.mark.parametrize(
    ("failed_on", "months"),
    [
        ([], 12),
        ([DAY], 12),
        ([dt.date(2024, 3, 9), DAY], 12),
        ([dt.date(2024, 3, 10), DAY], 6),
        ([dt.date(2024, 3, 10), dt.date(2025, 3, 10)], 6),
        ([DAY, DAY], 6),
        # What comes after the test says nothing of it.
        ([DAY, DAY + dt.timedelta(days=1)], 12),
    ],
)
def test_washington_tests_more_often_where_tests_fail_repeatedly(failed_on: list[dt.date], months: int) -> None:
    book = rules.rulebook("us-wa", ON)
    interval = interval_for(book, "health", "residential", DAY, failed_on)
    assert (interval.months, book.cite(interval).provenance) == (months, "common_practice" if months == 6 else "published")
    assert interval_for(rules.rulebook("us-or", ON), "health", "residential", DAY, failed_on).months == 12


# A failed assembly, by hazard and what its protection acts as: at once for a health hazard with no barrier known to be left, or with one
# check left whose failure nothing announces; 10 days for a lone barrier below its minimum; up to 30 days otherwise. Common practice, no
# source; the ten days without a health hazard likewise.
@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
@pytest.mark.parametrize(
    ("hazards", "acts_as", "days"),
    [
        (("severe", "health"), "lost", 0), (("severe", "health"), "last_check", 0), (("severe", "health"), "last_barrier_weak", 10),
        (("severe", "health"), "degraded", 30), (("severe", "health"), "full", 30), (("non_health",), "lost", 10),
        (("non_health",), "last_barrier_weak", 10), (("non_health",), "last_check", 30), (("non_health",), "degraded", 30),
        (("non_health",), "full", 30),
    ],
)  # fmt: skip
def test_a_deadline_for_repair(rulebook: str, hazards: tuple[str, ...], acts_as: str, days: int) -> None:
    book = rules.rulebook(rulebook, ON)
    for hazard in hazards:
        (deadline,) = [row for row in book.deadlines if hazard in row.hazards and acts_as in row.acts_as]
        assert (deadline.days, book.cite(deadline).provenance) == (days, "common_practice")


# name, rulebook, lower, upper, unit, mark
LIMITS = [
    # WAC 246-292-034 names the USC Manual, 10th edition, appendix A.7 (published); that the figures are these is from memory.
    ("gauge.accuracy", "us-wa", None, 0.2, "psi", "from_memory"),
    ("gauge.calibration", "us-wa", None, 12, "months", "from_memory"),
    ("gauge.calibration", "us-common", None, 12, "months", "common_practice"),
    # One dial division of 0.1 psi in inches of water; clocks (RFC 7519, 4.1.4, speaks of a few minutes): common practice, no source.
    ("gauge.level", "us-common", None, 2.8, "in", "common_practice"),
    ("gauge.accuracy.not_stated", "us-common", None, 0.2, "psi", "common_practice"),
    ("clock.ahead", "us-common", None, 5, "minutes", "common_practice"),
    ("clock.ahead.held", "us-common", None, 24, "hours", "common_practice"),
    # 0.2 psi as metric gauges print it (common practice, no source).
    ("gauge.accuracy", "ca-bc", None, 1.4, "kPa", "common_practice"),
    # OAR 333-061-0070 (6)(a) says "currently calibrated gauge" and names no interval: yearly is common practice.
    ("gauge.calibration", "us-or", None, 12, "months", "common_practice"),
    # CSA B64.10.1, clause 7.2: yearly (published).
    ("gauge.calibration", "ca-bc", None, 12, "months", "published"),
    # A British Columbia city's test form: within 10 days of the test (published). Elsewhere up to 30 days (common practice).
    ("report.due", "ca-bc", None, 10, "days", "published"),
    ("report.due", "us-wa", None, 30, "days", "common_practice"),
    # Common practice, no source.
    ("line_pressure", "us-common", 15, 150, "psi", "common_practice"),
    ("plausible.differential", "us-common", None, 15, "psi", "common_practice"),
    ("near_limit", "us-common", 0.05, 0.95, "probability", "common_practice"),
]


@pytest.mark.parametrize("row", LIMITS, ids=lambda row: f"{row[0]} {row[1]}")
def test_a_limit(row: tuple[str, str, float | None, float, str, str]) -> None:
    name, rulebook, lower, upper, unit, mark = row
    book = rules.rulebook(rulebook, ON)
    limit = book.limit(name)
    assert (limit.at_least, limit.at_most, limit.unit, book.cite(limit).provenance) == (lower, upper, unit, mark)


FACTS = {"closed_tight", "tight_against_backpressure", "opened", "opened_fully", "not_discharging", "not_spilling"}


def values(rulebook: str) -> Iterator[Cited]:
    data = rules.rulebook_data(rulebook)
    for section in (data.criteria, data.limits, data.intervals, data.triggers, data.deadlines, data.editions):
        yield from section
    for criterion in data.criteria:
        yield from criterion.printed


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_every_value_says_where_it_is_from(rulebook: str) -> None:
    assert all(value.source in works() for value in values(rulebook))
    assert all(value.clause for value in values(rulebook))
    for value in values(rulebook):
        work = works()[value.source]
        # A value may be known less well than its work, never better.
        better = ("common_practice", "from_memory", "published")
        if value.provenance is not None:
            assert better.index(value.provenance) <= better.index(work.provenance), value
        if isinstance(value, Limit):
            assert value.at_least is not None or value.at_most is not None
    for criterion in rules.rulebook_data(rulebook).criteria:
        assert (criterion.at_least is None) == (criterion.unit is None), criterion.rule
        assert (criterion.at_least is None) == (criterion.quantity in FACTS), criterion.rule


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_every_rulebook_judges_every_kind_that_can_be_tested(rulebook: str) -> None:
    criteria = rules.rulebook_data(rulebook).criteria
    for kind in rules.catalogue().kinds:
        for component in (*kind.components, *kind.bypass_components):
            quantities = {one.quantity for one in criteria if kind.kind in one.kinds and one.component == component} - {"buffer"}
            wanted = {
                "check": {"closed_tight", "held_at"},
                "relief_valve": {"opened", "opened_at", "not_discharging"},
                "air_inlet": {"opened", "opened_at", "opened_fully", "not_spilling"},
            }[component.removesuffix("_1").removesuffix("_2")]
            # What a check does against backpressure is judged only of those that procedures put pressure behind.
            assert quantities - {"tight_against_backpressure"} == wanted, (kind.kind, component)
    rules_told = {one.rule for one in criteria}
    assert {one.alternative_to for one in criteria if one.alternative_to} <= rules_told


def test_what_stands_beside_the_rulebooks_says_where_it_is_from_too() -> None:
    assert all(one.source in works() and one.clause for one in read("shutoffs.toml", Spoils).spoils)
    bounds = plausible()
    for one in (*bounds.ceilings, bounds.line_pressure, *bounds.gauge_accuracy):
        assert works()[one.source].provenance == "common_practice", "no source is known for what an honest reading reaches"
        assert one.clause
    assert read("diagnosis.toml", Rows).source in works()
    assert set(severities().values()) == {"refuse", "hold", "note"}
    assert all(work.title and work.publisher for work in works().values())


# A change to a limit, an interval, a clause or a mark changes the digest: look at the change, name it in the CHANGELOG, then pin it anew.
DIGESTS = {
    "ca-bc": "sha256:4fce67def3b4abeb409605da4ca7113cb82e8f7baf57ae17263b9f69bf72e70e",
    "us-ca": "sha256:2a0a109c168bcc48eaea491dd8a05c0fe31743194976121f51d3eb34ce089e0e",
    "us-common": "sha256:1b358dfd35647a4f0058caeef5f2fe96f3894a8725cc56ac68705d1eae51edc5",
    "us-fl": "sha256:a2c4ce0bdf9002c30d1592e1c1bb1671e52855e0ae180a4e47b1bda60a38b58c",
    "us-or": "sha256:9f2653dfb0483a16331ec1090c38ecd60bacd51b1759135a5b43bce38b6ce511",
    "us-tx": "sha256:87ea3485dc3f0c7c7d23686414a0c07e21167c1bf3d8047677af80afb1c99a4b",
    "us-wa": "sha256:3bd36d583f83c000e77bf6e10b28cd2010456ec60fa6066857626fcfe002c12c",
}


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_each_rulebook_is_pinned(rulebook: str) -> None:
    assert rules.rulebook(rulebook, ON).digest == DIGESTS[rulebook]
