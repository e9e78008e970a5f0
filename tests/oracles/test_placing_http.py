"""Placing, through POST /v1/rules/placement: each rule with its source beside it, and no fact taken for granted.

`published`: the text was read. `memory`: remembered from it. `common practice`: no source.
"""

from typing import Any

import pytest

from tests.support.world import World

GAP = {"vertical_distance": 2, "effective_diameter": 1, "near_walls": 0}
SOUND_RP: dict[str, Any] = {
    "height_above_grade": 12,
    "subject_to_submergence": False,
    "relief_drain": "air_gap",
    "relief_air_gap": GAP,
    "relief_drain_capacity": 120,
    "relief_discharge": 120,
    "room_for_testing": True,
    "clearance_all_round": 12,
    "clearance_testing_side": 24,
    "orientation": "horizontal",
    "bypass": "none",
    "closed_system": True,
    "thermal_expansion_provided": True,
    "freezing_exposure": False,
    "fire_line": False,
}
STATES = ["us-common", "us-wa", "us-or", "us-tx", "us-fl", "us-ca", "ca-bc", "us-nv"]


def place(world: World, rulebook: str, kind: str, installation: dict[str, Any], **stated: Any) -> dict[str, Any]:
    asked = {
        "rulebook": rulebook,
        "kind": kind,
        "installation": installation,
        "size": 2,
        "units": {"length": "in", "flow": "gpm"},
    }
    answer = world.client.post("/v1/rules/placement", json=asked | stated)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def finding(answer: dict[str, Any], rule: str) -> dict[str, Any]:
    (found,) = [listed for listed in answer["findings"] if listed["rule"] == rule]
    return dict(found)


@pytest.mark.parametrize("rulebook", STATES)
def test_an_installation_with_every_fact_right_is_met(world: World, rulebook: str) -> None:
    answer = place(world, rulebook, "rp", SOUND_RP)
    assert (answer["outcome"], answer["actions"]) == ("met", [])


@pytest.mark.parametrize("rulebook", STATES)
@pytest.mark.parametrize(
    "fact",
    [
        "height_above_grade",
        "subject_to_submergence",
        "relief_drain",
        "relief_air_gap",
        "relief_drain_capacity",
        "relief_discharge",
        "room_for_testing",
        "orientation",
        "bypass",
        "thermal_expansion_provided",
        "freezing_exposure",
    ],
)
def test_no_fact_that_a_rule_needs_is_taken_for_granted(world: World, rulebook: str, fact: str) -> None:
    answer = place(world, rulebook, "rp", {name: value for name, value in SOUND_RP.items() if name != fact})
    assert answer["outcome"] == "not_determined"
    named = {name.split(".")[0] for listed in answer["findings"] for name in listed.get("missing", [])}
    # Without the fact that it can freeze, whether it is protected is open too.
    assert named - {"freeze_protected"} == {fact}
    assert all(listed["outcome"] == "not_determined" for listed in answer["findings"] if listed.get("missing"))


# 30 TAC 344.50(b)(2)(B) [published]: drainage is provided for any water that may be discharged through the relief valve. A British
# Columbia municipality's guideline [published]: the drain takes a full failure of the relief valve, by the maker's flow curves.
@pytest.mark.parametrize(
    ("rulebook", "clause", "mark"),
    [("us-tx", "344.50(b)(2)(B)", "published"), ("ca-bc", "drainage", "published"), ("us-or", "drainage", "common_practice")],
)
def test_the_relief_drain_takes_the_largest_discharge(world: World, rulebook: str, clause: str, mark: str) -> None:
    for capacity, outcome in ((120, "met"), (119, "not_met")):
        answer = place(world, rulebook, "rp", SOUND_RP | {"relief_drain_capacity": capacity})
        found = finding(answer, "rp.relief_drain_size")
        assert (found["outcome"], found["at_least"], found["unit"], answer["outcome"]) == (outcome, 120, "gpm", outcome)
        assert (found["source"]["clause"], found["source"]["provenance"]) == (clause, mark)


# OAR 333-061-0071(1)(b) [published]: precludes continuous submersion of an assembly, and any submersion of an RP's relief valve.
# WAC 246-290-490(6)(b)(ii) [memory]: an assembly is not submerged by weather-related conditions. Elsewhere common practice.
SUBMERGENCE = {
    ("us-or", "rp"): ("rp.not_submerged", "333-061-0071(1)(b)", "published"),
    ("us-or", "dc"): ("assembly.not_submerged", "333-061-0071(1)(b)", "published"),
    ("us-or", "svb"): ("assembly.not_submerged", "333-061-0071(1)(b)", "published"),
    ("us-wa", "dcda"): ("assembly.not_submerged", "246-290-490(6)(b)(ii)", "from_memory"),
    ("us-wa", "pvb"): ("assembly.not_submerged", "246-290-490(6)(b)(ii)", "from_memory"),
    ("us-tx", "rpda"): ("rp.not_submerged", "344.50(b)(2)(A)", "published"),
    ("us-fl", "dc"): ("assembly.not_submerged", "submergence", "common_practice"),
    ("us-fl", "avb"): ("open.not_submerged", "submergence", "common_practice"),
    ("us-fl", "air_gap"): ("open.not_submerged", "submergence", "common_practice"),
    ("eu-en1717", "BA"): ("en_1717.not_submerged", "5.4, general requirements", "from_memory"),
}


