"""Inspections of what is not field-tested, through POST /v1/rules/inspection: each rule with its source beside it, nothing taken for granted.

`published`: the text was read. `from memory`: remembered, or read as others quote it. `common practice`: no source.
"""

import datetime as dt
from typing import Any

import msgspec
import pytest

import rules
from rules.inspection import verdict as verdict_module
from tests.support.world import World

GAP: dict[str, Any] = {
    "air_gap": {"vertical_distance": 4, "effective_diameter": 2, "near_walls": 0},
    "unobstructed": True,
    "subject_to_submergence": False,
}
AVB: dict[str, Any] = {
    "height_above_highest_outlet": 6,
    "downstream_shutoff": False,
    "hours_under_pressure_per_day": 11,
    "orientation": "upright",
    "subject_to_submergence": False,
    "fire_line": False,
    "air_inlet_opens": True,
    "height_above_grade": 18,
}
LOOP: dict[str, Any] = {"height_above_highest_outlet": 420}  # 35 ft
CERTIFIED = {"certificate": "T-1", "valid_from": "2025-03-01", "valid_until": "2028-02-29"}


def inspect(world: World, installation: dict[str, Any], kind: str = "air_gap", **stated: Any) -> dict[str, Any]:
    document = {
        "rulebook": "us-wa",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": kind, "hazard": "health"},
        "units": {"length": "in"},
        "installation": installation,
        "inspector": CERTIFIED,
    }
    answer = world.client.post("/v1/rules/inspection", json=document | stated)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def finding(verdict: dict[str, Any], rule: str) -> dict[str, Any]:
    (found,) = [listed for listed in verdict["findings"] if listed["rule"] == rule]
    return dict(found)


def came_to(verdict: dict[str, Any]) -> tuple[str, str, str | None]:
    return verdict["outcome"], verdict["mechanical_protection"], verdict["acts_as"]


def without(facts: dict[str, Any], name: str) -> dict[str, Any]:
    return {fact: value for fact, value in facts.items() if fact != name}


# WAC 246-290-010 [published]: at least 2 diameters of the outlet and 1 in; near a wall (one within 3 diameters, two intersecting within 4)
# at least 3 diameters and 1½ in. ASME A112.1.2 [from memory] measures from the spout's inside edge and states the same 3 and 4 diameters.
# A gap that is too small may still break a siphon, or not: nobody can say, and after a failure the unknown acts as lost.
@pytest.mark.parametrize(
    ("gap", "least", "outcome", "protection"),
    [
        ({"vertical_distance": 4, "effective_diameter": 2, "near_walls": 0}, 4, "pass", "full"),
        ({"vertical_distance": 3.9, "effective_diameter": 2, "near_walls": 0}, 4, "fail", "unknown"),
        ({"vertical_distance": 1, "effective_diameter": 0.25, "near_walls": 0}, 1, "pass", "full"),
        ({"vertical_distance": 5.9, "effective_diameter": 2, "near_walls": 1, "wall_distance": 6}, 6, "fail", "unknown"),
        ({"vertical_distance": 6, "effective_diameter": 2, "near_walls": 2, "wall_distance": 8}, 6, "pass", "full"),
        ({"vertical_distance": 4, "effective_diameter": 2, "near_walls": 2, "wall_distance": 8.1}, 4, "pass", "full"),
        # No distance at all: the outlet stands in the water.
        ({"vertical_distance": 0, "effective_diameter": 2, "near_walls": 0}, 4, "fail", "lost"),
    ],
)
def test_an_air_gap_is_measured(world: World, gap: dict[str, Any], least: float, outcome: str, protection: str) -> None:
    verdict = inspect(world, GAP | {"air_gap": gap})
    found = finding(verdict, "air_gap.vertical_distance")
    assert (found["at_least"], found["observed"], found["unit"]) == (least, gap["vertical_distance"], "in")
    assert found["margin"] == pytest.approx(gap["vertical_distance"] - least)
    assert (found["source"]["clause"], found["source"]["provenance"]) == ("246-290-010, air gap", "published")
    assert came_to(verdict) == (outcome, protection, None if outcome == "pass" else "lost")


def test_the_same_gap_in_millimetres_is_judged_alike(world: World) -> None:
    # The inch is 25.4 mm (international agreement of 1959).
    gap = {"vertical_distance": 101.6, "effective_diameter": 50.8, "near_walls": 0}
    assert came_to(inspect(world, GAP | {"air_gap": gap}, units={"length": "mm"})) == ("pass", "full", None)
    short = gap | {"vertical_distance": 101.5}
    assert came_to(inspect(world, GAP | {"air_gap": short}, units={"length": "mm"})) == ("fail", "unknown", "lost")


