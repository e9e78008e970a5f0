"""What a verdict says of protection and suitability, row by row, through POST /v1/rules/verdict.

A source stands beside each row. What is marked common practice has none.
"""

from typing import Any

import pytest

from rules.field_test.statements import protections
from rules.load import works
from rules.operation import LEAK_SIZES, OPERABLE_KINDS, parts_of, protected
from tests.support.world import World

LEAKED = {"closed_tight": False}
SHUT = {"opened": False}


def held(psi: float) -> dict[str, Any]:
    return {"closed_tight": True, "held_at": psi}


def opened(psi: float) -> dict[str, Any]:
    return {"opened": True, "opened_at": psi}


SOUND: dict[str, dict[str, dict[str, Any]]] = {
    "rp": {"relief_valve": opened(3.0), "check_1": held(8.0), "check_2": held(2.0)},
    "dc": {"check_1": held(1.9), "check_2": held(1.4)},
    "pvb": {"check": held(1.8), "air_inlet": opened(1.4) | {"opened_fully": True}},
}
SOUND |= {"svb": SOUND["pvb"], "rpda": SOUND["rp"], "dcda": SOUND["dc"]}
SOUND |= {f"{kind}_ii": SOUND[kind] | {"check": held(1.2)} for kind in ("rpda", "dcda")}


def judged(
    world: World,
    kind: str,
    changed: dict[str, dict[str, Any] | None] | None = None,
    *,
    line: str = "main",
    rulebook: str = "us-wa",
    certified: bool = True,
    shutoffs: dict[str, str] | None = None,
    **assembly: Any,
) -> dict[str, Any]:
    """The verdict on a sound assembly with some readings changed on one line (None: not read)."""
    readings = [
        {"component": component, "line": where} | reading
        for where in (("main", "bypass") if kind.endswith("da") else ("main",))
        for component, sound in SOUND[kind].items()
        if (reading := (changed or {}).get(component, sound) if where == line else sound) is not None
    ]
    if kind.endswith("_ii"):
        readings[-1]["line"] = "bypass"
    answer = world.client.post(
        "/v1/rules/verdict",
        json={
            "rulebook": rulebook,
            "performed_at": "2026-05-14T09:20:00-07:00",
            "units": {"pressure": "psi"},
            "assembly": {"kind": kind, "hazard": "health"} | assembly,
            "gauge": {"accuracy": 0.2, "resolution": 0.1, "calibrated_on": "2026-01-12"},
            "tester": {
                "certificate": "T-1",
                "kinds": ["rp", "dc", "pvb", "svb"],
                "valid_from": "2025-03-01",
                "valid_until": "2028-02-29" if certified else "2026-01-31",
            },
            "initial_test": {"shutoffs": {"inlet": "tight", "outlet": "tight"} | (shutoffs or {}), "readings": readings},
        },
    )
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def acts(verdict: dict[str, Any]) -> dict[str, int | None]:
    """What to do, and within how many days; filing the report aside."""
    return {action["code"]: action.get("within_days") for action in verdict["actions"] if action["code"] != "file_report"}


def protection(verdict: dict[str, Any]) -> tuple[str, str, str]:
    initial = verdict["initial"]
    return verdict["outcome"], initial["protection"], initial["mechanical_protection"]


AT_ONCE = {"isolate_at_once": 0, "repair_and_retest": 0}


@pytest.mark.parametrize("backpressure", [{}, {"backpressure_possible": True}, {"backpressure_possible": False}])
def test_an_rp_with_both_checks_leaking_and_a_working_relief_valve_is_unknown_and_acts_as_lost(
    world: World, backpressure: dict[str, Any]
) -> None:
    # Trade pages: protected while there is backpressure and inlet pressure; other conditions not read. Published.
    verdict = judged(world, "rp", {"check_1": LEAKED, "check_2": LEAKED}, **backpressure)
    assert protection(verdict) == ("fail", "unknown", "unknown")
    assert verdict["initial"]["acts_as"] == "lost"
    assert acts(verdict) == AT_ONCE
    assert [reason["source"]["provenance"] for reason in verdict["protection_reasons"]] == ["common_practice", "published"]
    assert "A field test does not show how large the leaks are" in verdict["protection_reasons"][1]["because"]
    lesser = judged(world, "rp", {"check_1": LEAKED, "check_2": LEAKED}, hazard="non_health")
    assert (protection(lesser), acts(lesser)) == (("fail", "unknown", "unknown"), {"repair_and_retest": 10})


