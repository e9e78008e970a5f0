"""Any well-formed test gets a verdict or one of the errors that say why not: never a crash, and never a pass on what was not read."""

import datetime as dt
import re
from typing import Any

import msgspec
from hypothesis import given
from hypothesis import strategies as st

import rules

PRESSURES = st.floats(-100_000, 100_000) | st.integers(-3, 200).map(lambda tenths: tenths / 10)
DATES = st.dates()
LINES = st.sampled_from(["main", "bypass"])
HOW_OFTEN = st.sampled_from(["continuous", "intermittent"])


def some(required: dict[str, st.SearchStrategy[Any]], **optional: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(required, optional=optional)


READINGS = st.one_of(
    some(
        {"component": st.sampled_from(["check_1", "check_2"])},
        closed_tight=st.booleans(),
        held_at=PRESSURES,
        line=LINES,
        tight_against_backpressure=st.booleans(),
        fluctuated=st.booleans(),
    ),
    some({"component": st.just("check")}, closed_tight=st.booleans(), held_at=PRESSURES, line=LINES, fluctuated=st.booleans()),
    some(
        {"component": st.just("relief_valve")},
        opened=st.booleans(),
        opened_at=PRESSURES,
        line=LINES,
        discharging=HOW_OFTEN,
        fluctuated=st.booleans(),
    ),
    some(
        {"component": st.just("air_inlet")},
        opened=st.booleans(),
        opened_at=PRESSURES,
        opened_fully=st.booleans(),
        line=LINES,
        spilling=HOW_OFTEN,
    ),
)
SHUTOFF = st.sampled_from(["tight", "leaking", "leaking_no_flow_proved", "not_checked"])
PHASES = some(
    {"readings": st.lists(READINGS, max_size=8)},
    shutoffs=some({}, inlet=SHUTOFF, outlet=SHUTOFF),
    method=st.sampled_from(["one_hose", "two_hoses", "sight_tube", "duplex_gauge"]),
    procedure=st.just("P"),
    backpressure_present=st.booleans(),
    test_kit_fault=st.booleans(),
    bypass_meter_moved=st.booleans(),
)
KINDS = st.sampled_from(["rp", "rpda", "rpda_ii", "dc", "dcda", "dcda_ii", "pvb", "svb"])
TESTS = some(
    {
        "rulebook": st.sampled_from(rules.rulebook_ids()),
        "performed_at": st.datetimes(timezones=st.just(dt.timezone(dt.timedelta(hours=-7))))
        | st.just("2026-05-14T09:20:00-07:00"),
        "assembly": some(
            {"kind": KINDS, "hazard": st.sampled_from(["severe", "health", "non_health", "unknown"])},
            size=st.floats(0.1, 100),
            purpose=st.sampled_from(["premises_isolation", "point_of_use"]),
            backpressure_possible=st.booleans(),
            in_plant_air_gap=st.booleans(),
        ),
        "units": some({"pressure": st.sampled_from(["psi", "kPa", "bar"])}, length=st.sampled_from(["in", "ft", "mm", "m"])),
        "initial_test": PHASES,
    },
    line_pressure=PRESSURES,
    gauge=some(
        {},
        accuracy=st.floats(0, 100_000),
        resolution=st.floats(0, 100_000),
        calibrated_on=DATES,
        height_above_assembly=st.floats(-100_000, 100_000),
    ),
    tester=some({}, certificate=st.just("T"), kinds=st.lists(KINDS, max_size=3), valid_from=DATES, valid_until=DATES),
    repairs=st.lists(
        some(
            {"part": st.just("disc"), "action": st.just("cleaned")},
            component=st.sampled_from(["check_1", "relief_valve", "check_2", "check", "air_inlet"]),
            line=LINES,
        ),
        max_size=3,
    ),
    final_test=PHASES,
    declared=st.sampled_from(["pass", "fail", "incomplete"]),
)


@given(TESTS)
def test_anything_well_formed_is_answered(stated: dict[str, Any]) -> None:
    received = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
    document = msgspec.json.decode(msgspec.json.encode(stated), type=rules.Test)
    try:
        verdict = rules.judge(document, received_at=received)
    except (rules.NotInForceError, rules.DocumentError):
        return
    encoded = msgspec.json.encode(verdict)
    assert encoded == msgspec.json.encode(rules.judge(document, received_at=received))
    assert msgspec.json.encode(msgspec.json.decode(encoded, type=rules.Verdict)) == encoded
    for name, phase in (("initial", verdict.initial), ("final", verdict.final)):
        if phase is None:
            continue
        outcomes = {one.outcome for one in verdict.findings if one.phase == name}
        assert phase.outcome == ("fail" if "not_met" in outcomes else "incomplete" if "not_determined" in outcomes else "pass")
        # A pass rests on a finding for every part of every line.
        kind = rules.catalogue()[document.assembly.kind]
        judged = {(one.line, one.component) for one in verdict.findings if one.phase == name}
        assert {(line, part) for line in kind.lines for part in kind.components_on(line)} <= judged
        worst = [phase.mechanical_protection, *(["insufficient"] if verdict.suitable is False else [])]
        assert phase.protection == max(worst, key=["full", "degraded", "insufficient", "unknown", "lost"].index)
        assert (phase.acts_as is not None) == (phase.outcome == "fail")
    assert (verdict.acceptance == "refused") == any(one.severity == "refuse" for one in verdict.flags)
    reported_whole(document, verdict)


def reported_whole(document: rules.Test, verdict: rules.Verdict) -> None:
    """What is said is said in whole sentences, with its source, and what is to be done follows from what was found."""
    for text in (
        *(finding.message for finding in verdict.findings),
        *(flag.message for flag in verdict.flags),
        *(action.because for action in verdict.actions),
        *(cause.because for cause in verdict.diagnosis),
    ):
        assert text.endswith(".")
        assert "None" not in text.replace("None is on record.", "")
    assert not re.search(r"None|( at|\() and ", verdict.summary)
    sources = [*(finding.source for finding in verdict.findings), *(cause.source for cause in verdict.diagnosis)]
    assert all(source.title and source.clause for source in sources)
    of_last = [flag for flag in verdict.flags if verdict.final is None or not flag.pointer.startswith("/initial_test")]
    flagged = {flag.code for flag in of_last}
    last, hazard, refused = verdict.final or verdict.initial, document.assembly.hazard, verdict.acceptance == "refused"
    expected = {
        "isolate_at_once": last.acts_as == "lost" and hazard != "non_health",
        "retest": refused,
        "repair_and_retest": last.outcome == "fail" and not refused,
        # Nothing that a tester adds is judged where the criteria were not read.
        "complete_the_test": last.outcome == "incomplete" and not refused and "no_criteria" not in flagged,
        "check_test_kit": "test_kit_fault" in flagged,
        "repair_shutoff": "shutoff_leak_unreadable" in flagged,
        "shut_off_backpressure": "backpressure_present" in flagged,
        "level_gauge": "gauge_not_level" in flagged,
        "replace_assembly": verdict.suitable is False,
        "assess_hazard": hazard == "unknown",
        "review_report": verdict.acceptance == "held",
        "file_report": True,
    }
    assert [action.code for action in verdict.actions] == [code for code, due in expected.items() if due]
    for action in verdict.actions:
        # Whoever is given a day learns which rule gives it.
        assert action.within_days is msgspec.UNSET or action.source is not msgspec.UNSET
        assert action.code != "isolate_at_once" or action.within_days == 0
    for one in verdict.findings:
        read = one.observed
        if one.margin is not msgspec.UNSET and one.outcome != "not_determined":
            assert isinstance(read, float)
            assert isinstance(one.at_least, float)
            # At the minimum is a pass.
            above = one.rule == "rp.buffer" and one.at_least == 0
            assert (one.outcome == "met") == (read > one.at_least if above else read >= one.at_least)
            assert (read >= one.at_least) == (one.margin >= 0)