# ASME A112.1.2 [from memory]: an *unobstructed* vertical distance through the free atmosphere. A hose that bridges it leaves no gap.
def test_a_bridged_gap_protects_nobody_however_large(world: World) -> None:
    verdict = inspect(world, GAP | {"unobstructed": False})
    assert came_to(verdict) == ("fail", "lost", "lost")
    assert finding(verdict, "air_gap.unobstructed")["source"]["provenance"] == "from_memory"
    assert [(one["code"], one["within_days"]) for one in verdict["actions"][:2]] == [
        ("isolate_at_once", 0),
        ("repair_and_retest", 0),
    ]


@pytest.mark.parametrize("missing", ["air_gap", "unobstructed"])
def test_what_was_not_measured_is_unknown_and_never_a_pass(world: World, missing: str) -> None:
    verdict = inspect(world, without(GAP, missing))
    assert came_to(verdict) == ("incomplete", "unknown", None)
    assert verdict["acceptance"] == "held"
    assert all(flag["pointer"].startswith(f"/installation/{missing}") for flag in verdict["flags"])
    assert [action["code"] for action in verdict["actions"]] == ["complete_the_test", "review_report", "file_report"]


# WAC 246-290-010 [published]: at least 1 in, whatever the diameter. An outlet at the rim or below it has no gap (ASME A112.1.2, from memory).
@pytest.mark.parametrize(
    ("distance", "came"),
    [(0, ("fail", "lost", "lost")), (0.9, ("fail", "unknown", "lost")), (1, ("incomplete", "unknown", None))],
)
def test_a_gap_below_the_fixed_distance_fails_whatever_the_diameter(
    world: World, distance: float, came: tuple[str, str, str | None]
) -> None:
    assert came_to(inspect(world, GAP | {"air_gap": {"vertical_distance": distance}})) == came


def test_no_distance_is_no_gap_even_where_no_figure_was_read(world: World) -> None:
    # EN 1717 family AC: its figure was not read; ASME A112.1.2 [from memory]: an air gap is a vertical distance.
    document = {
        "rulebook": "eu-en1717",
        "kind": "AC",
        "installation": {"air_gap": {"vertical_distance": 0}},
        "units": {"length": "mm"},
    }
    answer = world.client.post("/v1/rules/placement", json=document).json()
    assert finding(answer, "en_1717.air_gap.unread")["outcome"] == "not_met"


# OAR 333-061-0071(3) [published]: a bypass around an assembly has an assembly in it that protects as well. Of an air gap, a vacuum breaker
# or a loop the same is common practice, no source: water goes past whatever stands in the line.
@pytest.mark.parametrize(("kind", "facts"), [("air_gap", GAP), ("avb", AVB), ("barometric_loop", LOOP)])
def test_an_unprotected_bypass_fails_whatever_it_goes_around(world: World, kind: str, facts: dict[str, Any]) -> None:
    verdict = inspect(world, facts | {"bypass": "unprotected"}, kind)
    assert came_to(verdict) == ("fail", "unknown", "lost")
    assert finding(verdict, "inspected.bypass")["outcome"] == "not_met"
    for stated in ({"bypass": "none"}, {"bypass": "equal_assembly"}, {}):
        assert came_to(inspect(world, facts | stated, kind)) == ("pass", "full", None)


def test_a_summary_says_what_decides_whether_the_kind_is_approved(world: World) -> None:
    # An atmospheric vacuum breaker does not stop backpressure. Common practice, no source.
    assembly = {"kind": "avb", "hazard": "health", "purpose": "point_of_use"}
    summary = inspect(world, AVB, assembly=assembly)["summary"]
    assert "Whether this kind is approved here is unknown." in summary
    assert "`backpressure_possible` is not stated" in summary
    assert "passed its inspection: it protects the supply today." in summary


def test_a_gap_that_may_be_flooded_protects_today_and_fails(world: World) -> None:
    # Common practice, no source: what opens to the air stands where it cannot be submerged.
    verdict = inspect(world, GAP | {"subject_to_submergence": True})
    assert came_to(verdict) == ("fail", "degraded", "degraded")
    assert [(one["code"], one["within_days"]) for one in verdict["actions"][:1]] == [("repair_and_retest", 30)]
    # Whether it may be is not stated: it protects today, and the inspection is not complete.
    assert came_to(inspect(world, without(GAP, "subject_to_submergence"))) == ("incomplete", "full", None)


