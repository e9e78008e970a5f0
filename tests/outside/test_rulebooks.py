"""Each rulebook's intervals, triggers and deadlines against their clauses, every value's source and mark, and a digest that pins it all.

The clauses are transcribed here a second time. `published`: read in the source named. `memory`: remembered from it.
`common_practice`: done so in the trade, no source.
"""

import datetime as dt
from collections.abc import Iterator
from typing import Any

import msgspec
import pytest

import rules
from rules.catalogue import TestableKind
from rules.field_test.diagnosis import Rows
from rules.field_test.flags import severities
from rules.field_test.plausible import plausible
from rules.field_test.shutoffs import Spoils
from rules.files import read
from rules.load import works
from rules.rulebook import Interval, Limit
from rules.sources import Cited
from rules.standing import TestEvent, interval_for, next_due
from rules.standing.schedule import inspection_for, trigger_for

ON = dt.date(2026, 6, 1)
DAY = dt.date(2026, 3, 10)

# rulebook, hazard, connection, months (None: once, on installation), the clause, its mark. Those by kind and season are below.
INTERVALS = {
    "Washington: annually": ("us-wa", "non_health", "residential", 12, "WAC 246-290-490 (7)(b)(ii)", "from_memory"),
    "Washington, health hazard: annually at least": ("us-wa", "health", "non_residential", 12, "WAC 246-290-490 (7)(b)(ii)", "from_memory"),
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
    "New York: annually": ("us-ny", "health", "non_residential", 12, "10 NYCRR 5-1.31(a)(3)", "published"),
    "Michigan: at least every 3 years": ("us-mi", "health", "non_residential", 36, "R 325.11404(2)(d)", "published"),
    # Lawn irrigation every 5 years only where an approved programme says so, which is the programme's to state.
    "Michigan, irrigation: the same": ("us-mi", "non_health", "irrigation", 36, "R 325.11404(2)(d)", "published"),
    "New Jersey, physical connections: every 3 months": ("us-nj", "health", "non_residential", 3, "N.J.A.C. 7:10-10.6(a)", "published"),
    "Utah: yearly": ("us-ut", "health", "non_residential", 12, "R309-105-12(4), an older text", "published"),
    "Illinois: yearly": ("us-il", "health", "non_residential", 12, "35 Ill. Adm. Code 604.1510", "published"),
    "Missouri: yearly": ("us-mo", "health", "non_residential", 12, "10 CSR 60-11, the state's fact sheets", "published"),
    "Minnesota: yearly": ("us-mn", "non_health", "residential", 12, "4714.0603", "published"),
    "Hawaii: should not exceed a year": ("us-hi", "health", "non_residential", 12, "11-21-8", "published"),
    "Tennessee: every 12 months": ("us-tn", "health", "non_residential", 12, "the state's slides of 2008", "published"),
    "Virginia: yearly": ("us-va", "health", "non_residential", 12, "as a county states it", "from_memory"),
    "Québec: yearly": ("ca-qc", "health", "non_residential", 12, "the building authority's pages", "published"),
    "Toronto: yearly": ("ca-on-toronto", "health", "non_residential", 12, "chapter 851, as others report it", "from_memory"),
    "Saskatoon: yearly": ("ca-sk-saskatoon", "health", "non_residential", 12, "Bylaw 7567, programme page", "published"),
    "East Hants: yearly": ("ca-ns-east-hants", "health", "non_residential", 12, "programme page", "published"),
    "Halifax: yearly": ("ca-ns-halifax", "health", "non_residential", 12, "programme page", "published"),
    "Sydney: yearly": ("au-nsw", "health", "non_residential", 12, "Sydney Water's requirements", "published"),
    "Queensland: yearly": ("au-qld", "health", "non_residential", 12, "councils on the regulation of 2019", "published"),
    "Victoria: yearly": ("au-vic", "health", "non_residential", 12, "policy of 2014", "published"),
    "New Zealand: yearly": ("nz", "health", "non_residential", 12, "suppliers on the Act of 2021", "published"),
    "Common in the United States: yearly": ("us-common", "health", "fire", 12, "EPA 816-R-03-002, chapter 5", "published"),
}  # fmt: skip