@pytest.mark.parametrize(
    ("kind", "changed", "hazard", "left", "expected"),
    [
        # A check below its minimum that still seals does not leak and can still prevent backflow: a testers' association's article on
        # the double check. Published for the DC, common practice for the others.
        ("rp", {"check_1": held(4.9), "relief_valve": opened(1.9), "check_2": held(0.9)}, "health", "degraded", 30),
        ("dc", {"check_1": held(0.5), "check_2": held(0.5)}, "non_health", "degraded", 30),
        # One of two checks leaks: the other prevents backflow (USC Foundation, Cross Talk, on relief valve discharge). Published.
        ("dc", {"check_1": LEAKED}, "non_health", "degraded", 30),
        ("rp", {"check_1": LEAKED}, "health", "degraded", 30),
        # One leaked, the other below its minimum: 10 days. Common practice.
        ("dc", {"check_1": LEAKED, "check_2": held(0.5)}, "non_health", "degraded", 10),
        ("pvb", {"check": LEAKED, "air_inlet": opened(0.6) | {"opened_fully": True}}, "health", "degraded", 10),
        # Relief valve shut and one check left, whose failure nothing announces: degraded, with the deadline of lost at a health hazard.
        # Common practice.
        ("rp", {"relief_valve": SHUT, "check_2": LEAKED}, "health", "degraded", 0),
        ("rp", {"relief_valve": SHUT, "check_1": LEAKED}, "health", "degraded", 0),
        ("rp", {"relief_valve": SHUT, "check_1": LEAKED}, "non_health", "degraded", 30),
        # A vacuum breaker's check fouled, its air inlet opens: protected (trade pages). Published. The leak's size would decide otherwise.
        ("pvb", {"check": LEAKED}, "health", "degraded", 30),
        ("svb", {"check": LEAKED}, "health", "degraded", 30),
        ("pvb", {"air_inlet": SHUT}, "health", "degraded", 30),
    ],
)
def test_what_still_stops_backflow_is_degraded(
    world: World, *, kind: str, changed: dict[str, Any], hazard: str, left: str, expected: int
) -> None:
    verdict = judged(world, kind, changed, hazard=hazard)
    assert protection(verdict) == ("fail", left, left)
    assert acts(verdict) == {"repair_and_retest": expected}
    # A vacuum breaker stops backsiphonage alone, never backpressure. Common practice, no source.
    flow = "backsiphonage" if kind in ("pvb", "svb") else "backflow"
    assert f"it would still stop {flow} today" in verdict["summary"]


def test_no_part_is_said_to_protect_that_is_in_doubt_itself(world: World) -> None:
    # Common practice, no source: an inlet that opened late and not fully may admit no air, so that a fouled check is not made up for.
    inlet = {"opened": True, "opened_at": 0.5, "opened_fully": False}
    doubted = judged(world, "pvb", {"check": LEAKED, "air_inlet": inlet})
    assert protection(doubted)[1:] == ("unknown", "unknown")
    assert not any("still protects" in reason["because"] for reason in doubted["protection_reasons"])
    sound = judged(world, "pvb", {"check": LEAKED})
    assert any("still protects" in reason["because"] for reason in sound["protection_reasons"])


@pytest.mark.parametrize(
    ("kind", "changed", "left"),
    [
        # Both failed: none (description of a spill-resistant vacuum breaker). Published.
        ("pvb", {"check": LEAKED, "air_inlet": SHUT}, "lost"),
        ("rp", {"check_1": LEAKED, "relief_valve": SHUT, "check_2": LEAKED}, "lost"),
        # An air inlet that does not open fully beside a check that leaks; a number that the gauge cannot distinguish from zero. Common practice.
        ("pvb", {"check": LEAKED, "air_inlet": opened(1.4) | {"opened_fully": False}}, "unknown"),
        ("pvb", {"check": LEAKED, "air_inlet": opened(0.1) | {"opened_fully": True}}, "unknown"),
        # One check leaked and the other not read: a failure was seen, and nobody can say what is left.
        ("rp", {"check_1": LEAKED, "check_2": None}, "unknown"),
    ],
)
def test_what_is_lost_or_unknown_after_a_failure_is_isolated_at_a_health_hazard(
    world: World, kind: str, changed: dict[str, Any], left: str
) -> None:
    verdict = judged(world, kind, changed)
    assert protection(verdict) == ("fail", left, left)
    assert acts(verdict) == AT_ONCE | ({"review_report": None} if None in changed.values() else {})