# Fort Worth city code [from memory]: at least 6 in above the highest outlet, at most 60 in above ground, no shutoff downstream, less than 12
# hours a day under pressure. ASSE 1001 [from memory]: at most 12 hours in 24; its air inlet opens as the pressure falls. Upright and not
# submerged: common practice, no source.
@pytest.mark.parametrize(
    ("rulebook", "rule", "facts", "mark", "protection"),
    [
        ("us-tx", "avb.height_above_highest_outlet", {"height_above_highest_outlet": 5.9}, "from_memory", "unknown"),
        ("us-tx", "avb.height_above_grade", {"height_above_grade": 61}, "from_memory", "full"),
        ("us-tx", "avb.downstream_shutoff", {"downstream_shutoff": True}, "from_memory", "unknown"),
        ("us-tx", "avb.hours_under_pressure", {"hours_under_pressure_per_day": 12}, "from_memory", "unknown"),
        ("us-wa", "avb.height_above_highest_outlet", {"height_above_highest_outlet": 5.9}, "common_practice", "unknown"),
        ("us-wa", "avb.downstream_shutoff", {"downstream_shutoff": True}, "common_practice", "unknown"),
        ("us-wa", "avb.hours_under_pressure", {"hours_under_pressure_per_day": 12.1}, "from_memory", "unknown"),
        ("us-or", "avb.air_inlet_opens", {"air_inlet_opens": False}, "from_memory", "lost"),
        ("us-or", "vacuum_breaker.upright", {"orientation": "inverted"}, "common_practice", "unknown"),
    ],
)
def test_an_atmospheric_vacuum_breaker_is_held_to_its_rules(  # noqa: PLR0917 - a row of the table
    world: World, rulebook: str, rule: str, facts: dict[str, Any], mark: str, protection: str
) -> None:
    good = inspect(world, AVB, "avb", rulebook=rulebook)
    assert (came_to(good), good["acceptance"]) == (("pass", "full", None), "accepted")
    assert finding(good, rule)["outcome"] == "met"
    bad = inspect(world, AVB | facts, "avb", rulebook=rulebook)
    assert (bad["outcome"], bad["mechanical_protection"]) == ("fail", protection)
    assert (finding(bad, rule)["outcome"], finding(bad, rule)["source"]["provenance"]) == ("not_met", mark)
    (name,) = facts
    open_fact = inspect(world, without(AVB, name), "avb", rulebook=rulebook)
    assert finding(open_fact, rule)["outcome"] == "not_determined"
    if protection != "full":
        assert came_to(open_fact) == ("incomplete", "unknown", None)


def test_a_vacuum_breaker_does_not_stop_backpressure(world: World) -> None:
    # trade.md section 3 and every plumbing code's table: an AVB cannot be subjected to backpressure.
    assembly = {"kind": "avb", "hazard": "health", "purpose": "point_of_use", "backpressure_possible": True}
    verdict = inspect(world, AVB, assembly=assembly)
    assert (verdict["outcome"], verdict["mechanical_protection"], verdict["protection"]) == ("pass", "full", "insufficient")
    assert verdict["suitable"] is False
    assert "replace_assembly" in {action["code"] for action in verdict["actions"]}


def test_a_barometric_loop_rises_35_feet(world: World) -> None:
    # A Kansas ordinance after the UPC [published]; no vacuum lifts water more than about 33.9 ft at sea level.
    assert came_to(inspect(world, LOOP, "barometric_loop")) == ("pass", "full", None)
    assert came_to(inspect(world, {"height_above_highest_outlet": 419}, "barometric_loop")) == ("fail", "unknown", "lost")


# WAC 246-290-490(7)(a)(ii) [from memory: as a city quotes it]: a BAT or a CCS inspects air gaps. Other rulebooks state nothing.
def test_only_a_clause_asks_for_a_certified_inspector(world: World) -> None:
    for inspector, acceptance, codes in (
        (CERTIFIED, "accepted", []),
        (CERTIFIED | {"valid_until": "2026-05-13"}, "refused", ["tester_not_certified"]),
        (CERTIFIED | {"valid_from": "2026-05-15"}, "refused", ["tester_not_certified"]),
        ({}, "held", ["tester_unknown"]),
    ):
        verdict = inspect(world, GAP, inspector=inspector)
        assert (verdict["acceptance"], [flag["code"] for flag in verdict["flags"]]) == (acceptance, codes)
        assert came_to(verdict) == ("pass", "full", None)
        assert inspect(world, GAP, inspector=inspector, rulebook="us-or")["acceptance"] == "accepted"


