"""Deadlines by authority: for a report, a repair and from when it runs, a notice of an incident, the first test after installation.

The clauses are transcribed here a second time. What is common practice only cites no law and never refuses a report.
"""

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest

import rules
from rules.standing.schedule import trigger_for

ON = dt.date(2026, 6, 1)


def judged(rulebook: str, hazard: str = "health", *, leaked: tuple[str, ...] = (), **more: Any) -> rules.Verdict:
    """The verdict on an RP: its check 1 below the minimum, or the named parts leaking."""
    readings: list[dict[str, Any]] = [
        {"component": "check_1", "closed_tight": False}
        if "check_1" in leaked
        else {"component": "check_1", "closed_tight": True, "held_at": 4.0},
        {
            "component": "relief_valve",
            "opened": "relief_valve" not in leaked,
            **({} if "relief_valve" in leaked else {"opened_at": 2.6}),
        },
        {"component": "check_2", "closed_tight": "check_2" not in leaked},
    ]
    document = {
        "rulebook": rulebook,
        "performed_at": "2026-03-10T09:00:00+00:00",
        "assembly": {"kind": "rp", "hazard": hazard},
        "units": {"pressure": "psi"},
        "gauge": {"calibrated_on": "2026-01-01"},
        "tester": {"certificate": "1", "valid_until": "2027-01-01"},
        "initial_test": {"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": readings},
        **more,
    }
    return rules.judge(msgspec.convert(document, rules.Test), received_at=dt.datetime(2026, 3, 11, tzinfo=dt.UTC))


def action(verdict: rules.Verdict, code: str) -> rules.Action:
    (found,) = [entry for entry in verdict.actions if entry.code == code]
    return found


# rulebook: days to repair a failed RP that still protects, from when, clause, mark. California 3.3.3(e), 30 days of notification, as others
# quote the handbook; Massachusetts, 14 days, town rules; Colorado, 60 days, as suppliers quote 11.39; Toronto, 48 hours, as others report
# chapter 851; East Hants, immediately (published). Elsewhere 30 days of the test are common practice.
REPAIR = {
    "us-ca": (30, "notice", "3.3.3(e)", "from_memory"),
    "us-ma": (14, "test", "town rules under 22.22", "from_memory"),
    "us-co": (60, "test", "11.39, as suppliers quote it", "from_memory"),
    "ca-on-toronto": (2, "test", "within 48 hours", "from_memory"),
    "ca-ns-east-hants": (0, "test", "immediately", "published"),
    "us-wa": (30, "test", "–", "common_practice"),
    "us-ny": (30, "test", "–", "common_practice"),
}


@pytest.mark.parametrize("rulebook", REPAIR)
def test_a_verdict_says_by_when_to_repair_and_from_when_that_runs(rulebook: str) -> None:
    repair = action(judged(rulebook), "repair_and_retest")
    assert repair.source
    assert (repair.within_days, repair.counts_from, repair.source.clause, repair.source.provenance) == REPAIR[rulebook]


@pytest.mark.parametrize("rulebook", [entry.id for entry in rules.carried(ON) if entry.judges_tests])
def test_what_is_required_at_once_by_common_practice_cites_no_law(rulebook: str) -> None:
    verdict = judged(rulebook, leaked=("check_1", "check_2", "relief_valve"))
    isolate, repair = action(verdict, "isolate_at_once"), action(verdict, "repair_and_retest")
    assert isolate.source
    assert (isolate.within_days, isolate.source.provenance) == (0, "common_practice")
    assert repair.source
    # No authority read so far says what is done where no barrier is left.
    assert (repair.within_days, repair.source.provenance) == (0, "common_practice")


# Queensland form 9 in 10 business days, Western Australia r. 43 in 5 working days, Sydney in 2 days, Indiana 8-10-9 in 30 days (published);
# Toronto in 7 days, as others report it; Washington's was not read.
REPORT = {
    "au-qld": (10, True, "published"),
    "au-wa": (5, True, "published"),
    "au-nsw": (2, False, "published"),
    "us-in": (30, False, "published"),
    "ca-on-toronto": (7, False, "from_memory"),
    "us-wa": (30, False, "common_practice"),
}


@pytest.mark.parametrize("rulebook", REPORT)
def test_a_verdict_says_by_when_the_report_is_submitted(rulebook: str) -> None:
    submit = action(judged(rulebook), "file_report")
    assert submit.source
    assert (submit.within_days, submit.business_days, submit.source.provenance) == REPORT[rulebook]
    assert submit.counts_from == "test"


# A Friday afternoon. Missouri: "within 48 hours" (fact sheet, published). California 3.5: 24 hours, and Washington (8): the end of the next
# business day, both from memory. Oregon's was not read.
@pytest.mark.parametrize(
    ("rulebook", "by", "mark"),
    [
        ("us-mo", dt.datetime(2026, 3, 15, 15, 30), "published"),
        ("us-ca", dt.datetime(2026, 3, 14, 15, 30), "from_memory"),
        ("us-wa", dt.datetime(2026, 3, 16, 23, 59, 59), "from_memory"),
        ("us-or", None, ""),
    ],
)
def test_an_incident_is_notified_by(rulebook: str, by: dt.datetime | None, mark: str) -> None:
    zone = dt.timezone(dt.timedelta(hours=-7))
    found = rules.incident_notice(rulebook, dt.datetime(2026, 3, 13, 15, 30, tzinfo=zone))
    if by is None:
        assert found is None
    else:
        assert found
        assert (found.by, found.source.provenance) == (by.replace(tzinfo=zone), mark)


