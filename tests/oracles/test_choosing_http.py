"""Choosing, through POST /v1/rules/selection: each sentence of the trade with its source beside it.

`published`: the text was read. `memory`: remembered from it. `common practice`: no source.
"""

from typing import Any

import pytest

from rules.selection.tables import index
from tests.support.world import World

PLAIN = {"backpressure_possible": False, "continuous_pressure": False, "purpose": "premises_isolation"}
SURVEY = {"surveyed_on": "2026-05-20", "cross_connection_found": False}
BY_CATEGORY = ("eu-en1717", "gb")
BY_HAZARD = sorted(set(index()) - set(BY_CATEGORY))


def choose(world: World, rulebook: str, **stated: Any) -> dict[str, Any]:
    answer = world.client.post("/v1/rules/selection", json={"rulebook": rulebook} | PLAIN | stated)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def kind_of(answer: dict[str, Any], kind: str) -> dict[str, Any]:
    (found,) = [listed for listed in answer["kinds"] if listed["kind"] == kind]
    return dict(found)


def reason_of(answer: dict[str, Any], kind: str, rule: str) -> dict[str, Any]:
    (found,) = [reason for reason in kind_of(answer, kind)["reasons"] if reason["rule"] == rule]
    return dict(found)


# A type of premises raises the hazard under every rulebook. WAC 246-290-490, Table 13, and 30 TAC 290.47, in reprints [memory];
# elsewhere common practice: car washes, hospitals, laboratories, laundries and the like are a health hazard.
@pytest.mark.parametrize("rulebook", BY_HAZARD)
@pytest.mark.parametrize(
    "premises", ["car_wash", "medical", "laboratory", "laundry_dry_cleaner", "piers_and_docks", "agricultural"]
)
def test_premises_raise_the_hazard_under_every_rulebook_and_a_lower_one_is_a_contradiction(
    world: World, rulebook: str, premises: str
) -> None:
    answer = choose(world, rulebook, hazard="non_health", premises=premises)
    assert (answer["hazard"]["stated"], answer["hazard"]["applied"]) == ("non_health", "health")
    (flag,) = answer["flags"]
    assert (flag["code"], flag["pointer"]) == ("hazard_below_premises", "/hazard")
    assert "The stricter hazard was applied" in flag["message"]
    assert flag["source"]["provenance"] == {"us-wa": "from_memory", "us-tx": "from_memory"}.get(rulebook, "common_practice")
    assert {"dc", "dcda", "dual_check"} & set(answer["recommended"]) == set()
    assert "rp" in answer["recommended"]


# The United Kingdom's guidance [memory] puts hospitals, mortuaries and laboratories in fluid category 5, car washes and commercial
# laundries in 4; EN 1717's definitions of the categories [memory], applied by common practice, say the same of them.
@pytest.mark.parametrize("rulebook", BY_CATEGORY)
@pytest.mark.parametrize(("premises", "category"), [("medical", 5), ("mortuary", 5), ("car_wash", 4), ("fire_line", 2)])
def test_premises_raise_the_fluid_category_too(world: World, rulebook: str, premises: str, category: int) -> None:
    answer = choose(world, rulebook, fluid_category=1, premises=premises)
    assert (answer["hazard"]["stated"], answer["hazard"]["applied"]) == (1, category)
    assert [flag["code"] for flag in answer["flags"]] == ["hazard_below_premises"]
    assert choose(world, rulebook, fluid_category=5, premises=premises)["flags"] == []


