"""A local rulebook over its state's: what it changes, what it may not make laxer, and that nothing else moves.

The state's clauses are those that `tests/oracles/test_rulebooks.py` holds; the ordinance is invented.
"""

import datetime as dt
from typing import Any

import msgspec
import pytest

import rules
from rules import selection
from rules.composing import compose
from rules.errors import refusal_texts
from rules.load import local_limits, rulebook, rulebook_data
from rules.notices import default_steps
from rules.notices.local import stated_notices, with_local
from rules.selection.tables import in_force, index
from rules.standing.schedule import interval_for
from rules.stating import not_applied

ON = dt.date(2026, 6, 1)
BEFORE = dt.date(2025, 6, 1)


def clause(section: str = "13.08.050", **more: str) -> dict[str, str]:
    return {"title": "Alder Falls Municipal Code", "section": section, **more}


def entry(**members: Any) -> dict[str, Any]:
    return {"says": "What the ordinance says.", "clause": clause(), **members}


def stated(**members: Any) -> dict[str, Any]:
    return {name: value for name, value in entry(**members).items() if value is not msgspec.UNSET}


def interval(**members: Any) -> dict[str, Any]:
    return entry(**{"key": "health", "months": 6, "hazards": ["health", "severe"], **members})


def deadline(**members: Any) -> dict[str, Any]:
    return entry(**{"key": "city", "hazards": ["health"], "acts_as": ["full", "degraded"], "days": 14, **members})


def minimum(**members: Any) -> dict[str, Any]:
    """Without a member that is UNSET."""
    return stated(**{"rule": "rp.check_1.held_at", "at_least": 6.0, "unit": "psi", **members})


def limit(**members: Any) -> dict[str, Any]:
    return entry(**{"name": "report.due", "at_most": 10, "unit": "days", **members})


def premises(**members: Any) -> dict[str, Any]:
    return entry(**{"key": "bottlers", "premises": ["beverage_bottling"], "hazard": "severe", **members})


def notice(**members: Any) -> dict[str, Any]:
    return entry(**{"step": "due", "occasion": "due", "to": "customer", "days": -45, **members})


def local(number: int = 1, **sections: Any) -> rules.LocalVersion:
    document = {
        "extends": "us-wa",
        "title": "Alder Falls Municipal Code, chapter 13.08",
        "in_force_from": "2026-01-01",
        **sections,
    }
    document = msgspec.json.decode(msgspec.json.encode(document))
    return rules.LocalVersion(version=number, rulebook=msgspec.convert(document, rules.LocalRulebook))


def refusals(version: rules.LocalVersion) -> dict[str, str]:
    with pytest.raises(rules.RulesError) as refused:
        rules.check_local(version)
    return {error.pointer: error.code for error in (refused.value, *refused.value.also)}


def test_a_shorter_interval_replaces_the_states_and_no_other_value_moves() -> None:
    version = local(intervals=[interval()])
    rules.check_local(version)
    state, effective = rulebook("us-wa", ON), rulebook(version, ON)
    for hazard, months in (("health", 6), ("severe", 6), ("unknown", 6), ("non_health", 12)):
        found = interval_for(effective, hazard, "non_residential")
        assert found is not None
        assert found.months == months, hazard
    assert effective.intervals[1:] == state.intervals
    for section in (
        "criteria",
        "limits",
        "triggers",
        "deadlines",
        "testers",
        "hazard_words",
        "inspections",
        "editions",
        "tables",
    ):
        assert getattr(effective, section) == getattr(state, section), section
    source = effective.cite(effective.intervals[0])
    assert (source.title, source.clause, source.provenance) == ("Alder Falls Municipal Code", "13.08.050", "stated_by_utility")


def test_before_its_first_day_and_after_its_last_the_states_rulebook_alone_holds() -> None:
    version = local(intervals=[interval(in_force_from="2026-03-01", in_force_until="2026-09-30")])
    for day, months in (("2026-02-28", 12), ("2026-03-01", 6), ("2026-09-30", 6), ("2026-10-01", 12)):
        on = dt.date.fromisoformat(day)
        found = interval_for(rulebook(version, on), "health", "residential")
        assert found is not None
        assert found.months == months
        assert (rulebook(version, on) == rulebook("us-wa", on)) is (months == 12)
    assert rulebook(version, ON).in_force_from == dt.date(2026, 3, 1)
    assert rulebook(version, ON).in_force_until == dt.date(2026, 9, 30)


