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
    event: Any
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
        work = works()[str(value.source)]
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
        assert works()[str(one.source)].provenance == "common_practice", "no source is known for what an honest reading reaches"
        assert one.clause
    assert read("diagnosis.toml", Rows).source in works()
    assert set(severities().values()) == {"refuse", "hold", "note"}
    assert all(work.title and work.publisher for work in works().values())


# A change to a limit, an interval, a clause or a mark changes the digest: look at the change, name it in the CHANGELOG, then pin it again.
DIGESTS = {
    "au-nsw": "sha256:05df561a1fb9060d40bc1cfae9620726242f79adbd405d84ad50fa487f789542",
    "au-qld": "sha256:096371da7b81c77139a5b3d98b506024196a26d5e795e6ad2035f4824ba050c8",
    "au-vic": "sha256:dd653fa1e7625cc02f87f7d35b51a2de3dcb56a485b711e112e8bb016d43c86a",
    "au-wa": "sha256:2f65c08c5326696715786152aa18486766ae2e256e2653f1ae652e3f7d8dcbde",
    "ca-bc": "sha256:a1d763f7ea5e9d2d478a9e2d7c45e0652e405aacf8dba124c52346a6a138f924",
    "ca-ns-east-hants": "sha256:f5b735897c35f49ca1b9e49f7e79367668174ee34b4251d714689fdf5dd0e916",
    "ca-ns-halifax": "sha256:36f847384c2e7b483d4991700205cfc003a8690a2dd97ffacc0381fed8e9c12d",
    "ca-on-toronto": "sha256:fc6ab8b26e99ea6e4880f0e80b1462ae3dc32f1f5e39b13570708b9ea298a0a7",
    "ca-qc": "sha256:fcdd9bb7e7865870339c3ae39e92afc7e063caacae126af62b1eb7fbea21911f",
    "ca-sk-saskatoon": "sha256:167d389eafe2dab909050671ea508e5b531df0588fcae591d5cb36017d88d800",
    "eu-en1717": "sha256:de2400419cd536acc70e95c3a94273993ce8cfdfcb6c235d37ab17171a3418be",
    "gb": "sha256:8e295647e78c5d65c982d471735a5cff29ec73aa44f90ce4a294455af8cbf85e",
    "nz": "sha256:5a47fca2c1ef398b1088c34567c412b4e4f0030d409dc6dbc15e20b606809ad7",
    "us-az": "sha256:593e2fbb09acdbe00272665e940020d2d98688f71836d508fbde37854c54d6d4",
    "us-ca": "sha256:3e6b4197089b02a850145c41cf8f41a80c1f2999a4591e5fd5edc3416ca71005",
    "us-co": "sha256:0833e0929e4c50a525f2547ef0d21997c3675833469942f6f5381558a28a0209",
    "us-common": "sha256:b11398814a61ab394de541148f96cde4b9a6d13ba6ab32219960e7cc0fe3c839",
    "us-fl": "sha256:b594f69049d4e178595741896698f8ee43a1e7f262c03b689838e8cce9127132",
    "us-hi": "sha256:2c88fed8df34a5263043257d1d194caeb60ceafb26babe289f3c51b47c3bdc6e",
    "us-il": "sha256:81b3631b2deb8b8d6b7947e147b83b3bc77b37261d0c838e94cf9416274f1c7e",
    "us-in": "sha256:e1016a42d69d22fe9c8c13a05d227d1c40ff6129da2dfd893c0fc9d97ac96329",
    "us-ma": "sha256:82ed6d68441b92e2f4265a3d4a9f1df608cc34900974254e69dc4cd1cbc7aeb7",
    "us-mi": "sha256:80120cf52e1f8738527887c3ec672d4a13436a1912a9e7d54c6f9bc9e1f5f16c",
    "us-mn": "sha256:352f1c295ac7d1fce85f27c038b9a35ab96485e8d6fe43e269e7b0166f262922",
    "us-mo": "sha256:46073d9d06347363799f814ad87be165ba197effa1bd61a7d06d65260d142434",
    "us-nc": "sha256:4ebb2206eb2db31c83c06b9a9588a88bc58798f56f5c9b99426c48315ce8d1b2",
    "us-nj": "sha256:6d57ca7b46ff3d5b3c4070582c2ad2b2ab50aaf6fb384893cec1f4800def6de2",
    "us-nv": "sha256:30fbf060695ba9c13646b8ba588c490826aa5ceabf126369af5f817dc4d77a5d",
    "us-ny": "sha256:72ea684d1e99127e15398b9c2cc9a504413d70cbdd3fa56f0b9d22c473a95556",
    "us-oh": "sha256:ab43f3cd947e37b569deda97eead52c83519773769a24a000e3d31d8936d14c5",
    "us-or": "sha256:79242c8aac5b5fb14a3685d74ebc13e0f52cd2f14edee89722f8b334bf89bb90",
    "us-tn": "sha256:de0654cc205a93fb4acfa6ad329d657617e41085286c2ab84447ee6ee4ee5f68",
    "us-tx": "sha256:cacd59acf41984da19719173b28379a40864d470b928d09ad91607be7478a0aa",
    "us-ut": "sha256:0c78acdd6ac98002e15e1dae82bfb3272236a21162b6599414a17c76568c3521",
    "us-va": "sha256:e13a660477aa7490b7f86e087ad8b783c7412671a58d17d0d9c1ee657808e2b0",
    "us-wa": "sha256:0d0b332e0a076db7a3a569dcaccb4ad93a216c38305001cbff9e12430253d2f3",
}


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_each_rulebook_is_pinned(rulebook: str) -> None:
    assert rules.rulebook(rulebook, ON).digest == DIGESTS[rulebook]
