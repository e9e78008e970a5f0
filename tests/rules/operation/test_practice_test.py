"""The field procedure on the model: condition → readings → verdict, and the verdict names the part that failed."""

import datetime as dt
from typing import Any

import msgspec
import pytest

from rules import Test, judge
from rules.errors import DocumentError
from rules.operation import PracticeTestAnswer, PracticeTestAsk, practice_test
from tests.rules.refusals import whole

UNITS = {"pressure": "psi", "length": "in"}
ALL_KINDS = ("rp", "rpda", "dc", "dcda", "pvb", "svb")


def run(kind: str, units: dict[str, str] | None = None, **ask: Any) -> PracticeTestAnswer:
    told = {"kind": kind, "units": units or UNITS, "line_pressure": 62, "seed": 7, **ask}
    return practice_test(msgspec.convert(told, PracticeTestAsk))


def readings(answer: PracticeTestAnswer) -> dict[str, Any]:
    """The readings by component, the bypass line's with its name before it."""
    told = msgspec.to_builtins(answer.initial_test)["readings"]
    return {("bypass " if one.get("line") == "bypass" else "") + one["component"]: one for one in told}


def verdict(answer: PracticeTestAnswer) -> Any:
    test = {
        "rulebook": "us-wa",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": answer.kind, "hazard": "health" if answer.kind in {"rp", "rpda", "pvb", "svb"} else "non_health"},
        "units": {"pressure": answer.units.pressure},
        "initial_test": msgspec.to_builtins(answer.initial_test),
    }
    return judge(msgspec.convert(test, Test), received_at=dt.datetime(2026, 5, 15, tzinfo=dt.UTC))


@pytest.mark.parametrize("kind", ALL_KINDS)
def test_a_new_assembly_passes(kind: str) -> None:
    judged = verdict(run(kind))
    assert judged.outcome == "pass"
    assert judged.initial.protection == "full"


FAILURES = [
    (kind, line, condition, component, protection)
    for kind, line in (
        ("rp", "main"),
        ("rpda", "main"),
        ("rpda", "bypass"),
        ("dc", "main"),
        ("dcda", "bypass"),
        ("pvb", "main"),
        ("svb", "main"),
    )
    for kinds, condition, component, protection in (
        ({"rp", "rpda"}, {"conditions": {"check_1": "leaking"}}, "check_1", "degraded"),
        ({"rp", "rpda"}, {"conditions": {"relief_valve": "stuck_closed"}}, "relief_valve", "degraded"),
        ({"rp", "rpda"}, {"loadings": {"relief_valve": 1.6}}, "relief_valve", "degraded"),
        ({"rp", "rpda"}, {"loadings": {"check_1": 4.2}}, "check_1", "degraded"),
        ({"rp", "rpda", "dc", "dcda"}, {"conditions": {"check_2": "stuck_open"}}, "check_2", "degraded"),
        ({"dc", "dcda"}, {"conditions": {"check_1": "leaking"}}, "check_1", "degraded"),
        ({"dc", "dcda"}, {"loadings": {"check_2": 0.6}}, "check_2", "degraded"),
        ({"pvb", "svb"}, {"conditions": {"check": "leaking"}}, "check", "degraded"),
        ({"pvb", "svb"}, {"loadings": {"check": 0.5}}, "check", "degraded"),
        ({"pvb", "svb"}, {"conditions": {"air_inlet": "stuck_closed"}}, "air_inlet", "degraded"),
        ({"pvb", "svb"}, {"loadings": {"air_inlet": 0.4}}, "air_inlet", "degraded"),
        ({"pvb", "svb"}, {"opens_fully": False}, "air_inlet", "degraded"),
    )
    if kind in kinds
]