def test_the_digest_is_of_the_states_rulebook_and_the_version() -> None:
    digests = {
        rulebook(key, ON).digest
        for key in (
            "us-wa",
            local(),
            local(intervals=[interval()]),
            local(2, intervals=[interval()]),
            local(intervals=[interval(months=3)]),
        )
    }
    assert len(digests) == 4  # one without entries leaves the state's as it is
    assert rulebook(local(intervals=[interval()]), ON) is rulebook(local(intervals=[interval()]), ON + dt.timedelta(days=1))


LAXER: list[tuple[dict[str, Any], str, str]] = [
    # WAC 246-290-490 (7)(b): at least annually.
    ({"intervals": [interval(months=18)]}, "/intervals/0/months", "local_interval_longer"),
    ({"intervals": [interval(months=None)]}, "/intervals/0/months", "local_tested_once"),
    ({"intervals": [interval(key="all", months=13, hazards=[])]}, "/intervals/0/months", "local_interval_longer"),
    # (7)(b)(iii): after an incident, at once.
    ({"triggers": [entry(event="incident", days=5)]}, "/triggers/0/days", "local_deadline_later"),
    # WAC 246-292-034: the gauge is calibrated yearly, ±0.2 psi.
    ({"limits": [limit(name="gauge.calibration", at_most=24, unit="months")]}, "/limits/0/at_most", "local_limit_larger"),
    ({"limits": [limit(name="gauge.accuracy", at_most=2, unit="kPa")]}, "/limits/0/at_most", "local_limit_larger"),
    # (8): an incident is notified by the next business day.
    ({"limits": [limit(name="incident.notice", at_most=2, unit="days")]}, "/limits/0/at_most", "local_limit_larger"),
    # Check 1 of an RP: 5 psi.
    ({"criteria": [minimum(at_least=4.9)]}, "/criteria/0/at_least", "local_minimum_smaller"),
    ({"criteria": [minimum(at_least=34.4, unit="kPa")]}, "/criteria/0/at_least", "local_minimum_smaller"),
    # Table 13: bottlers are high health hazard premises.
    ({"premises": [premises(hazard="non_health")]}, "/premises/0/hazard", "local_hazard_lower"),
    # Florida repairs nothing by law; British Columbia and others have deadlines: below.
]


@pytest.mark.parametrize(("sections", "pointer", "code"), LAXER)
def test_nothing_is_laxer_than_the_state(sections: dict[str, Any], pointer: str, code: str) -> None:
    assert refusals(local(**sections)) == {pointer: code}


def test_a_refusal_names_the_states_value_and_its_clause() -> None:
    with pytest.raises(rules.DocumentError) as refused:
        rules.check_local(local(intervals=[interval(months=18)]))
    message = refused.value.message
    assert "allows: 12 months (WAC 246-290-490, Cross-connection control, (7)(b)(ii)" in message
    assert message.endswith("State 12 months or fewer.")


def test_a_deadline_is_never_later_than_one_that_the_state_requires() -> None:
    # A state whose repair deadline is its own, not common practice.
    state = next(
        book
        for book in (rulebook(name, ON) for name in rules.rulebook_ids())
        if any(book.cite(row).provenance != "common_practice" and row.days > 0 for row in book.deadlines)
    )
    floor = next(row for row in state.deadlines if state.cite(row).provenance != "common_practice" and row.days > 0)
    row = deadline(hazards=list(floor.hazards), acts_as=list(floor.acts_as), days=floor.days + 1)
    assert refusals(local(extends=state.id, deadlines=[row])) == {"/deadlines/0/days": "local_deadline_later"}
    same = deadline(hazards=list(floor.hazards), acts_as=list(floor.acts_as), days=floor.days)
    rules.check_local(local(extends=state.id, deadlines=[same]))
    if floor.counts_from == "test":
        later = local(extends=state.id, deadlines=[{**same, "counts_from": "notice"}])
        assert refusals(later) == {"/deadlines/0/counts_from": "local_deadline_from_notice"}