@pytest.mark.parametrize("name", INTERVALS)
def test_an_interval(name: str) -> None:
    rulebook, hazard, connection, months, _, mark = INTERVALS[name]
    book = rules.rulebook(rulebook, ON)
    interval = interval_for(book, hazard, connection)
    assert interval is not None
    assert (interval.months, book.cite(interval).provenance) == (months, mark)
    due = {None: None, 3: dt.date(2026, 6, 10), 12: dt.date(2027, 3, 10), 24: dt.date(2028, 3, 10), 36: dt.date(2029, 3, 10)}[
        months
    ]
    assert next_due(book, hazard, connection, DAY) == due


# rulebook, the events after which it asks for a test at once, the clause, its mark
TRIGGERS = {
    "Washington: at installation": ("us-wa", {"installation"}, "(7)(b)(i), as a city quotes it", "from_memory"),
    "Washington: after an incident": ("us-wa", {"incident"}, "(7)(b)(iii), as a city quotes it", "from_memory"),
    "Washington: after repair, reinstallation, relocation": ("us-wa", {"repair", "relocation"}, "(7)(b)(iv), as a city quotes it", "from_memory"),
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


# rulebook, kind, whether seasonal, months (None: not read), the clause, its mark
BY_KIND = [
    # Massachusetts, as a district's page and towns quote 310 CMR 22.22: an RP twice a year, a seasonal RP once, a DC once.
    ("us-ma", "rp", False, 6, "from_memory"), ("us-ma", "rp", True, 12, "from_memory"), ("us-ma", "dc", False, 12, "from_memory"),
    ("us-ma", "pvb", False, None, ""),
    # Indiana 327 IAC 8-10-8(b), in a contractor's reprint: RP 6 months, DC a year, PVB a year; SVBs are not in the words read.
    ("us-in", "rp", False, 6, "from_memory"), ("us-in", "dc", True, 12, "from_memory"), ("us-in", "pvb", False, 12, "from_memory"),
    ("us-in", "svb", False, None, ""),
    # The United Kingdom: RPZ valves at least every 12 months (from memory); the rest was not read.
    ("gb", "rp", False, 12, "from_memory"), ("gb", "dc", False, None, ""),
]  # fmt: skip


@pytest.mark.parametrize("row", BY_KIND, ids=lambda row: " ".join(map(str, row[:3])))
def test_an_interval_by_kind_and_season(row: tuple[str, TestableKind, bool, int | None, str]) -> None:
    rulebook, kind, seasonal, months, mark = row
    book = rules.rulebook(rulebook, ON)
    interval = interval_for(book, "health", "non_residential", kind=kind, seasonal=seasonal)
    if months is None:
        assert interval is None
        assert book.left_open("intervals") is not None
    else:
        assert interval is not None
        assert (interval.months, book.cite(interval).provenance) == (months, mark)


# Their intervals were not read (Ohio 3745-95-06, Colorado 11.39, North Carolina, Nevada, Arizona R18-4-215, Western Australia; EN 1717 has
# none): no day is set, and the reason is given.
@pytest.mark.parametrize("rulebook", ["us-oh", "us-co", "us-nc", "us-nv", "us-az", "au-wa", "eu-en1717"])
def test_an_interval_that_was_not_read_sets_no_due_day(rulebook: str) -> None:
    book = rules.rulebook(rulebook, ON)
    left_open = book.left_open("intervals")
    assert book.intervals == ()
    assert left_open is not None
    passed = TestEvent(
        report_id="a", performed_on=DAY, performed_at=dt.datetime(2026, 3, 10, 12, tzinfo=dt.UTC), reason="periodic", received_at=dt.datetime(2026, 3, 11, tzinfo=dt.UTC), outcome="pass", acceptance="accepted",
        protection="full",
    )  # fmt: skip
    facts: dict[str, Any] = {
        "rulebook": rulebook, "hazard": "health", "connection": "residential", "in_service": True, "installed_on": DAY,
        "history": [passed],
    }  # fmt: skip
    found = rules.standing(**facts)
    assert (found.status, found.due_on) == ("current", None)
    assert left_open.says in found.because
    # The utility may set an interval of its own for the assembly.
    assert rules.standing(**facts, interval_months=12).due_on == dt.date(2027, 3, 10)


# WAC 246-290-490 (7)(b)(ii), as a city quotes it: "annually after installation, or more frequently, if required by the purveyor". The state
# names no figure, so its rulebook has none; a purveyor's own may say six months after two failures within 24 (common practice, no source).
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
def test_only_a_purveyor_requires_more_frequent_tests_after_repeated_failures(failed_on: list[dt.date], months: int) -> None:
    state = rules.rulebook("us-wa", ON)
    assert not any(interval.failures for interval in state.intervals)
    option = Interval(
        key="repeat_failures", months=6, failures=2, within_months=24, source="common-practice", clause="–",
        says="Tested every 6 months after two failed within 24.",
    )  # fmt: skip
    purveyor = msgspec.structs.replace(state, intervals=(option, *state.intervals))
    for book, expected in ((purveyor, months), (state, 12)):
        interval = interval_for(book, "health", "residential", DAY, failed_on)
        assert interval is not None
        assert interval.months == expected


# rulebook, entry: kinds, months (None: by events only), events, connections, mark. WAC 246-290-490 (7)(b) and (c), as a city quotes them;
# OAR 333-061-0070 (6), both texts (published), which kinds are "approved devices" from memory; 327 IAC 8-10-8(b) in a contractor's reprint;
# the Californian handbook, as a report of a meeting has it.
INSPECTIONS: dict[str, dict[str, tuple[set[str], int | None, set[str], set[str], str]]] = {
    "us-wa": {
        "air_gap": ({"air_gap"}, 12, {"installation", "incident", "repair", "relocation"}, set(), "from_memory"),
        "irrigation_avb": ({"avb"}, None, {"installation", "incident", "repair", "relocation"}, {"irrigation"}, "from_memory"),
    },
    "us-or": {
        "air_gap": ({"air_gap"}, 12, {"installation", "repair", "relocation"}, set(), "published"),
        "device": (
            {"avb", "hose_connection_vb", "dual_check", "dual_check_vented"}, 12, {"installation", "repair", "relocation"}, set(),
            "from_memory"),
    },
    "us-in": {"air_gap": ({"air_gap"}, 12, set(), set(), "from_memory")},
    # The state's fact sheet on 10 CSR 60-11: "inspected when installed and at least annually thereafter by a certified … tester".
    "us-mo": {"air_gap": ({"air_gap"}, 12, {"installation"}, set(), "published")},
    "us-ca": {"air_gap": ({"air_gap"}, 12, set(), set(), "from_memory")},
    "us-common": {
        "all": (
            {"air_gap", "avb", "barometric_loop"}, 12, {"installation", "repair", "relocation", "incident"}, set(),
            "common_practice"),
    },
}  # fmt: skip


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_the_inspections_of_kinds_that_are_not_field_tested(rulebook: str) -> None:
    book = rules.rulebook(rulebook, ON)
    found = {
        row.key: (set(row.kinds), row.months, set(row.events), set(row.connections), book.cite(row).provenance)
        for row in book.inspections
    }
    # Nobody has the common rulebook's unseen.
    assert found == INSPECTIONS.get(rulebook, {})
    assert not any(rules.catalogue()[kind].field_testable for row in book.inspections for kind in row.kinds)


def test_an_irrigation_avb_in_washington_has_no_yearly_inspection_and_another_none_at_all() -> None:
    # WAC 246-290-490 (7)(c), as a city quotes it; of other AVBs the words read say nothing.
    book = rules.rulebook("us-wa", ON)
    irrigation = inspection_for(book, "avb", "health", "irrigation")
    assert irrigation is not None
    assert (irrigation.months, "installation" in irrigation.events) == (None, True)
    assert inspection_for(book, "avb", "health", "residential") is None
    yearly = inspection_for(book, "air_gap", "unknown", "non_residential")
    assert yearly is not None
    assert yearly.months == 12


# A failed assembly, by hazard and what its protection acts as: at once for a health hazard with no barrier known to be left, or with one
# check left whose failure nothing announces; 10 days for a lone barrier below its minimum; up to 30 days otherwise. Common practice, no
# source; the ten days without a health hazard likewise.
# An authority's own: days, mark, and from which day they run. California 3.3.3(e), of the notice of failure, as others quote the handbook;
# Massachusetts, town rules under 22.22; Colorado 11.39, as suppliers quote it; Toronto chapter 851, 48 hours, as others report it; East
# Hants "immediately" (published).
REPAIRED_WITHIN = {
    "us-ca": (30, "from_memory", "notice"),
    "us-ma": (14, "from_memory", "test"),
    "us-co": (60, "from_memory", "test"),
    "ca-on-toronto": (2, "from_memory", "test"),
    "ca-ns-east-hants": (0, "published", "test"),
}


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
    stated = REPAIRED_WITHIN.get(rulebook)
    for hazard in hazards:
        (deadline,) = [row for row in book.deadlines if hazard in row.hazards and acts_as in row.acts_as]
        found = (deadline.days, book.cite(deadline).provenance)
        # What common practice requires at once never rests on an authority's clause.
        if stated is None or days == 0 or (days == 10 and stated[0] >= 10):
            assert found == (days, "common_practice")
        else:
            assert found == stated[:2]
            assert deadline.counts_from == stated[2]


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
    # 327 IAC 8-10-9 (published); Sydney Water (published); r. 43 of Western Australia's regulations of 2013, 5 working days, and
    # Queensland's regulation of 2019, 10 business days, as the authorities' pages state them (published); Toronto, as others report it.
    ("report.due", "us-in", None, 30, "days", "published"),
    ("report.due", "au-nsw", None, 2, "days", "published"),
    ("report.due", "au-wa", None, 5, "business_days", "published"),
    ("report.due", "au-qld", None, 10, "business_days", "published"),
    ("report.due", "ca-on-toronto", None, 7, "days", "from_memory"),
    # One city's 10 days are no other place's.
    ("report.due", "ca-qc", None, 30, "days", "common_practice"),
    ("report.due", "ca-sk-saskatoon", None, 30, "days", "common_practice"),
    ("report.due", "ca-ns-east-hants", None, 30, "days", "common_practice"),
    ("report.due", "ca-ns-halifax", None, 30, "days", "common_practice"),
    # Incidents: Missouri's fact sheets (published); the Californian handbook 3.5, as a report of a meeting has it; WAC 246-290-490 (8).
    ("incident.notice", "us-mo", None, 48, "hours", "published"),
    ("incident.notice", "us-ca", None, 24, "hours", "from_memory"),
    ("incident.notice", "us-wa", None, 1, "business_days", "from_memory"),
    ("gauge.calibration", "us-in", None, 12, "months", "published"),
    ("gauge.calibration", "us-tn", None, 12, "months", "published"),
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


# The standards' acceptance figures were not read: AS/NZS 2845.3:2020, New Zealand's industry standard of 2019, AIM-08-01, EN 12729.
@pytest.mark.parametrize("rulebook", ["au-nsw", "au-wa", "au-qld", "au-vic", "nz", "gb", "eu-en1717"])
@pytest.mark.parametrize("closed", [True, False])
def test_a_rulebook_without_criteria_judges_nothing(rulebook: str, closed: bool) -> None:  # noqa: FBT001 - both ways
    document = {
        "rulebook": rulebook, "performed_at": "2026-03-10T09:00:00+10:00", "assembly": {"kind": "dc", "hazard": "health"},
        "units": {"pressure": "kPa"}, "gauge": {"calibrated_on": "2026-01-01"},
        "tester": {"certificate": "1", "valid_until": "2027-01-01"},
        "initial_test": {
            "shutoffs": {"inlet": "tight", "outlet": "tight"},
            "readings": [
                {"component": "check_1", "held_at": 14.0, "closed_tight": True}, {"component": "check_2", "closed_tight": closed},
            ],
        },
    }  # fmt: skip
    verdict = rules.judge(msgspec.convert(document, rules.Test), received_at=dt.datetime(2026, 3, 11, tzinfo=dt.UTC))
    left_open = rules.rulebook(rulebook, ON).left_open("criteria")
    assert left_open is not None
    assert (verdict.outcome, verdict.acceptance) == ("incomplete", "held")
    assert {finding.outcome for finding in verdict.findings} == {"not_determined"}
    assert [finding.component for finding in verdict.findings] == ["check_1", "check_2"]
    assert left_open.says in verdict.summary
    assert "no_criteria" in {flag.code for flag in verdict.flags}
    assert {action.code for action in verdict.actions} == {"review_report", "file_report"}
    # That a check leaked still shows: it is seen, not judged.
    states = {True: "unknown", False: "unknown"}
    assert verdict.initial.mechanical_protection == states[closed]


FACTS = {"closed_tight", "tight_against_backpressure", "opened", "opened_fully", "not_discharging", "not_spilling"}


def values(rulebook: str) -> Iterator[Cited]:
    data = rules.rulebook_data(rulebook)
    for section in (
        data.criteria, data.limits, data.intervals, data.inspections, data.triggers, data.deadlines, data.editions, data.hazard_words,
        data.testers, data.not_read,
    ):  # fmt: skip
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


@pytest.mark.parametrize("rulebook", [one.id for one in rules.carried(ON) if one.judges_tests])
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
    rules_reported = {one.rule for one in criteria}
    assert {one.alternative_to for one in criteria if one.alternative_to} <= rules_reported


def test_what_stands_beside_the_rulebooks_says_where_it_is_from_too() -> None:
    assert all(one.source in works() and one.clause for one in read("shutoffs.toml", Spoils).spoils)
    bounds = plausible()
    for one in (*bounds.ceilings, bounds.line_pressure, *bounds.gauge_accuracy):
        assert works()[one.source].provenance == "common_practice", "no source is known for what an honest reading reaches"
        assert one.clause
    assert read("diagnosis.toml", Rows).source in works()
    assert set(severities().values()) == {"refuse", "hold", "note"}
    assert all(work.title and work.publisher for work in works().values())


# A change to a limit, an interval, a clause or a mark changes the digest: look at the change, name it in the CHANGELOG, then pin it again.
DIGESTS = {
    "au-nsw": "sha256:cae085fc74872bd23d25e75cf2a7c08069760e53a9e06a2a6ff8e661f2962761",
    "au-qld": "sha256:72a3ba0f80934b34c1a78b93025b3f258c54dac93411c4a37f430f8d2769b655",
    "au-vic": "sha256:5e944d30fe1644e2be87e4cd4a4df9042f4e39bc08cddfdfea2153a1dc540a1d",
    "au-wa": "sha256:21ac8eded8cd29db2e0ac51f8e1f66ed254dce33e1692bd808db4bf07b599373",
    "ca-bc": "sha256:d788aa50fb0fe3f6cadb1315dbe0294c479f835db8482c6f3b9e4b8e95ad9ec9",
    "ca-ns-east-hants": "sha256:a41cf4189142de525385d655bb7a4ab4fd9393a1128b3883f811c8b2cd14eae8",
    "ca-ns-halifax": "sha256:476c443a075f1c1143d6895bdbfe725f4a5a1ce335a69078b043d3834fbd26bd",
    "ca-on-toronto": "sha256:c53c236d62ad96300f5b24195b60039e12a43c425cd61e5cea9be20164237296",
    "ca-qc": "sha256:8cab1e34fd797ef088f8ca04bc374f285b1c4af1ae149c01c55fb9c1fac19415",
    "ca-sk-saskatoon": "sha256:ae06e5ce71112da605882bf6b94964e8466c36a8ecbdec573286d0bc409446e1",
    "eu-en1717": "sha256:1aa213f49281d60570fb00ce783ae47cf587b2883285cdfd6e335fd8df36e0f9",
    "gb": "sha256:370304fddeda48b904c00c55385f51bf07c726eea295515fce5506fdabbab136",
    "nz": "sha256:99f7f900f1cc23f95b475a5ecf7dc92c7afceb53dd811605222c612a586220ce",
    "us-az": "sha256:2dee317392bca928d4a4842bbae1778a13fc6c10abbbeac4f63603033c1d93fe",
    "us-ca": "sha256:0f12773995781d71dc825dd911b80d985cbdfe504d6e993a383d29c7f492163f",
    "us-co": "sha256:0167cf910772ee22096154a73ebe934589fe3813db0ba994c931e9173a603025",
    "us-common": "sha256:7bf3ba21efcb681cab4820fcc9ce5460ca10d7dd8492795d53953aa7cd6cefd4",
    "us-fl": "sha256:580e25afeabc5930b95fa37d9efaac50a83e47866813a64f0805186d899620e1",
    "us-hi": "sha256:fb887f50815bfa17348cd4c25a76bf2d283ea4ad6da6fc1bcf27c3ed531b7c21",
    "us-il": "sha256:be0fd4bdc2a0e9bc0370d741c8d75da8d2afce5f7b6b8b8f7a82e91ee2d1b105",
    "us-in": "sha256:dd290de8f92d03b4e5d84d6fb9d359d2647601be46bbd8aa298b5cf779cbf599",
    "us-ma": "sha256:0b29f0532691842bf092ed29903fd52d54e524a83794663165f9d31b3a7548a6",
    "us-mi": "sha256:9babc21c0117eecb05de58aaa2886998b2caa0c6c07751a517457ad79ece8c57",
    "us-mn": "sha256:c674d15c8bd5e5f1db8488933a41b6d59f8669c33cf176c0acba5698026a7d2c",
    "us-mo": "sha256:a39138366098035508f2fb994ddd1f6d099565d4e9d137cba537eae00cc1e8bf",
    "us-nc": "sha256:f771c2a631d7d8651aca962fc638fa0a8f68aee73c27c9278bf24bd9147d6db0",
    "us-nj": "sha256:a9c9d3b370b89fe021442fdc4f51947043fb7c6e436d3e5d6e634c3e6e296fe9",
    "us-nv": "sha256:8883846f75eb69f3876a9012096fbf8469617e245a948153702ad9f9fb06ff00",
    "us-ny": "sha256:e3e576d5207bafc14a2dc2bdd7dcac26a3f9d7888f50f2705b00db249abff03f",
    "us-oh": "sha256:4246f5c41f75b193956c1ae6e2f716a14060bcb1cccd6e6c07961fb0c3fd48fe",
    "us-or": "sha256:67befd10e47d63db892b6dc8e3acc32e6dd045c652f28dc522280008681bba13",
    "us-tn": "sha256:281720a0102e51af96db5de95260adee66ebd2a9c4b2eb0c46682e60276e1756",
    "us-tx": "sha256:a55b8ad776f6dc73238925a5876263a0de3defd10e055e5b4ed9d384f8d019e9",
    "us-ut": "sha256:6954b16be0359dc4baf8e21e224e231af439e0d4bb564b98df246ccdcfae1ab5",
    "us-va": "sha256:8893c1cf7e70fe0fd992ca9f6c840517c15e8f7b38fe7b3503ee09a2354582f4",
    "us-wa": "sha256:b16c350ce593e7f39d089bb8b16866df5d98c36a92e8fe9276911f21532efed5",
}


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_each_rulebook_is_pinned(rulebook: str) -> None:
    assert rules.rulebook(rulebook, ON).digest == DIGESTS[rulebook]