# WAC 246-290-490(4)(b)(ii) [published]: an approved air gap, or an RPBA or RPDA in combination with an in-plant approved air gap.
@pytest.mark.parametrize(
    ("in_plant", "recommended", "outcome"),
    [
        (True, ["air_gap", "rp", "rpda"], "met"),
        (False, ["air_gap"], "not_met"),
        (None, ["air_gap"], "not_determined"),
    ],
)
def test_at_a_severe_hazard_in_washington_the_air_gap_comes_first(
    world: World, *, in_plant: bool | None, recommended: list[str], outcome: str
) -> None:
    stated = {} if in_plant is None else {"in_plant_air_gap": in_plant}
    answer = choose(world, "us-wa", hazard="severe", **stated)
    assert answer["recommended"] == recommended
    assert answer["kinds"][0]["kind"] == "air_gap"
    assert answer["summary"].startswith("The first choice is the air gap (air_gap).")
    assert "an RP or RPDA qualifies only together with an approved in-plant air gap" in answer["summary"]
    reason = reason_of(answer, "rp", "wac.severe.in_plant_air_gap")
    assert (reason["outcome"], reason["source"]["clause"]) == (outcome, "246-290-490(4)(b)(ii)(B)")
    assert ("in_plant_air_gap" in answer["not_stated"]) == (in_plant is None)


# Irrigation: UPC 603.5.6 [memory]: AVB, PVB, SVB or RP. A DC by 30 TAC 344.50(c), NAC 445A.67205(2)(a), and Washington's low hazard in
# WAC 246-290-490(4)(a) [published], WAC 51-56-0600 603.5.6 [memory]. A residential dual check nowhere.
IRRIGATION = {
    ("us-common", "point_of_use"): ["avb", "pvb", "svb", "rp", "air_gap"],
    ("us-or", "point_of_use"): ["avb", "pvb", "svb", "rp", "air_gap"],
    ("us-fl", "point_of_use"): ["avb", "pvb", "svb", "rp", "air_gap"],
    ("us-ca", "point_of_use"): ["avb", "pvb", "svb", "rp", "air_gap"],
    ("ca-bc", "point_of_use"): ["avb", "pvb", "svb", "rp", "air_gap"],
    ("us-tx", "point_of_use"): ["pvb", "svb", "dc", "rp", "air_gap"],
    ("us-nv", "point_of_use"): ["pvb", "dc", "rp", "air_gap"],
    ("us-wa", "point_of_use"): ["avb", "pvb", "svb", "dc", "rp", "air_gap"],
    ("us-wa", "premises_isolation"): ["dc", "dcda", "rp", "rpda", "air_gap"],
    ("us-common", "premises_isolation"): ["rp", "air_gap"],
}


@pytest.mark.parametrize(("rulebook", "purpose"), IRRIGATION)
def test_irrigation_without_a_health_hazard(world: World, rulebook: str, purpose: str) -> None:
    answer = choose(world, rulebook, hazard="non_health", premises="irrigation", purpose=purpose, hose_connection=True)
    assert answer["recommended"] == IRRIGATION[rulebook, purpose]


@pytest.mark.parametrize("rulebook", BY_HAZARD)
@pytest.mark.parametrize("premises", ["irrigation", "irrigation_separate_meter", "irrigation_chemical_injection"])
@pytest.mark.parametrize("purpose", ["premises_isolation", "point_of_use"])
def test_a_dual_check_never_serves_irrigation_and_only_an_rp_or_air_gap_serves_chemicals(
    world: World, rulebook: str, premises: str, purpose: str
) -> None:
    answer = choose(world, rulebook, hazard="non_health", premises=premises, purpose=purpose)
    assert {"dual_check", "dual_check_vented", "hose_connection_vb"} & set(answer["recommended"]) == set()
    if (
        premises == "irrigation_chemical_injection"
    ):  # 30 TAC 344.51(a), NAC 445A.67205(2)(b) [published]; common practice elsewhere.
        assert set(answer["recommended"]) <= {"rp", "rpda", "air_gap"}
        assert "rp" in answer["recommended"]