def test_what_is_only_common_practice_is_no_floor() -> None:
    # facts-us: Washington's deadlines and its days for a report were not read; thirty are common practice.
    rules.check_local(local(limits=[limit(at_most=45)], deadlines=[deadline(days=40)]))


UNCLEAR: list[tuple[dict[str, Any], str, str]] = [
    ({"in_force_until": "2025-12-31"}, "/in_force_until", "local_days_reversed"),
    (
        {"intervals": [interval(in_force_from="2026-05-01", in_force_until="2026-04-01")]},
        "/intervals/0/in_force_until",
        "local_days_reversed",
    ),
    (
        {"in_force_until": "2026-12-31", "limits": [limit(in_force_from="2027-01-01")]},
        "/limits/0/in_force_until",
        "local_days_outside",
    ),
    ({"limits": [limit(clause=clause(provenance="published"))]}, "/limits/0/clause", "local_published_without_url"),
    ({"intervals": [interval(failures=2)]}, "/intervals/0/failures", "local_half_a_condition"),
    ({"limits": [limit(), limit()]}, "/limits/1/name", "local_stated_twice"),
    ({"limits": [limit(name="clock.ahead", unit="minutes")]}, "/limits/0/name", "local_limit_unknown"),
    ({"limits": [limit(unit="months")]}, "/limits/0/unit", "local_limit_unit"),
    (
        {"extends": "us-ca", "limits": [limit(name="incident.notice", at_most=1, unit="business_days")]},
        "/limits/0/unit",
        "local_limit_unit_of_state",
    ),
    ({"criteria": [minimum(rule="rp.check_3.held_at")]}, "/criteria/0/rule", "local_minimum_unknown"),
    ({"criteria": [entry(rule="rp.check_1.held_at")]}, "/criteria/0/at_least", "local_minimum_missing"),
    ({"extends": "nz", "criteria": [minimum(rule="rp.check_3.held_at")]}, "/criteria/0/rule", "local_rule_unknown"),
    ({"extends": "nz", "criteria": [minimum(unit=msgspec.UNSET)]}, "/criteria/0/at_least", "local_minimum_missing"),
    (
        {"extends": "nz", "criteria": [minimum(rule="pvb.air_inlet.opened_fully")]},
        "/criteria/0/rule",
        "local_rule_without_minimum",
    ),
    ({"extends": "nz", "criteria": [entry(rule="rp.check_1.closed_tight")]}, "/criteria/0/rule", "local_rule_follows"),
    ({"extends": "nz", "criteria": [minimum()]}, "/criteria/0/rule", "local_kind_in_part"),
    ({"premises": [entry(key="bare", premises=["car_wash"])]}, "/premises/0/key", "local_premises_without_need"),
    ({"premises": [premises(premises=["moon_base"])]}, "/premises/0/premises", "unknown_premises_type"),
    (
        {"premises": [entry(key="category", premises=["car_wash"], fluid_category=5)]},
        "/premises/0/fluid_category",
        "fluid_category_not_used",
    ),
    ({"extends": "eu-en1717", "in_force_from": "2026-01-01", "premises": [premises()]}, "/premises/0/hazard", "hazard_not_used"),
    ({"extends": "nz", "premises": [premises()]}, "/premises/0/key", "local_premises_without_tables"),
    ({"in_force_from": "1970-01-01", "limits": [limit()]}, "/in_force_from", "local_before_state"),
    ({"deadlines": [deadline(key="health_left", acts_as=["full"])]}, "/deadlines/0/hazards", "local_deadline_covers_less"),
    ({"notices": [notice(occasion="failed", days=-1)]}, "/notices/0/days", "step_before_failure"),
    ({"notices": [notice(text="No caution.")]}, "/notices/0/text", "caution_missing"),
    ({"extends": "us-xx"}, "/rulebook", "unknown_rulebook"),
]