@pytest.mark.parametrize(("kind", "line", "condition", "component", "protection"), FAILURES)
def test_the_round_trip_names_the_part_that_failed(kind: str, line: str, condition: Any, component: str, protection: str) -> None:
    judged = verdict(run(kind, **({"bypass": condition} if line == "bypass" else condition)))
    failed = {(finding.line, finding.component) for finding in judged.findings if finding.outcome == "not_met"}
    # A first check that leaks or holds little leaves no buffer over the relief valve: that names the relief valve's finding too.
    assert (line, component) in failed
    assert {one for _, one in failed} <= {component, "relief_valve"}
    assert judged.outcome == "fail"
    assert judged.initial.protection == protection
    assert component in {one.component for one in judged.diagnosis}


def test_both_parts_failed_are_a_lost_vacuum_breaker() -> None:
    judged = verdict(run("pvb", conditions={"check": "leaking", "air_inlet": "stuck_closed"}))
    assert judged.initial.protection == "lost"


def test_an_rp_with_a_leaking_check_and_a_stuck_relief_valve_reads_nothing() -> None:
    answer = run("rp", conditions={"check_1": "leaking", "relief_valve": "stuck_closed"})
    assert not readings(answer)["check_1"]["closed_tight"]
    assert readings(answer)["relief_valve"] == {"component": "relief_valve", "opened": False}
    assert any("does not answer" in step.seen for step in answer.steps)


def test_readings_are_what_the_springs_hold() -> None:
    answer = run("rp", loadings={"check_1": 6.4, "relief_valve": 2.3, "check_2": 1.2}, gauge={"resolution": 0.01, "scatter": 0})
    assert readings(answer)["check_1"]["held_at"] == pytest.approx(6.4)
    assert readings(answer)["relief_valve"]["opened_at"] == pytest.approx(2.3, abs=0.05)
    assert readings(answer)["check_2"]["held_at"] == pytest.approx(1.2)


def test_a_weeping_relief_valve_still_opens_at_its_spring() -> None:
    told = readings(run("rp", conditions={"relief_valve": "leaking"}))
    assert told["check_1"]["held_at"] == pytest.approx(7.0, abs=0.1)
    assert told["relief_valve"]["opened_at"] == pytest.approx(2.8, abs=0.1)


def test_a_relief_valve_stuck_open_gives_a_reading_that_no_sound_one_gives() -> None:
    answer = run("rp", conditions={"relief_valve": "stuck_open"})
    assert readings(answer)["relief_valve"]["opened_at"] >= readings(answer)["check_1"]["held_at"] > 10
    assert {"relief_opening_not_below_check_1", "impossible_reading"} & {flag.code for flag in verdict(answer).flags}


def test_a_leaking_inlet_shutoff_makes_a_double_check_read_high() -> None:
    # It can even hide a leaking check: why readings count for nothing until the shutoff is mended.
    sound, leaking = (readings(run("dc", shutoffs={"inlet": inlet})) for inlet in ("tight", "leaking"))
    assert leaking["check_1"]["held_at"] > sound["check_1"]["held_at"]
    hidden = readings(run("dc", shutoffs={"inlet": "leaking"}, conditions={"check_1": "leaking"}))
    assert hidden["check_1"]["closed_tight"]


def test_a_leaking_inlet_shutoff_needs_more_bleeding_before_an_air_inlet_lifts() -> None:
    told = readings(run("pvb", shutoffs={"inlet": "leaking", "outlet": "leaking"}))
    assert told["air_inlet"]["opened_at"] == pytest.approx(1.3, abs=0.1)


def test_a_gauge_held_below_reads_high_by_the_head_of_its_hose_and_not_over_two_hoses() -> None:
    # 27.7 in of water is 1 psi: common practice, no source.
    low = {"height_above_assembly": -27.7, "scatter": 0, "resolution": 0.01}
    assert readings(run("pvb", gauge=low))["check"]["held_at"] == pytest.approx(1.5 + 1.0, abs=0.02)
    assert readings(run("rp", gauge=low))["check_1"]["held_at"] == pytest.approx(7.0)


def test_a_gauges_error_is_in_every_reading() -> None:
    told = readings(run("dc", gauge={"error": -0.3, "scatter": 0}))
    assert told["check_1"]["held_at"] == pytest.approx(1.3)
    assert told["check_2"]["held_at"] == pytest.approx(1.2)