def test_a_certificate_that_is_only_common_practice_never_refuses(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    def by_custom(key: str, on: dt.date) -> rules.Rulebook:
        book = rules.rulebook(key, on)
        duties = tuple(msgspec.structs.replace(duty, provenance="common_practice") for duty in book.inspections)
        return msgspec.structs.replace(book, inspections=duties)

    monkeypatch.setattr(verdict_module, "rulebook", by_custom)
    for inspector in (CERTIFIED | {"valid_until": "2026-05-13"}, CERTIFIED | {"valid_from": "2026-05-15"}):
        verdict = inspect(world, GAP, inspector=inspector)
        assert (verdict["acceptance"], [flag["code"] for flag in verdict["flags"]]) == ("held", ["tester_not_certified"])


def test_a_refused_report_of_a_failure_orders_another_inspection(world: World) -> None:
    verdict = inspect(world, GAP | {"unobstructed": False}, inspector=CERTIFIED | {"valid_until": "2026-05-13"})
    assert (verdict["acceptance"], verdict["outcome"]) == ("refused", "fail")
    assert [action["code"] for action in verdict["actions"]] == ["isolate_at_once", "retest", "file_report"]


def test_a_report_dated_ahead_and_one_that_declares_otherwise(world: World) -> None:
    # RFC 7519 section 4.1.4 speaks of a few minutes' leeway; the world's clock shows noon of 1 June 2026 in Los Angeles.
    for moment, acceptance in (
        ("2026-06-01T12:04:00-07:00", "accepted"),
        ("2026-06-01T18:00:00-07:00", "held"),
        ("2026-06-03T12:00:00-07:00", "refused"),
    ):
        assert inspect(world, GAP, performed_at=moment)["acceptance"] == acceptance
    assert [flag["code"] for flag in inspect(world, GAP, declared="fail")["flags"]] == ["declared_outcome_differs"]
    assert inspect(world, GAP, declared="pass")["flags"] == []


# Ohio Adm. Code 3745-95-05 (published): severe: air gap. Whether a pollutional hazard is one to health was not read.
@pytest.mark.parametrize(
    ("word", "kind", "suitable", "codes"),
    [
        ("severe", "air_gap", True, {"hazard_class_acts_as"}),
        ("severe", "avb", False, {"hazard_class_acts_as", "kind_not_for_hazard"}),
        ("pollution", "air_gap", True, {"hazard_class_unclear"}),
    ],
)
def test_a_hazard_in_the_authoritys_own_word(world: World, word: str, kind: str, suitable: bool, codes: set[str]) -> None:  # noqa: FBT001
    stated = inspect(
        world, GAP if kind == "air_gap" else AVB, kind, rulebook="us-oh", assembly={"kind": kind, "hazard_class": word}
    )
    assert stated["suitable"] is suitable
    assert codes <= {flag["code"] for flag in stated["flags"]}
    assert ("assess_hazard" in {action["code"] for action in stated["actions"]}) is (word == "pollution")


def test_a_hazard_that_is_not_stated_or_not_the_rulebooks_is_refused(world: World) -> None:
    document = {"rulebook": "us-wa", "performed_at": "2026-05-14T09:20:00-07:00", "units": {"length": "in"}, "installation": GAP}
    for assembly, pointer in (({}, "/assembly/hazard"), ({"hazard_class": "moderate"}, "/assembly/hazard_class")):
        answer = world.client.post("/v1/rules/inspection", json=document | {"assembly": {"kind": "air_gap", **assembly}})
        assert (answer.status_code, [error["pointer"] for error in answer.json()["errors"]]) == (422, [pointer]), answer.text


@pytest.mark.parametrize(("rulebook", "kind"), [("au-nsw", "air_gap"), ("eu-en1717", "air_gap"), ("gb", "avb")])
def test_where_a_rulebook_has_no_rules_for_the_kind_nothing_is_judged(world: World, rulebook: str, kind: str) -> None:
    verdict = inspect(world, GAP, kind, rulebook=rulebook)
    assert came_to(verdict) == ("incomplete", "unknown", None)
    assert (verdict["findings"], verdict["acceptance"]) == ([], "held")
    assert [flag["code"] for flag in verdict["flags"]] == ["no_criteria"]


def test_what_is_field_tested_is_not_inspected_and_a_missing_unit_is_refused(world: World) -> None:
    document = {
        "rulebook": "us-wa",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": "rp", "hazard": "health"},
        "installation": GAP,
    }
    answer = world.client.post("/v1/rules/inspection", json=document)
    assert answer.status_code == 400
    assert {fault["pointer"] for fault in answer.json()["errors"]} == {"/assembly/kind", "/units"}


def test_the_catalogue_marks_what_is_inspected() -> None:
    marked = {entry.kind for entry in rules.catalogue().kinds if entry.inspected}
    assert marked == {"air_gap", "avb", "barometric_loop"}
    assert not any(entry.field_testable for entry in rules.catalogue().kinds if entry.inspected)