@pytest.mark.parametrize(("sections", "pointer", "code"), UNCLEAR)
def test_what_cannot_be_read_is_refused_with_a_pointer(sections: dict[str, Any], pointer: str, code: str) -> None:
    assert refusals(local(**sections))[pointer] == code


def test_every_refusal_of_a_local_rulebook_is_tried_here() -> None:
    tried = {code for *_, code in (*LAXER, *UNCLEAR)} | {"local_deadline_from_notice", "local_deadline_later", "local_kinds_more"}
    assert {code for code in refusal_texts() if code.startswith("local_")} <= tried


def test_all_faults_are_named_at_once() -> None:
    found = refusals(
        local(intervals=[interval(months=18)], criteria=[minimum(at_least=1)], premises=[premises(hazard="non_health")])
    )
    assert set(found) == {"/intervals/0/months", "/criteria/0/at_least", "/premises/0/hazard"}


def test_where_the_state_became_stricter_the_stricter_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    version = local(intervals=[interval(months=12)])
    rules.check_local(version)
    state = rulebook("us-wa", ON)
    stricter = msgspec.structs.replace(
        state, intervals=tuple(msgspec.structs.replace(row, months=6, provenance="from_memory") for row in state.intervals)
    )
    composed = compose(rulebook_data("us-wa"), stricter, version, ON, local_limits(), ())
    assert [(laxer.section, laxer.place) for laxer in composed.laxer] == [("intervals", 0)]
    assert all(row.source == "wac-246-290-490" for row in composed.data.intervals)


def test_a_stricter_minimum_fails_a_test_whose_parts_are_sound() -> None:
    # judgement.md: a stricter local minimum may fail an assembly whose parts are sound: fail, full.
    test = msgspec.convert(
        {
            "rulebook": "us-wa",
            "performed_at": "2026-06-01T09:00:00-07:00",
            "units": {"pressure": "psi"},
            "assembly": {"kind": "rp", "hazard": "health"},
            "initial_test": {
                "shutoffs": {"inlet": "tight", "outlet": "tight"},
                "readings": [
                    {"component": "check_1", "closed_tight": True, "held_at": 5.5},
                    {"component": "relief_valve", "opened": True, "opened_at": 2.4},
                    {"component": "check_2", "closed_tight": True, "held_at": 1.6},
                ],
            },
        },
        rules.Test,
    )
    received = dt.datetime(2026, 6, 1, 17, tzinfo=dt.UTC)
    plain = rules.judge(test, received_at=received)
    strict = rules.judge(test, received_at=received, local=local(criteria=[minimum()], limits=[limit()]))
    assert (plain.outcome, strict.outcome) == ("pass", "fail")
    assert strict.initial.mechanical_protection == "full"
    assert strict.rulebook.local_version == 1
    assert strict.rulebook.digest != plain.rulebook.digest
    finding = next(row for row in strict.findings if row.rule == "rp.check_1.held_at")
    assert (finding.at_least, finding.source.provenance) == (6.0, "stated_by_utility")
    assert {row.within_days for row in strict.actions if row.code == "file_report"} == {10}
    assert b"local_version" not in msgspec.json.encode(plain)


def test_premises_that_the_ordinance_names_need_protection() -> None:
    version = local(premises=[premises(kinds=["air_gap"]), entry(key="brewpubs", premises=["car_wash"], kinds=["rp", "air_gap"])])
    rules.check_local(version)
    request = msgspec.convert(
        {
            "rulebook": "us-wa",
            "hazard": "health",
            "premises": "beverage_bottling",
            "purpose": "premises_isolation",
            "backpressure_possible": True,
            "continuous_pressure": True,
        },
        selection.SelectionRequest,
    )
    assert "rp" in selection.select(request, on=ON).recommended
    chosen = selection.select(request, on=ON, local=version)
    assert chosen.recommended == ("air_gap",)
    assert chosen.hazard.applied == "severe"
    assert any(flag.source is not None and flag.source.clause == "13.08.050" for flag in chosen.flags)
    # Before its first day nothing of it is read.
    assert selection.select(request, on=BEFORE, local=version) == selection.select(request, on=BEFORE)