# A hose connection vacuum breaker serves a hose connection: common practice; ASSE 1011's own title [memory].
@pytest.mark.parametrize(("stated", "outcome"), [(True, "met"), (False, "not_met"), (None, "not_determined")])
def test_a_hose_connection_device_serves_a_hose_connection_only(world: World, *, stated: bool | None, outcome: str) -> None:
    fact = {} if stated is None else {"hose_connection": stated}
    answer = choose(world, "us-common", hazard="health", purpose="point_of_use", **fact)
    reason = reason_of(answer, "hose_connection_vb", "common.hose_connection")
    assert (reason["outcome"], reason["holds"]) == (outcome, outcome == "met")
    assert ("hose_connection_vb" in answer["recommended"]) == (outcome == "met")
    assert ("hose_connection" in answer["not_stated"]) == (stated is None)


# "No assembly is needed": only where a dated survey found no cross-connection and the rulebook requires none. Common practice; Texas by
# 30 TAC 290.44(h)(1) in a city's reprint [memory].
@pytest.mark.parametrize("rulebook", sorted(set(BY_HAZARD) - {"us-nv"}))
def test_a_survey_of_premises_that_need_no_protection_leaves_the_assembly_out(world: World, rulebook: str) -> None:
    answer = choose(world, rulebook, hazard="none", premises="office", survey=SURVEY)
    assert (answer["outcome"], answer["recommended"], answer["kinds"]) == ("none_required", [], [])
    assert answer["hazard"]["applied"] == "none"
    assert answer["not_stated"] == answer["flags"] == []
    assert answer["summary"].startswith("No assembly is required while")


@pytest.mark.parametrize(
    ("stated", "missing", "flags"),
    [
        ({}, ["survey", "premises"], []),
        ({"survey": SURVEY}, ["premises"], []),
        ({"premises": "office"}, ["survey"], []),
        ({"premises": "office", "survey": SURVEY | {"cross_connection_found": True}}, ["hazard"], ["survey_contradicts_hazard"]),
        ({"premises": "office", "survey": SURVEY | {"surveyed_on": "2026-06-02"}}, ["survey"], ["survey_in_future"]),
    ],
)
def test_without_a_survey_nobody_can_say_that_no_assembly_is_needed(
    world: World, stated: dict[str, Any], missing: list[str], flags: list[str]
) -> None:
    answer = choose(world, "us-common", hazard="none", **stated)
    assert (answer["outcome"], answer["hazard"]["applied"], answer["recommended"]) == ("not_determined", None, [])
    assert answer["not_stated"] == missing
    assert [flag["code"] for flag in answer["flags"]] == flags
    for name in missing:
        assert name in answer["summary"]


def test_no_survey_frees_premises_that_the_rulebook_lists(world: World) -> None:
    # WAC 246-290-490, Table 13; the exception of (4)(b)(iii) is the purveyor's to grant, reported by (iv) [published].
    answer = choose(world, "us-wa", hazard="none", premises="car_wash", survey=SURVEY)
    assert (answer["outcome"], answer["hazard"]["applied"]) == ("protection_required", "health")
    assert [flag["code"] for flag in answer["flags"]] == ["hazard_below_premises"]
    (exception,) = [kept for kept in answer["conditions"] if kept["rule"] == "wac.table_13.exception"]
    assert exception["source"]["clause"] == "246-290-490(4)(b)(iii), (iv)"


def test_an_irrigation_system_is_a_cross_connection_whatever_a_survey_says(world: World) -> None:
    answer = choose(world, "us-common", hazard="none", premises="irrigation", survey=SURVEY, purpose="point_of_use")
    assert (answer["outcome"], answer["hazard"]["applied"]) == ("protection_required", "non_health")


def test_nevada_requires_an_assembly_at_each_service_connection(world: World) -> None:
    # R049-18, section 23, as a trade page quotes it [memory].
    answer = choose(world, "us-nv", hazard="none", premises="office", survey=SURVEY)
    assert (answer["outcome"], answer["not_stated"]) == ("not_determined", ["hazard"])
    assert "Each service connection has an assembly" in answer["summary"]