def test_an_unread_part_that_could_not_change_the_answer_leaves_it_known(world: World) -> None:
    # With check 2 sound an RP stops backflow, whatever its relief valve does (the matrix).
    verdict = judged(world, "rp", {"check_1": LEAKED, "relief_valve": None})
    assert (protection(verdict), acts(verdict)["repair_and_retest"]) == (("fail", "degraded", "degraded"), 30)


@pytest.mark.parametrize(("hazard", "days"), [("severe", 10), ("health", 10), ("non_health", 30), ("unknown", 10)])
def test_a_test_that_is_merely_incomplete_never_isolates(world: World, hazard: str, days: int) -> None:
    # An unticked box must not shut off a hospital: 10 days, 30 for a non-health hazard. Common practice.
    verdict = judged(world, "rp", {"relief_valve": None}, hazard=hazard)
    assert (verdict["outcome"], verdict["initial"]["mechanical_protection"]) == ("incomplete", "unknown")
    assert verdict["initial"]["acts_as"] is None
    assert acts(verdict)["complete_the_test"] == days
    assert not {"isolate_at_once", "repair_and_retest"} & set(acts(verdict))


# A detector's Type II bypass has one check, and its line is main check 1 (with the relief valve), then that check (ASSE 1047 and 1048, from
# memory).
@pytest.mark.parametrize(
    ("kind", "changed", "bypass", "hazard", "shown", "todo"),
    [
        ("rpda_ii", {}, held(1.2), "health", ("pass", "full", "full"), {}),
        ("dcda_ii", {}, held(1.2), "non_health", ("pass", "full", "full"), {}),
        # At least 1.0 psi (from memory).
        ("dcda_ii", {}, held(0.9), "non_health", ("fail", "degraded", "degraded"), {"repair_and_retest": 30}),
        ("dcda_ii", {}, LEAKED, "non_health", ("fail", "degraded", "degraded"), {"repair_and_retest": 30}),
        ("dcda_ii", {"check_1": LEAKED}, LEAKED, "non_health", ("fail", "lost", "lost"), {"repair_and_retest": 10}),
        ("dcda_ii", {"check_2": LEAKED}, LEAKED, "non_health", ("fail", "degraded", "degraded"), {"repair_and_retest": 30}),
        ("dcda_ii", {}, held(1.2), "health", ("pass", "insufficient", "full"), {"replace_assembly": None}),
        ("rpda_ii", {"check_1": LEAKED}, LEAKED, "health", ("fail", "unknown", "unknown"), AT_ONCE),
        ("rpda_ii", {"relief_valve": SHUT}, LEAKED, "health", ("fail", "degraded", "degraded"), {"repair_and_retest": 0}),
    ],
)
def test_a_type_ii_detector_is_judged_with_its_bypass_check_beside_main_check_2(
    world: World,
    *,
    kind: str,
    changed: dict[str, Any],
    bypass: dict[str, Any],
    hazard: str,
    shown: tuple[str, str, str],
    todo: dict[str, Any],
) -> None:
    verdict = judged(world, kind, changed | {"check": bypass}, hazard=hazard)
    assert (protection(verdict), acts(verdict)) == (shown, todo)


def test_a_relief_valve_that_discharges_all_the_time_fails_and_protects_meanwhile(world: World) -> None:
    # Trade pages: it still protects while it discharges. Published.
    verdict = judged(world, "rp", {"relief_valve": {"discharging": "continuous"}})
    assert protection(verdict) == ("fail", "degraded", "degraded")
    assert [cause["component"] for cause in verdict["diagnosis"]] == ["check_1", "relief_valve", "check_2"]


def test_a_relief_valve_that_did_not_open_beside_a_leaking_no_2_shutoff_is_not_determined(world: World) -> None:
    # A leaking No. 2 shutoff by itself keeps the zone up: compensate, or repair the shutoff, then test (a test-kit manual). Published.
    verdict = judged(world, "rp", {"relief_valve": SHUT}, shutoffs={"outlet": "leaking"})
    assert (verdict["outcome"], verdict["initial"]["acts_as"]) == ("incomplete", None)
    assert {"complete_the_test", "repair_shutoff"} <= set(acts(verdict))
    assert not {"isolate_at_once", "repair_and_retest"} & set(acts(verdict))