def test_no_kind_is_admitted_that_the_state_does_not_admit_for_these_premises() -> None:
    # A state's row on a topic of premises, whichever has one.
    for book in index():
        state = in_force(book, ON)
        rows = [row for table in state.tables for row in table.admissions if row.topic == "premises" and row.premises]
        if rows and not state.by_category:
            row = rows[0]
            asked = {"purposes": list(row.purposes), "premises": [row.premises[0]], "kinds": ["avb", "rp", *row.kinds]}
            found = refusals(local(extends=book, premises=[entry(key="more", **asked)]))
            assert found["/premises/0/kinds"] == "local_kinds_more"
            return
    pytest.fail("no rulebook limits the kinds of a type of premises")


def test_a_notice_takes_the_place_of_the_step_of_its_code() -> None:
    version = local(notices=[notice(), notice(step="third", days=90)])
    rules.check_local(version)
    steps = with_local(default_steps(), stated_notices(version, ON))
    by_code = {step.step: step for step in steps}
    assert (by_code["due"].days, by_code["third"].days) == (-45, 90)
    assert by_code["due"].text == next(step.text for step in default_steps() if step.step == "due")
    assert [step.step for step in steps if step.step not in {"due", "third"}] == [
        step.step for step in default_steps() if step.step != "due"
    ]
    assert with_local(default_steps(), stated_notices(version, BEFORE)) == default_steps()


def test_the_effective_rulebook_says_who_states_each_value() -> None:
    found = rules.publish_effective(local(intervals=[interval()], notices=[notice()], premises=[premises()]), ON)
    assert [row["stated_by"] for row in found.intervals][:2] == ["utility", "authority"]
    assert found.notices[0]["source"]["provenance"] == "stated_by_utility"
    assert found.tables[0]["raises"][0]["stated_by"] == "utility"
    assert found.local is not None
    assert found.local.version == 1
    assert found.not_applied == []
    plain = rules.publish_effective("us-wa", ON)
    assert plain.local is None
    assert {row["stated_by"] for row in plain.criteria} == {"authority"}
    assert plain.digest == rules.publish("us-wa", ON).digest


def test_a_published_value_names_where_its_text_can_be_read() -> None:
    text = clause(provenance="published", url="https://alder-falls.example/code/13.08")
    version = local(limits=[limit(clause=text)])
    rules.check_local(version)
    source = rulebook(version, ON).cite(rulebook(version, ON).limit("report.due"))
    assert (source.provenance, source.url) == ("published", "https://alder-falls.example/code/13.08")


def test_a_rulebook_that_ends_leaves_the_state_alone_from_the_next_day() -> None:
    version = local(in_force_until="2026-12-31", intervals=[interval()])
    rules.check_local(version)
    for day, months in ((dt.date(2026, 12, 31), 6), (dt.date(2027, 1, 1), 12)):
        found = interval_for(rulebook(version, day), "health", "non_residential")
        assert found is not None
        assert found.months == months, day
    assert rulebook(version, dt.date(2027, 1, 1)).local is msgspec.UNSET


def test_a_utility_may_ask_for_a_test_after_an_event_that_the_state_leaves_out() -> None:
    state = rulebook("us-wa", ON)
    assert all(trigger.event != "reoccupancy" for trigger in state.triggers)
    version = local(triggers=[entry(event="reoccupancy", days=10), entry(event="incident", days=0)])
    rules.check_local(version)
    found = {trigger.event: trigger for trigger in rulebook(version, ON).triggers}
    assert (found["reoccupancy"].days, rulebook(version, ON).cite(found["reoccupancy"]).clause) == (10, "13.08.050")
    assert (found["incident"].days, rulebook(version, ON).cite(found["incident"]).provenance) == (0, "stated_by_utility")


def test_a_shorter_limit_in_another_unit_is_applied() -> None:
    # WAC 246-292-034: calibrated at least yearly, ±0.2 psi (from memory), which is 1.379 kPa.
    stated = [limit(name="gauge.calibration", at_most=6, unit="months"), limit(name="gauge.accuracy", at_most=1.37, unit="kPa")]
    version = local(limits=stated)
    rules.check_local(version)
    effective = rulebook(version, ON)
    assert (effective.limit("gauge.calibration").at_most, effective.limit("gauge.accuracy").unit) == (6, "kPa")