# Washington's next business day is from memory; a city that requires the notice by the end of the next day, a Saturday too, is stricter.
def test_days_that_an_ordinance_states_end_with_a_day_there() -> None:
    clause = {"title": "Alder Falls Municipal Code", "section": "13.08.090"}
    limit = {
        "name": "incident.notice",
        "at_most": 1,
        "unit": "days",
        "says": "Notify us by the end of the next day.",
        "clause": clause,
    }
    document = {"extends": "us-wa", "title": "Alder Falls Municipal Code", "in_force_from": "2026-01-01", "limits": [limit]}
    version = rules.LocalVersion(version=1, rulebook=msgspec.convert(document, rules.LocalRulebook))
    rules.check_local(version)
    zone = dt.timezone(dt.timedelta(hours=-7))
    found = rules.incident_notice(version, dt.datetime(2026, 3, 13, 15, 30, tzinfo=zone))
    assert found
    assert (found.by, found.source.provenance) == (dt.datetime(2026, 3, 14, 23, 59, 59, tzinfo=zone), "stated_by_utility")


@pytest.mark.parametrize("rulebook", ["us-mo", "us-wa"])
def test_a_notice_at_the_end_of_the_calendar_is_due_at_once(rulebook: str) -> None:
    occurred = dt.datetime(9999, 12, 31, 15, 30, tzinfo=dt.UTC)
    found = rules.incident_notice(rulebook, occurred)
    assert found
    assert found.by == occurred


# Los Angeles puts its clocks back at 02:00 on 2026-11-01 (the time zone database): 24 hours later it is an hour earlier by the clock.
def test_hours_pass_alike_where_clocks_are_changed_in_between() -> None:
    zone = ZoneInfo("America/Los_Angeles")
    occurred = dt.datetime(2026, 10, 31, 15, 30, tzinfo=zone)
    found = rules.incident_notice("us-ca", occurred)
    assert found
    assert found.by.isoformat() == "2026-11-01T14:30:00-08:00"


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_the_first_test_is_due_as_the_assembly_is_installed(rulebook: str) -> None:
    installed = dt.date(2026, 5, 4)
    trigger = trigger_for(rules.rulebook(rulebook, ON), "installation")
    assert trigger
    standing = rules.standing(
        rulebook=rulebook, hazard="health", connection="non_residential", in_service=True, installed_on=installed, history=[]
    )
    assert (standing.status, standing.due_on) == ("untested", installed + dt.timedelta(days=trigger.days))
    assert trigger.says in standing.because


def test_a_standing_says_that_a_deadline_runs_from_the_notice() -> None:
    # The handbook's 30 days run from the notice of failure (3.3.3(e), as others quote it); until one is sent, the test is the earliest.
    failed = rules.TestEvent(
        report_id="a",
        performed_on=dt.date(2026, 3, 10),
        performed_at=dt.datetime(2026, 3, 10, 12, tzinfo=dt.UTC),
        reason="periodic",
        received_at=dt.datetime(2026, 3, 11, tzinfo=dt.UTC),
        outcome="fail",
        acceptance="accepted",
        protection="degraded",
    )
    facts: dict[str, Any] = {
        "hazard": "health",
        "connection": "non_residential",
        "in_service": True,
        "installed_on": None,
        "history": [failed],
    }
    california, massachusetts = (rules.standing(rulebook=rulebook, **facts) for rulebook in ("us-ca", "us-ma"))
    assert california.due_on == dt.date(2026, 4, 9)
    assert "run from the notice" in california.because
    assert "run from the notice" not in massachusetts.because
    # Sent on the 14th, from then; a notice cannot be of before the test.
    for sent, due in ((dt.date(2026, 3, 14), dt.date(2026, 4, 13)), (dt.date(2026, 3, 1), dt.date(2026, 4, 9))):
        notified = msgspec.structs.replace(failed, notified_on=sent)
        california, massachusetts = (
            rules.standing(rulebook=rulebook, **facts | {"history": [notified]}) for rulebook in ("us-ca", "us-ma")
        )
        assert (california.due_on, massachusetts.due_on) == (due, dt.date(2026, 3, 24))
        assert "sent on" in california.because


# OAR 333-061-0070 (6)(a) says "a currently calibrated gauge" and no interval; ORS 448.279 exempts journeyman plumbers from the tester's
# certificate (both published): neither a year's calibration nor a missing certificate refuses a report in Oregon.
def test_common_practice_refuses_no_report() -> None:
    verdict = judged("us-or", gauge={"calibrated_on": "2025-01-01"}, tester={})
    severities = {flag.code: flag.severity for flag in verdict.flags}
    assert severities["gauge_calibration_expired"] == "hold"
    assert severities["tester_unknown"] == "hold"
    assert verdict.acceptance == "held"