@pytest.mark.parametrize(("kind", "line"), [("rpda", "main"), ("rpda", "bypass"), ("dcda", "main"), ("dcda", "bypass")])
def test_the_worse_line_of_a_type_i_detector_decides(world: World, kind: str, line: str) -> None:
    # A detector's bypass parallels the main: each is a full line (ASSE 1047 and 1048, from memory).
    verdict = judged(world, kind, {"check_1": LEAKED, "check_2": LEAKED}, line=line, hazard="non_health")
    assert protection(verdict)[1] == ("unknown" if kind == "rpda" else "lost")
    assert acts(verdict) == {"repair_and_retest": 10}


def test_a_fair_test_of_a_dc_before_a_health_hazard_is_accepted_and_its_protection_insufficient(world: World) -> None:
    # WAC 246-290-490(4)(a), table of methods: a high health hazard needs an air gap, RP or RPDA. Published.
    verdict = judged(world, "dc")
    assert protection(verdict) == ("pass", "insufficient", "full")
    assert (verdict["acceptance"], verdict["suitable"]) == ("accepted", False)
    assert verdict["suitability"]["source"] == {
        "title": "WAC 246-290-490, Cross-connection control",
        "clause": "246-290-490(4)(a), table of methods",
        "provenance": "published",
    }
    assert {"rp", "air_gap"} <= set(verdict["suitability"]["serves"])
    assert "dc" not in verdict["suitability"]["serves"]
    assert acts(verdict) == {"replace_assembly": None}
    [replace] = [action for action in verdict["actions"] if action["code"] == "replace_assembly"]
    assert "reduced pressure principle assembly" in replace["because"]
    assert "air gap" in replace["because"]
    assert "not approved for this hazard" in verdict["summary"]
    assert [(flag["code"], flag["severity"]) for flag in verdict["flags"]] == [("kind_not_for_hazard", "note")]
    low = judged(world, "dc", hazard="non_health")
    assert (protection(low), low["suitable"], acts(low)) == (("pass", "full", "full"), True, {})


@pytest.mark.parametrize(
    ("kind", "changed", "shown", "mechanical", "days"),
    [
        ("dc", {"check_1": LEAKED}, "insufficient", "degraded", 30),
        ("dc", {"check_1": LEAKED, "check_2": LEAKED}, "lost", "lost", 0),
        ("dc", {"check_1": LEAKED, "check_2": None}, "unknown", "unknown", 0),
    ],
)
def test_the_worst_is_shown_and_deadlines_follow_the_mechanical_value(
    world: World, *, kind: str, changed: dict[str, Any], shown: str, mechanical: str, days: int
) -> None:
    verdict = judged(world, kind, changed)
    assert protection(verdict) == ("fail", shown, mechanical)
    assert acts(verdict)["repair_and_retest"] == days
    assert "replace_assembly" in acts(verdict)


@pytest.mark.parametrize(
    ("rulebook", "facts", "suitable", "said"),
    [
        # WAC 246-290-490(4)(b)(ii): an air gap, or an RP together with an in-plant air gap. Published.
        ("us-wa", {}, False, "None is on record."),
        ("us-wa", {"in_plant_air_gap": False}, False, "None is on record."),
        ("us-wa", {"in_plant_air_gap": True}, True, "air gap"),
        # Elsewhere a severe hazard is kept apart by an air gap. Common practice.
        ("us-common", {"in_plant_air_gap": True}, False, "air gap"),
        ("us-tx", {}, False, "air gap"),
    ],
)
@pytest.mark.parametrize("kind", ["rp", "rpda"])
def test_an_rp_before_a_severe_hazard_needs_what_the_rulebook_requires(
    world: World, kind: str, rulebook: str, facts: dict[str, Any], *, suitable: bool, said: str
) -> None:
    verdict = judged(world, kind, rulebook=rulebook, hazard="severe", **facts)
    assert verdict["suitable"] is suitable
    assert protection(verdict) == ("pass", "full" if suitable else "insufficient", "full")
    assert said in verdict["suitability"]["because"]
    assert set(acts(verdict)) == (set() if suitable else {"replace_assembly"})
    assert verdict["acceptance"] == "accepted"


@pytest.mark.parametrize(
    ("facts", "suitable", "missing"),
    [
        ({}, None, ["purpose"]),
        ({"purpose": "point_of_use"}, None, ["backpressure_possible"]),
        ({"purpose": "point_of_use", "backpressure_possible": False}, True, []),
        # A vacuum breaker guards against backsiphonage only: NAC 445A.6625. Published.
        ({"purpose": "point_of_use", "backpressure_possible": True}, False, []),
        ({"purpose": "premises_isolation"}, False, []),
    ],
)
def test_a_vacuum_breaker_is_suitable_by_the_facts_that_are_stated(
    world: World,
    *,
    facts: dict[str, Any],
    suitable: bool | None,
    missing: list[str],
) -> None:
    verdict = judged(world, "pvb", **facts)
    assert (verdict["suitable"], verdict["suitability"]["missing"][:1]) == (suitable, missing)
    assert protection(verdict) == ("pass", "insufficient" if suitable is False else "full", "full")
    assert all(name in verdict["suitability"]["because"] for name in missing)