REPEATED = {"key": "repeat", "months": 6, "hazards": [], "failures": 2, "within_months": 24}


def test_an_interval_after_repeated_failures_is_a_utilitys_to_state() -> None:
    # WAC 246-290-490 (7)(b)(ii): "more frequently, if required by the purveyor"; nothing is laxer where the yearly test stays.
    version = local(intervals=[interval(**REPEATED)])
    rules.check_local(version)
    effective = rulebook(version, ON)
    failed = [dt.date(2025, 2, 1), dt.date(2026, 2, 1)]
    for days, months in (([], 12), (failed[:1], 12), (failed, 6)):
        found = interval_for(effective, "health", "non_residential", ON, days)
        assert found is not None
        assert found.months == months, days


@pytest.mark.parametrize(
    ("stated", "laxer"),
    [
        ({"months": 6}, False),
        ({"months": 9}, True),
        # An assembly that failed three times failed twice, and one that failed twice in 12 months failed so in 24.
        ({"months": 9, "failures": 3}, True),
        ({"months": 9, "within_months": 12}, True),
        # Two failures in 24 months need not be three in 36; three within 24 months are both.
        ({"months": 9, "failures": 3, "within_months": 36}, True),
        ({"months": 3, "failures": 3, "within_months": 12}, False),
    ],
)
def test_a_state_that_tests_repeat_failures_oftener_is_a_floor(stated: dict[str, Any], laxer: bool) -> None:  # noqa: FBT001 - the row's answer
    own = local(intervals=[interval(**{**REPEATED, **stated})])
    state = rulebook("us-wa", ON)
    yearly = state.intervals[0]
    repeat = msgspec.structs.replace(yearly, key="often", months=6, failures=2, within_months=24)
    state = msgspec.structs.replace(state, intervals=(repeat, *state.intervals))
    composed = compose(rulebook_data("us-wa"), state, own, ON, local_limits(), ())
    assert bool(composed.laxer) is laxer


def test_what_is_not_applied_is_said_in_a_sentence_with_the_clause() -> None:
    # A version that was stated before the state's rulebook became stricter.
    (found,) = not_applied(local(intervals=[interval(months=18)]), ON)
    assert found.startswith("intervals/0/months: ")
    assert "12 months (WAC 246-290-490" in found
    assert list(not_applied(local(intervals=[interval()]), ON)) == []


def test_a_deadline_of_the_same_key_takes_the_place_of_the_states() -> None:
    state = next(row for row in rulebook("us-wa", ON).deadlines if row.key == "health_left")
    version = local(deadlines=[deadline(key=state.key, hazards=list(state.hazards), acts_as=list(state.acts_as), days=7)])
    rules.check_local(version)
    (found,) = [row for row in rulebook(version, ON).deadlines if row.key == state.key]
    assert (state.days, found.days, rulebook(version, ON).cite(found).provenance) == (30, 7, "stated_by_utility")


# An invented ordinance in New South Wales, whose standard's acceptance figures were not read; the figures are the ordinance's alone.
OWN_RP = [
    entry(rule="rp.relief_valve.opened_at", at_least=15, unit="kPa"),
    entry(rule="rp.relief_valve.not_discharging"),
    entry(rule="rp.check_1.held_at", at_least=40, unit="kPa"),
    entry(rule="rp.check_2.held_at", at_least=8, unit="kPa"),
]


def report_in_kpa(check_2: float | None, kind: str = "rp", **more: Any) -> rules.Test:
    second = {"component": "check_2", "closed_tight": True, **({} if check_2 is None else {"held_at": check_2})}
    readings = [
        {"component": "check_1", "closed_tight": True, "held_at": 45},
        {"component": "relief_valve", "opened": True, "opened_at": 20},
        second,
    ]
    return msgspec.convert(
        {
            "rulebook": "au-nsw",
            "performed_at": "2026-06-01T09:00:00+10:00",
            "units": {"pressure": "kPa"},
            "assembly": {"kind": kind, "hazard": "health"},
            "gauge": {"accuracy": 1, "calibrated_on": "2026-01-01"},
            "tester": {"certificate": "1", "valid_from": "2025-01-01", "valid_until": "2027-01-01", "kinds": ["rp"]},
            "initial_test": {"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": readings},
            **more,
        },
        rules.Test,
    )