# A relief valve discharges and is never submerged: 30 TAC 344.50(b)(2) and OAR 333-061-0071(1)(b) [published].
def test_a_fact_of_the_site_that_was_not_stated_is_named_and_never_taken_as_met(world: World) -> None:
    answer = choose(world, "us-or", hazard="health")
    rp = kind_of(answer, "rp")
    assert rp["admissible"]
    assert rp["depends_on"] == ["site.subject_to_submergence", "site.drainage"]
    for rule in ("common.submergence.rp", "common.drainage"):
        reason = reason_of(answer, "rp", rule)
        assert (reason["outcome"], reason["holds"]) == ("not_determined", False)
    assert "This depends on facts that were not stated: `site.subject_to_submergence`, `site.drainage`." in answer["summary"]
    stated = choose(world, "us-or", hazard="health", site={"subject_to_submergence": False, "drainage": True})
    assert kind_of(stated, "rp")["depends_on"] == []
    assert reason_of(stated, "rp", "common.drainage")["outcome"] == "met"


# EN 1717:2000, Table 2 [memory]: HB and LA to category 2 at atmospheric pressure downstream, HC, EB and ED domestic, DA, DB and DC
# without backpressure. The United Kingdom's specification differs: ED to 3 and LA to 2 [published], EC to 3 and HC to 3 [memory].
def test_en_1717_and_the_united_kingdom_differ_and_name_their_edition(world: World) -> None:
    facts = {"purpose": "point_of_use", "hose_connection": True, "domestic": True}
    en = {category: set(choose(world, "eu-en1717", fluid_category=category, **facts)["recommended"]) for category in (2, 3)}
    gb = {category: set(choose(world, "gb", fluid_category=category, **facts)["recommended"]) for category in (2, 3)}
    assert {"HB", "HC", "LA", "EB", "ED"} <= en[2]
    assert {"HB", "HC", "LA", "EB", "EC", "ED"} & en[3] == set()
    assert {"EC", "ED", "HC"} <= gb[3]
    assert "LA" in gb[2] - gb[3]
    against = choose(world, "eu-en1717", fluid_category=2, backpressure_possible=True, **facts)
    assert {"DA", "DB", "DC", "HB", "LA"} & set(against["recommended"]) == set()
    assert against["rulebook"]["title"].startswith("EN 1717:2000")
    assert "EN 1717:2024 exists and was not read" in against["rulebook"]["note"]
    not_domestic = choose(world, "eu-en1717", fluid_category=2, **(facts | {"domestic": False}))
    assert {"EB", "ED", "HC"} & set(not_domestic["recommended"]) == set()


# 30 TAC 290.47, now 290.47(f), in a city's reprint [memory]: sewerage treatment plants, RPBA or AG.
def test_texas_s_own_table_counts_before_common_practice(world: World) -> None:
    answer = choose(world, "us-tx", hazard="non_health", premises="wastewater_treatment")
    assert (answer["hazard"]["applied"], answer["recommended"]) == ("health", ["rp", "air_gap"])
    assert choose(world, "us-or", hazard="health", premises="wastewater_treatment")["hazard"]["applied"] == "severe"


# WAC 246-290-490(7)(b), (c) [published]: air gaps are inspected at installation, yearly, after an incident and when replumbed; irrigation
# AVBs at installation, after an incident, after repair, reinstallation or relocation, not yearly. Elsewhere yearly is common practice.
def test_washington_inspects_air_gaps_yearly_and_irrigation_avbs_not(world: World) -> None:
    facts = {"hazard": "non_health", "premises": "irrigation", "purpose": "point_of_use"}
    kept = {row["rule"]: row for row in choose(world, "us-wa", **facts)["conditions"]}
    assert kept["wac.avb.inspected"]["kinds"] == ["avb"]
    assert "no yearly inspection" in kept["wac.avb.inspected"]["message"]
    assert kept["wac.air_gap.inspected"]["kinds"] == ["air_gap"]
    assert "common.inspected" not in kept
    elsewhere = {row["rule"]: row for row in choose(world, "us-or", **facts)["conditions"]}
    assert elsewhere["common.inspected"]["kinds"] == ["avb", "air_gap"]
    assert elsewhere["common.inspected"]["source"]["provenance"] == "common_practice"