def test_an_unknown_hazard_has_the_deadlines_of_a_health_hazard_and_is_assessed(world: World) -> None:
    # Common practice.
    verdict = judged(world, "dc", {"check_1": LEAKED, "check_2": LEAKED}, hazard="unknown")
    assert (verdict["suitable"], protection(verdict)) == (None, ("fail", "lost", "lost"))
    assert acts(verdict) == AT_ONCE | {"assess_hazard": None}
    assert "hazard is not assessed" in verdict["summary"]


def test_a_refused_failing_report_orders_a_retest_and_no_repair(world: World) -> None:
    # A certificate that is known to be expired refuses; the failure is a warning all the same. Common practice.
    verdict = judged(world, "rp", {"check_1": LEAKED, "check_2": LEAKED}, certified=False)
    assert (verdict["acceptance"], verdict["outcome"]) == ("refused", "fail")
    assert acts(verdict) == {"isolate_at_once": 0, "retest": 0}
    [retest] = [action for action in verdict["actions"] if action["code"] == "retest"]
    assert "certified tester" in retest["because"]
    lesser = judged(world, "rp", {"check_1": LEAKED}, certified=False)
    assert acts(lesser) == {"retest": 30}
    passed = judged(world, "rp", certified=False)
    assert acts(passed) == {"retest": None}


def test_check_2_fouled_under_backsiphonage_is_said_to_drain_the_building(world: World) -> None:
    # Trade pages, second check fouled open: the supply is protected, the building drains out of the relief valve. Published.
    verdict = judged(world, "rp", {"check_2": LEAKED})
    reasons = [reason["because"] for reason in verdict["protection_reasons"]]
    assert any("the building drains out of the relief valve" in because for because in reasons)
    other = judged(world, "rp", {"check_1": LEAKED})
    assert not any("building drains" in reason["because"] for reason in other["protection_reasons"])


@pytest.mark.parametrize(
    ("kind", "facts", "said"),
    [
        ("rp", {}, "does not state whether backpressure can occur here"),
        ("rp", {"backpressure_possible": True}, "backsiphonage, backpressure and both at once."),
        ("rp", {"backpressure_possible": False}, "backpressure cannot occur"),
        ("pvb", {}, "the only mechanism that this kind guards against"),
    ],
)
def test_the_verdict_says_against_what_its_protection_is_computed(
    world: World, kind: str, facts: dict[str, Any], said: str
) -> None:
    assert said in judged(world, kind, **facts)["protection_reasons"][0]["because"]


def test_a_stricter_local_minimum_fails_an_assembly_whose_parts_all_work(world: World) -> None:
    # Canadian forms require a buffer of 3 psi. Published.
    verdict = judged(world, "rp", {"check_1": held(5.4)}, rulebook="ca-bc")
    assert (protection(verdict), verdict["initial"]["acts_as"]) == (("fail", "full", "full"), "full")
    assert acts(verdict) == {"repair_and_retest": 30}


def test_each_statement_agrees_with_the_matrix_or_settles_what_the_size_of_the_leak_would_decide() -> None:
    settled = []
    for row in protections().statements:
        assert row.source in works()
        for kind in row.kinds:
            assert kind in OPERABLE_KINDS
            assert set(row.failed) | set(row.weak) <= {*parts_of(kind), "check"}
            computed = {
                protected(kind, frozenset(row.failed), mechanism, leak) for mechanism in row.against for leak in LEAK_SIZES
            }
            if computed == {True, False}:
                settled.append((kind, row.failed, row.protection))
            else:
                assert computed == {row.protection == "degraded"}, (kind, row.failed)
    assert settled == [
        *((kind, ("check_1", "check_2"), "unknown") for kind in ("rp", "rpda", "rpda_ii")),
        ("rpda_ii", ("check_1", "check"), "unknown"),
        ("rpda_ii", ("check_1", "check_2", "check"), "unknown"),
        *((kind, ("check",), "degraded") for kind in ("pvb", "svb")),
    ]