def test_a_hole_is_as_large_as_it_is_told() -> None:
    # A pinhole passes less than the relief valve's weep would: check 1 leaks all the same, for nothing holds a differential up.
    for diameter in (0.02, 0.5, 3.0):
        told = readings(run("rp", conditions={"check_1": "leaking"}, leaks={"check_1": diameter}))
        assert not told["check_1"]["closed_tight"]
    assert not readings(run("dc", conditions={"check_2": "leaking"}, leaks={"check_2": 0.1}))["check_2"]["closed_tight"]


def test_the_same_seed_gives_the_same_readings_and_another_seed_others() -> None:
    fine = {"scatter": 0.3, "resolution": 0.01}
    one, same, other = (msgspec.json.encode(run("rp", seed=seed, gauge=fine)) for seed in (1, 1, 2))
    assert one == same != other


def test_metric_gauges_read_in_their_own_steps() -> None:
    assert readings(run("dc", {"pressure": "kPa"}, line_pressure=430))["check_1"]["held_at"] == pytest.approx(11, abs=1)
    assert readings(run("dc", {"pressure": "bar"}, line_pressure=4.3))["check_1"]["held_at"] == pytest.approx(0.11, abs=0.01)


def test_every_step_says_what_is_done_and_why() -> None:
    for kind in ALL_KINDS:
        answer = run(kind)
        assert all(step.action.endswith(".") and step.reason.endswith(".") for step in answer.steps)
        lines = {step.line for step in answer.steps}
        assert lines == ({"main", "bypass"} if kind in {"rpda", "dcda"} else {"main"})


@pytest.mark.parametrize(("unit", "step"), [("psi", 0.1), ("kPa", 1.0), ("bar", 0.01)])
def test_a_gauge_is_read_to_the_step_of_a_common_dial(unit: str, step: float) -> None:
    # Common practice, no source: tenths of a psi, whole kPa, hundredths of a bar.
    told = [
        one[member] / step
        for kind in ALL_KINDS
        for seed in range(5)
        for one in readings(
            run(kind, {"pressure": unit, "length": "in"}, seed=seed, line_pressure={"psi": 62, "kPa": 430, "bar": 4.3}[unit])
        ).values()
        for member in ("held_at", "opened_at")
        if member in one
    ]
    assert len(told) > 50
    assert told == pytest.approx([round(one) for one in told], abs=1e-6)
    # And to no coarser one.
    assert any(round(one) % 2 for one in told)


@pytest.mark.parametrize(
    ("kind", "change", "pointer"),
    [
        ("rp", {"units": {"length": "in"}}, "/units/pressure"),
        ("rp", {"units": {"pressure": "psi"}, "gauge": {"height_above_assembly": 1}}, "/units/length"),
        ("rp", {"bypass": {}}, "/bypass"),
        ("rp", {"line_pressure": 14}, "/line_pressure"),
        ("rp", {"line_pressure": 151}, "/line_pressure"),
        ("rp", {"gauge": {"error": 6}}, "/gauge/error"),
        ("rp", {"conditions": {"check": "leaking"}}, "/conditions/check"),
        ("dcda", {"bypass": {"loadings": {"check_1": 40}}}, "/bypass/loadings/check_1"),
        ("dc", {"leaks": {"check_1": 0.1}}, "/leaks/check_1"),
        ("pvb", {"conditions": {"air_inlet": "leaking"}, "leaks": {"air_inlet": 0.1}}, "/leaks/air_inlet"),
        ("pvb", {"conditions": {"air_inlet": "stuck_open"}}, "/conditions/air_inlet"),
    ],
)
def test_what_does_not_belong_is_refused_where_it_stands(kind: str, change: Any, pointer: str) -> None:
    with pytest.raises(DocumentError) as refused:
        run(kind, **change)
    assert whole(refused.value).pointer == pointer
    if pointer.startswith(("/conditions/check", "/leaks")):
        assert pointer.rpartition("/")[2] in str(refused.value)