@pytest.mark.parametrize(("rulebook", "kind"), SUBMERGENCE)
def test_every_kind_is_kept_out_of_water_where_the_rule_says_so(world: World, rulebook: str, kind: str) -> None:
    rule, clause, mark = SUBMERGENCE[rulebook, kind]
    for stated, outcome in ((False, "met"), (True, "not_met"), (None, "not_determined")):
        facts = {"submergence_never_continuous": False} | ({} if stated is None else {"subject_to_submergence": stated})
        found = finding(place(world, rulebook, kind, facts), rule)
        assert found["outcome"] == outcome
        assert (found["source"]["clause"], found["source"]["provenance"]) == (clause, mark)
        assert found.get("missing", []) == (["subject_to_submergence"] if stated is None else [])


# WAC 246-290-010 [published]: near a wall (one within 3 diameters, two within 4) 3 diameters and at least 1½ in. EN 1717, family A: nothing
# was read of walls, so near one the gap is not determined.
@pytest.mark.parametrize(
    ("rulebook", "kind", "rule", "beside_a_wall"),
    [
        ("us-wa", "air_gap", "air_gap.vertical_distance", "not_met"),
        ("us-fl", "rp", "rp.relief_air_gap", "not_met"),
        ("ca-bc", "rpda", "rp.relief_air_gap", "not_met"),
        ("eu-en1717", "AA", "en_1717.air_gap", "not_determined"),
        ("gb", "AB", "en_1717.air_gap", "not_determined"),
        ("eu-en1717", "AF", "en_1717.air_gap", "not_determined"),
        ("eu-en1717", "AG", "en_1717.air_gap", "not_determined"),
    ],
)
def test_the_wall_rule_holds_for_every_kind_of_air_gap(
    world: World, rulebook: str, kind: str, rule: str, beside_a_wall: str
) -> None:
    fact = "relief_air_gap" if rule == "rp.relief_air_gap" else "air_gap"
    gaps = {
        "met": GAP,
        beside_a_wall: GAP | {"near_walls": 1, "wall_distance": 2},
        "unknown": {"vertical_distance": 2, "effective_diameter": 1},
    }
    for expected, gap in gaps.items():
        found = finding(place(world, rulebook, kind, {fact: gap}), rule)
        assert found["outcome"] == ("not_determined" if expected == "unknown" else expected)
        if expected == "unknown":
            assert found["missing"] == [f"{fact}.near_walls"]


@pytest.mark.parametrize("kind", ["AC", "AD"])
def test_an_air_gap_whose_figure_was_not_read_is_never_met(world: World, kind: str) -> None:
    found = finding(place(world, "eu-en1717", kind, {"air_gap": GAP, "subject_to_submergence": False}), "en_1717.air_gap.unread")
    assert found["outcome"] == "not_determined"


# Clearances from the rulebook itself: 30 TAC 344.50(a) and OAR 333-061-0071(1)(a) [published] require room to test and print no figure;
# one Kansas utility's figures [published] are advice elsewhere: 6 in up to 2 in, 12 in and 24 in over 2 in.
@pytest.mark.parametrize(("rulebook", "clause"), [("us-tx", "344.50(a)"), ("us-or", "333-061-0071(1)(a)")])
def test_clearance_follows_the_rulebook_s_own_words(world: World, rulebook: str, clause: str) -> None:
    tight = place(world, rulebook, "rp", SOUND_RP | {"clearance_all_round": 5})
    advice = finding(tight, "clearance.all_round.small")
    assert (advice["outcome"], advice["advisory"], tight["outcome"]) == ("not_met", True, "met")
    assert [action["code"] for action in tight["actions"]] == ["consider"]
    none = place(world, rulebook, "rp", SOUND_RP | {"room_for_testing": False})
    found = finding(none, "assembly.room_for_testing")
    assert (found["outcome"], found["source"]["clause"], none["outcome"]) == ("not_met", clause, "not_met")


def test_a_rule_of_one_state_is_not_cited_in_another(world: World) -> None:
    # Each authority's clause is cited by its own rulebook alone; elsewhere the same rule is common practice.
    for rulebook, own in (("us-fl", "none"), ("us-wa", "WAC"), ("us-or", "OAR"), ("us-tx", "30 TAC")):
        answer = place(world, rulebook, "rp", SOUND_RP)
        cited = {listed["source"]["title"].split(" ")[0] for listed in answer["findings"] if not listed.get("advisory")}
        assert cited <= {"Common", own.split(" ")[0], "ASSE"}, cited


def test_a_type_ii_detector_is_placed_like_a_type_i(world: World) -> None:
    # ASSE 1047, Type II [memory].
    first, second = (place(world, "us-wa", kind, SOUND_RP | {"metered_bypass": True}) for kind in ("rpda", "rpda_ii"))
    assert first["findings"] == second["findings"]
    assert first["outcome"] == "met"
