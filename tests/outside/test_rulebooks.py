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
from rules.load import read, works
from rules.rulebook import Limit
from rules.sources import Cited
from rules.standing import TestEvent, interval_for, next_due
from rules.standing.schedule import trigger_for

ON = dt.date(2026, 6, 1)
DAY = dt.date(2026, 3, 10)

# rulebook, hazard, connection, months (None: once, on installation), the clause, its mark. Those by kind and season are below.
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
        "rulebook_id": rulebook, "hazard": "health", "connection": "residential", "in_service": True, "installed_on": DAY,
        "history": [passed],
    }  # fmt: skip
    found = rules.standing(**facts)
    assert (found.status, found.due_on) == ("current", None)
    assert left_open.says in found.because
    # The utility may set an interval of its own for the assembly.
    assert rules.standing(**facts, interval_months=12).due_on == dt.date(2027, 3, 10)


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
    assert interval is not None
    assert (interval.months, book.cite(interval).provenance) == (months, "common_practice" if months == 6 else "published")
    oregon = interval_for(rules.rulebook("us-or", ON), "health", "residential", DAY, failed_on)
    assert oregon is not None
    assert oregon.months == 12


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


# rulebook, the authority's words for hazards, and as which degree each acts. Ohio 3745-95-05; Missouri's fact sheets; Virginia table 630.1;
# North Carolina's older guideline; B64.10's three degrees; AS/NZS 3500.1:2018 section 4; the United Kingdom's fluid categories. The words
# were read; as which degree each acts is this project's reading (common practice), except where the clause itself says "health".
WORDS = {
    "us-common": {"severe": "severe", "health": "health", "non_health": "non_health"},
    "us-oh": {"severe": "severe", "system": "health", "health": "health", "pollution": "non_health"},
    "us-mo": {"class I": "health"},
    "us-tx": {"health": "health"},
    "us-va": {"high": "health", "low": "non_health"},
    "us-nc": {"severe": "health", "moderate": "non_health"},
    "ca-bc": {"severe": "health", "moderate": "health", "minor": "non_health"},
    "ca-on-toronto": {"severe": "health", "moderate": "health"},
    "au-nsw": {"high": "severe", "medium": "health", "low": "non_health"},
    "nz": {"high": "severe", "medium": "health", "low": "non_health"},
    "gb": {
        f"fluid category {n}": degree for n, degree in enumerate(("non_health", "non_health", "health", "health", "severe"), 1)
    },
}
# Who inherits them, or uses the same.
WORDS |= {name: WORDS["us-common"] for name in rules.rulebook_ids() if name.startswith("us-") and name not in WORDS}
WORDS |= {name: WORDS["ca-bc"] for name in rules.rulebook_ids() if name.startswith("ca-") and name not in WORDS}
WORDS |= dict.fromkeys(("au-wa", "au-qld", "au-vic"), WORDS["au-nsw"]) | {"eu-en1717": WORDS["gb"]}
HEALTH_BY_THE_CLAUSE = {("us-oh", "health"), ("us-mo", "class I"), ("us-tx", "health")}


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_the_words_for_hazards(rulebook: str) -> None:
    book = rules.rulebook(rulebook, ON)
    assert {word.word: word.acts_as for word in book.hazard_words} == WORDS[rulebook]
    for word in book.hazard_words:
        if (rulebook, word.word) not in HEALTH_BY_THE_CLAUSE:
            assert book.cite(word).provenance == "common_practice", word


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
        data.criteria, data.limits, data.intervals, data.triggers, data.deadlines, data.editions, data.hazard_words, data.testers,
        data.not_read,
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
    "au-nsw": "sha256:2205c8f894bf540b65fe37cd72af710c1dc6bb58c1c3e0176b91de724eb4cf5c",
    "au-qld": "sha256:a3edfd80a8632b7a45b547249f79f1736139be9db4ec74cb3c0db871bc1fd488",
    "au-vic": "sha256:d16ad4dc8e292f47eac0dcb7e817e89ce6b4f963df7ea606e3a9d54e6ffe259d",
    "au-wa": "sha256:c7794d0322c0ead1659b29ed96dc9ffb8d5a99fac66be19655f8d20e773ef7dc",
    "ca-bc": "sha256:cba04d5b88b57481a919a29c6961709017a8c980a9046030d7720716a7ce2b3b",
    "ca-ns-east-hants": "sha256:d35b35e95958f03a8c357bea6ab9827a71b2b25d0a1de083eeb3b332d1be389a",
    "ca-ns-halifax": "sha256:81505d67d551bb4c03b2d30d6343317e3ad3172cfd0fa9f3dd4a7519bc3cfe59",
    "ca-on-toronto": "sha256:e4c6dc503836aafb26813039e7632a26638399d17cd8a60f653587970d258ff8",
    "ca-qc": "sha256:4fb8736e8f5140dbec08c05c74a5b1459d53bbb74a216cfabbf7b4ce6a971fca",
    "ca-sk-saskatoon": "sha256:c254b55527dcb828e3477e69deaa7da1c030d218dacd37cab78d900650c79d2b",
    "eu-en1717": "sha256:6b517ed9d06a5bc225f1caae6dbab04455b4aecdb1e8331976d8a1ad2b4f624d",
    "gb": "sha256:b2d6d4aaa4103d9174969aee20a5f2adb1510e9dd9e1e93dedad372a93498efc",
    "nz": "sha256:5760eca149edd3dc8ad9a9fbac1526702444f04d6a41d7273de36605e85e3416",
    "us-az": "sha256:0e0175a85745be031e811b2547259ba69de4cf13add7431499878bb5f4914ab0",
    "us-ca": "sha256:b606f6757906a61fe3f723a8ebd2b379133407d9d26608f604a199d86410b22d",
    "us-co": "sha256:d24039d13d372df86385a16feaaf29aaf23d2648cd8a0c5ec3484cf9904ce7a4",
    "us-common": "sha256:16c4ae2621245c223e8c599db9e5e3f5103af065b866f7a4ad5598cfb54c67cb",
    "us-fl": "sha256:631d5365e09545fbd4fab5fd27ddfea35f112f18096effc445e54f358b7468f6",
    "us-hi": "sha256:5cc22be75ac5f3c4acb11c2252496f171f01d575d4b8eb6f90da699b453b5029",
    "us-il": "sha256:efd148d10b1d75298c282618bf0a1b2286de48686e9b24defe7cefe094a2ac7b",
    "us-in": "sha256:ae2b34c733718da3e9062802b7bf00a383c40b170f33c52e90b2959f2d9fe365",
    "us-ma": "sha256:92354a53963738fe3005378bb051ad5807236700ad327999ecd853784423997d",
    "us-mi": "sha256:7b87e066d0a7b6d676c3b8af5086fba7babdcf49937e0e26ae5af97c55a97b62",
    "us-mn": "sha256:c271a365f50a409dd64f047506c3f553228cc970c6606aafff9313311f61b8af",
    "us-mo": "sha256:09073b81d1ba429df108199dc350f63848b9a560dff2cbe30d5ca5cc16356ad8",
    "us-nc": "sha256:fa3a0a366de2f0694a0b10c2364dbf1a139cf149bdb91ea71c895822e673bd98",
    "us-nj": "sha256:faed9b9026e20f319799ec582eeb425b031899385a99fded043567270714affe",
    "us-nv": "sha256:596dd576bb9287af60345937182b6e1aa990213bd41be529657525c90d131200",
    "us-ny": "sha256:6764493d6fe40090535f64d88e11bd59c3b386d86666a61bf1f7fec235264d50",
    "us-oh": "sha256:ce8e893ce31302f361a0c95161bd3d1bb1e545b29df1ca9f0dd99621a79bd311",
    "us-or": "sha256:b19e6056ec1c73f1c96d2508549655a04f807b443c80550eae60ec137764a6c6",
    "us-tn": "sha256:e4a95eb1eed9311c8d2c523f9f3ce37c1b65e2cdbc1e1d0e1eed5af8bb62a633",
    "us-tx": "sha256:23f7a5dd515e915125bb33c8276d7e12180368a505beff453731abc47a5eea7d",
    "us-ut": "sha256:04baee85d47fc70daebc71d0121dad7ba45b3b9854272e2cbf433c78fdb0089f",
    "us-va": "sha256:2739b54a22168913c8d7e095af17aabcb1cc3aeee284ff8c6533fb93ff10a8fe",
    "us-wa": "sha256:fefeadd8abc9d46088c314a41167eb91ce01afe523cac9ee0c08c1d8cf8d1be6",
}


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_each_rulebook_is_pinned(rulebook: str) -> None:
    assert rules.rulebook(rulebook, ON).digest == DIGESTS[rulebook]