def test_where_the_authoritys_criteria_were_not_read_a_utility_states_its_own() -> None:
    version = local(extends="au-nsw", criteria=OWN_RP)
    rules.check_local(version)
    received = dt.datetime(2026, 6, 1, 17, tzinfo=dt.UTC)
    plain = rules.judge(report_in_kpa(9), received_at=received)
    assert (plain.outcome, plain.acceptance, {row.outcome for row in plain.findings}) == (
        "incomplete",
        "held",
        {"not_determined"},
    )
    for check_2, outcome in ((9, "pass"), (8, "pass"), (7.9, "fail"), (None, "incomplete")):
        verdict = rules.judge(report_in_kpa(check_2), received_at=received, local=version)
        assert verdict.outcome == outcome, check_2
        assert {row.source.provenance for row in verdict.findings} == {"stated_by_utility"}
        codes = {flag.code: flag.severity for flag in verdict.flags}
        assert codes["criteria_stated_by_utility"] == "note"
        assert "no_criteria" not in codes
        assert verdict.rulebook.local_version == 1
    assert rules.judge(report_in_kpa(9), received_at=received, local=version).acceptance == "accepted"
    # A part that was seen to leak does not have the minimum, and nobody's figure for another kind is guessed.
    leaking = report_in_kpa(
        9,
        initial_test={
            "shutoffs": {"inlet": "tight", "outlet": "tight"},
            "readings": [{"component": "check_1", "closed_tight": False}],
        },
    )
    assert rules.judge(leaking, received_at=received, local=version).outcome == "fail"
    detector = report_in_kpa(9, kind="rpda_ii")
    assert rules.judge(detector, received_at=received, local=version).outcome == "incomplete"
    assert "no_criteria" in {flag.code for flag in rules.judge(detector, received_at=received, local=version).flags}


def test_own_criteria_are_the_utilitys_and_the_authoritys_stay_unread() -> None:
    version = local(extends="au-nsw", criteria=OWN_RP)
    found = rules.publish_effective(version, ON)
    assert {row["stated_by"] for row in found.criteria} == {"utility"}
    assert {row["rule"] for row in found.criteria} >= {"rp.check_1.closed_tight", "rp.relief_valve.opened"}
    assert {tuple(row["kinds"]) for row in found.criteria} == {("rp", "rpda")}
    assert [row["subject"] for row in found.not_read if row["subject"] == "criteria"] == ["criteria"]
    assert [row["key"] for row in found.editions] == [row["key"] for row in rules.publish("au-nsw", ON).editions]


def test_a_kind_stated_in_part_is_refused_with_what_is_missing() -> None:
    with pytest.raises(rules.RulesError) as refused:
        rules.check_local(local(extends="gb", criteria=[entry(rule="pvb.check.held_at", at_least=7, unit="kPa")]))
    for rule in ("pvb.air_inlet.opened_at", "pvb.air_inlet.opened_fully", "pvb.air_inlet.not_spilling"):
        assert f"`{rule}`" in refused.value.message


def test_what_a_kind_can_do_without_is_judged_where_it_is_stated() -> None:
    buffer = entry(rule="rp.buffer", at_least=20, unit="kPa")
    version = local(extends="au-nsw", criteria=[*OWN_RP, buffer, entry(rule="rp.check_2.tight_against_backpressure")])
    rules.check_local(version)
    verdict = rules.judge(report_in_kpa(9), received_at=dt.datetime(2026, 6, 1, 17, tzinfo=dt.UTC), local=version)
    found = next(row for row in verdict.findings if row.rule == "rp.buffer")
    # 45 less 20 kPa.
    assert (found.outcome, found.observed, found.at_least) == ("met", 25, 20)
