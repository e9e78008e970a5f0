"""Every cell of the tables of choice, transcribed here a second time from the source that stands beside it.

`published`: read in the source named. `memory`: remembered from it. `common_practice`: no source. The mark is checked in the
answer as well, since an answer that rests on memory must say so.
"""

import datetime as dt
from typing import Any

import pytest
from msgspec import UNSET

from rules.quantities import Units
from rules.selection import Installation, PlacementRequest, Selection, SelectionRequest, Site, place, premises_types, select
from rules.selection.tables import cite, in_force

ON = dt.date(2026, 6, 1)
US_KINDS = {
    "air_gap",
    "rp",
    "rpda",
    "dc",
    "dcda",
    "pvb",
    "svb",
    "avb",
    "hose_connection_vb",
    "dual_check",
    "dual_check_vented",
    "barometric_loop",
}


def ask(rulebook: str, hazard: str | int, purpose: Any, premises: str | None = None, **facts: Any) -> Selection:
    asked = {"backpressure_possible": False, "continuous_pressure": False} | facts
    degree: dict[str, Any] = {"fluid_category": hazard} if isinstance(hazard, int) else {"hazard": hazard}
    place: dict[str, Any] = {} if premises is None else {"premises": premises}
    return select(SelectionRequest(rulebook=rulebook, purpose=purpose, **degree, **place, **asked), on=ON)


def reason_of(answer: Selection, kind: str, rule: str) -> tuple[bool, str, str]:
    (one,) = [one for one in answer.kinds if one.kind == kind]
    (reason,) = [reason for reason in one.reasons if reason.rule == rule]
    return reason.holds, reason.source.provenance, reason.source.clause


# rulebook, hazard, purpose, premises, rule, the kinds that the source names, clause, mark
TABLES = {
    "Washington, severe: AG, or RP and RPDA with an in-plant AG": (
        "us-wa",
        "severe",
        "premises_isolation",
        None,
        "wac.hazard.severe",
        {"air_gap", "rp", "rpda"},
        "246-290-490(4)",
        "published",
    ),
    "Washington, high health: AG, RP, RPDA": (
        "us-wa",
        "health",
        "premises_isolation",
        None,
        "wac.hazard.health",
        {"air_gap", "rp", "rpda"},
        "246-290-490(4)",
        "published",
    ),
    "Washington, low: those, DC, DCDA": (
        "us-wa",
        "non_health",
        "premises_isolation",
        None,
        "wac.hazard.low",
        {"air_gap", "rp", "rpda", "dc", "dcda"},
        "246-290-490(4)",
        "published",
    ),
    "Texas irrigation, health hazard: AG, RP, PVB, SVB": (
        "us-tx",
        "health",
        "point_of_use",
        "irrigation",
        "30_tac.irrigation.health",
        {"air_gap", "rp", "pvb", "svb"},
        "344.50(b)",
        "published",
    ),
    "Texas irrigation, no health hazard: a DC may be used as well": (
        "us-tx",
        "non_health",
        "point_of_use",
        "irrigation",
        "30_tac.irrigation.non_health",
        {"air_gap", "rp", "pvb", "svb", "dc"},
        "344.50(c)",
        "published",
    ),
    "Texas irrigation with chemicals: RP or AG": (
        "us-tx",
        "health",
        "point_of_use",
        "irrigation_chemical_injection",
        "30_tac.irrigation.chemicals",
        {"air_gap", "rp"},
        "344.51(a)",
        "published",
    ),
    "Texas irrigation by an on-site sewage facility: RP": (
        "us-tx",
        "health",
        "point_of_use",
        "irrigation_on_site_sewage",
        "30_tac.irrigation.on_site_sewage",
        {"rp"},
        "344.51(d)(2)",
        "published",
    ),
    "Texas irrigation with a further source: RP or AG": (
        "us-tx",
        "health",
        "point_of_use",
        "auxiliary_interconnected",
        "30_tac.auxiliary",
        {"air_gap", "rp"},
        "344.51(c)",
        "published",
    ),
    "California district, wastewater plant: AG": (
        "us-ca",
        "health",
        "premises_isolation",
        "wastewater_treatment",
        "ca.wastewater_treatment",
        {"air_gap"},
        "17 CCR 7604",
        "published",
    ),
    "California district, hazardous substances that may enter: AG": (
        "us-ca",
        "health",
        "premises_isolation",
        "hazardous_substances",
        "ca.hazardous_substances",
        {"air_gap"},
        "17 CCR 7604",
        "published",
    ),
    "California district, irrigation with injected chemicals: RP": (
        "us-ca",
        "health",
        "premises_isolation",
        "irrigation_chemical_injection",
        "ca.irrigation_chemical_injection",
        {"air_gap", "rp", "rpda"},
        "17 CCR 7604",
        "published",
    ),
    "California district, separate irrigation meter: RP": (
        "us-ca",
        "health",
        "premises_isolation",
        "irrigation_separate_meter",
        "ca.irrigation_separate_meter",
        {"air_gap", "rp", "rpda"},
        "17 CCR 7604",
        "published",
    ),
    "California district, interconnected auxiliary supply: RP": (
        "us-ca",
        "health",
        "premises_isolation",
        "auxiliary_interconnected",
        "ca.auxiliary_interconnected",
        {"air_gap", "rp", "rpda"},
        "17 CCR 7604",
        "published",
    ),
    "California district, auxiliary supply not interconnected: DC": (
        "us-ca",
        "non_health",
        "premises_isolation",
        "auxiliary_not_interconnected",
        "ca.auxiliary_not_interconnected",
        {"air_gap", "rp", "rpda", "dc", "dcda"},
        "17 CCR 7604",
        "published",
    ),
    "California district, pool only: DC": (
        "us-ca",
        "non_health",
        "premises_isolation",
        "swimming_pool_only",
        "ca.swimming_pool_only",
        {"air_gap", "rp", "rpda", "dc", "dcda"},
        "17 CCR 7604",
        "published",
    ),
    "Florida, reclaimed water or wastewater: AG": (
        "us-fl",
        "health",
        "premises_isolation",
        "reclaimed_or_wastewater_system",
        "fac.reclaimed_or_wastewater",
        {"air_gap"},
        "62-555.360(1)(b)",
        "published",
    ),
    "Florida, residential connection: a dual check is allowed (from memory)": (
        "us-fl",
        "health",
        "premises_isolation",
        "residential_with_reclaimed_or_auxiliary",
        "fac.residential",
        {"air_gap", "rp", "rpda", "dc", "dcda", "dual_check"},
        "Table 62-555.360-2",
        "from_memory",
    ),
    "Plumbing code, high hazard (IPC 608.1, UPC 603.2, from memory)": (
        "us-common",
        "health",
        "point_of_use",
        None,
        "plumbing_code.high_hazard",
        {"air_gap", "rp", "rpda", "pvb", "svb", "avb", "hose_connection_vb", "barometric_loop"},
        "608.1",
        "from_memory",
    ),
    "Plumbing code, low hazard (IPC 608.1, UPC 603.2, from memory)": (
        "us-common",
        "non_health",
        "point_of_use",
        None,
        "plumbing_code.low_hazard",
        US_KINDS,
        "608.1",
        "from_memory",
    ),
    "Severe hazard: AG (common practice, no source)": (
        "us-or",
        "severe",
        "premises_isolation",
        None,
        "common.hazard.severe",
        {"air_gap"},
        "degree of hazard",
        "common_practice",
    ),
    "Health hazard at the service connection (common practice, no source)": (
        "us-or",
        "health",
        "premises_isolation",
        None,
        "common.hazard.health",
        {"air_gap", "rp", "rpda"},
        "degree of hazard",
        "common_practice",
    ),
    "Non-health hazard at the service connection (common practice, no source)": (
        "ca-bc",
        "non_health",
        "premises_isolation",
        None,
        "common.hazard.non_health",
        {"air_gap", "rp", "rpda", "dc", "dcda"},
        "degree of hazard",
        "common_practice",
    ),
}


@pytest.mark.parametrize("name", TABLES)
def test_a_table_admits_exactly_the_kinds_that_its_source_names(name: str) -> None:
    rulebook, hazard, purpose, premises, rule, kinds, clause, mark = TABLES[name]
    answer = ask(rulebook, hazard, purpose, premises)
    assert {one.kind for one in answer.kinds} == US_KINDS
    for kind in US_KINDS:
        holds, provenance, cited = reason_of(answer, kind, rule)
        assert (holds, provenance) == (kind in kinds, mark), kind
        assert clause in cited


# WAC 246-290-490, Table 13, as a Washington town reprints it: high health hazard premises that need isolation by AG or RPBA.
# The state's own page was read only as far as its ninth row. [memory]
# The starred ones: an RPBA serves only in combination with an in-plant air gap.
TABLE_13 = {
    "Agricultural (farms and dairies)": "agricultural",
    "Beverage bottling plants": "beverage_bottling",
    "Car washes": "car_wash",
    "Chemical plants": "chemical_plant",
    "Commercial laundries and dry cleaners": "laundry_dry_cleaner",
    "Film processing facilities": "film_processing",
    "Food processing plants": "food_processing",
    "Hospitals, medical centers, nursing homes, clinics, blood plasma centers": "medical",
    "Laboratories": "laboratory",
    "Metal plating industries": "metal_plating",
    "Mortuaries": "mortuary",
    "Petroleum processing or storage plants": "petroleum",
    "Piers and docks": "piers_and_docks",
    "Premises where both reclaimed water and potable water are provided": "reclaimed_and_potable",
    "Premises with an unapproved auxiliary water supply interconnected with the potable water supply": "auxiliary_interconnected",
    "Premises with separate irrigation systems and with chemical addition": "irrigation_chemical_injection",
    "Survey access denied or restricted": "access_denied",
    "Wastewater lift stations and pumping stations": "wastewater_lift_station",
}
TABLE_13_STARRED = {
    "Radioactive material processing plants or nuclear reactors*": "radioactive_or_nuclear",
    "Wastewater treatment plants*": "wastewater_treatment",
}


@pytest.mark.parametrize("premises", TABLE_13.values(), ids=TABLE_13)
def test_premises_of_washington_s_table_13_are_a_health_hazard_whatever_is_stated(premises: str) -> None:
    answer = ask("us-wa", "non_health", "premises_isolation", premises)
    assert (answer.hazard.stated, answer.hazard.applied) == ("non_health", "health")
    assert answer.recommended == ("rp", "rpda", "air_gap")
    # Both reasons are shown: the row of the hazard stated admits a DC, the row of the table does not.
    assert reason_of(answer, "dc", "wac.hazard.low")[0] is True
    assert reason_of(answer, "dc", "wac.hazard.health")[0] is False
    assert reason_of(answer, "dc", "wac.table_13.health") == (False, "from_memory", "Table 13")
    assert reason_of(answer, "rp", "wac.table_13.health")[0] is True


@pytest.mark.parametrize("premises", TABLE_13_STARRED.values(), ids=TABLE_13_STARRED)
def test_starred_premises_of_table_13_are_severe_and_an_rp_needs_an_in_plant_air_gap(premises: str) -> None:
    # WAC 246-290-490(4)(b)(ii) [published]: an air gap, or an RP or RPDA in combination with an in-plant air gap.
    for in_plant, recommended in ((True, ("air_gap", "rp", "rpda")), (False, ("air_gap",)), (UNSET, ("air_gap",))):
        answer = ask("us-wa", "health", "premises_isolation", premises, in_plant_air_gap=in_plant)
        assert answer.hazard.applied == "severe"
        assert answer.recommended == recommended
        assert reason_of(answer, "rp", "wac.severe.in_plant_air_gap") == (
            in_plant is True,
            "published",
            "246-290-490(4)(b)(ii)(B)",
        )
        assert answer.summary.startswith("The first choice is the air gap (air_gap).")
        assert "only together with an approved in-plant air gap" in answer.summary


def test_table_13_has_no_more_premises_than_the_reprint() -> None:
    listed = {one.code for one in premises_types() for row in one.listed if row.rule.startswith("wac.table_13")}
    assert listed == {*TABLE_13.values(), *TABLE_13_STARRED.values()}


# EN 1717:2000, Table 2, from memory: for fluid categories 2 to 5, ● covers, ○ covers only at atmospheric pressure downstream, d covers
# domestic uses only, – does not cover.
EN_1717 = {
    "AA": "●●●●",
    "AB": "●●●●",
    "AC": "●●––",
    "AD": "●●●●",
    "AF": "●●●–",
    "AG": "●●––",
    "BA": "●●●–",
    "CA": "●●––",
    "DA": "○○––",
    "DB": "○○○–",
    "DC": "○○○○",
    "EA": "●–––",
    "EB": "d–––",
    "EC": "●–––",
    "ED": "d–––",
    "GA": "●●––",
    "GB": "●●●–",
    "HA": "●○––",
    "HB": "○–––",
    "HC": "d–––",
    "HD": "●○––",
    "LA": "○–––",
    "LB": "●○––",
}
# The United Kingdom's specification, highest category against back pressure and back siphonage. Read on the water suppliers' glossary
# pages: AA, AB, EA, ED, LA, LB [published]; the others from memory. Where it differs from EN 1717: EC and ED 3, LA 2, HC 3.
GB = {
    "AA": (5, 5),
    "AB": (5, 5),
    "AC": (3, 3),
    "AD": (5, 5),
    "AF": (4, 4),
    "AG": (3, 3),
    "BA": (4, 4),
    "CA": (3, 3),
    "DA": (0, 3),
    "DB": (0, 4),
    "DC": (0, 5),
    "EA": (2, 2),
    "EB": (2, 2),
    "EC": (3, 3),
    "ED": (3, 3),
    "HA": (2, 3),
    "HC": (0, 3),
    "LA": (0, 2),
    "LB": (2, 3),
}
GB_READ = {"AA", "AB", "EA", "ED", "LA", "LB"}
FITTING: dict[str, Any] = {"hose_connection": True, "domestic": True}


@pytest.mark.parametrize("category", [2, 3, 4, 5])
@pytest.mark.parametrize("backpressure", [False, True])
def test_en_1717_admits_the_units_of_its_table(category: int, backpressure: bool) -> None:  # noqa: FBT001 - a table's column
    covers = {unit for unit, cells in EN_1717.items() if cells[category - 2] != "–"}
    atmospheric = {unit for unit, cells in EN_1717.items() if cells[category - 2] == "○"} | {"HC"}
    answer = ask("eu-en1717", category, "point_of_use", backpressure_possible=backpressure, **FITTING)
    assert {kind.kind for kind in answer.kinds} == set(EN_1717)
    for unit in EN_1717:
        assert reason_of(answer, unit, f"en_1717.category_{category}")[:2] == (unit in covers, "from_memory"), unit
    assert set(answer.recommended) == (covers - atmospheric if backpressure else covers)
    assert answer.rulebook.title.startswith("EN 1717:2000")


def test_en_1717_serves_category_1_with_every_unit() -> None:
    assert set(ask("eu-en1717", 1, "point_of_use", **FITTING).recommended) == set(EN_1717)


@pytest.mark.parametrize("domestic", [False, UNSET])
def test_en_1717_s_domestic_units_need_a_domestic_use(domestic: Any) -> None:
    answer = ask("eu-en1717", 2, "point_of_use", hose_connection=True, domestic=domestic)
    for unit, cells in EN_1717.items():
        assert (unit in answer.recommended) == ("d" not in cells), unit
    assert ("domestic" in answer.not_stated) == (domestic is UNSET)


@pytest.mark.parametrize("category", [2, 3, 4, 5])
@pytest.mark.parametrize("backpressure", [False, True])
def test_the_united_kingdom_admits_the_units_of_its_own_table(category: int, backpressure: bool) -> None:  # noqa: FBT001 - a table's column
    answer = ask("gb", category, "point_of_use", backpressure_possible=backpressure, **FITTING)
    assert {kind.kind for kind in answer.kinds} == set(GB)
    assert set(answer.recommended) == {
        unit for unit, (pressed, sucked) in GB.items() if (pressed if backpressure else sucked) >= category
    }


def test_the_united_kingdom_s_units_say_which_were_read() -> None:
    ranks = {rank.kind: rank for rank in in_force("gb", ON).ranks}
    assert {unit for unit, rank in ranks.items() if cite(rank).provenance == "published"} == GB_READ


def test_nevada_s_irrigation_and_auxiliary_supplies() -> None:
    # NAC 445A.67205 [published]: irrigation at least a PVB or DC, with chemicals an RP; an auxiliary supply at least a DC or RP.
    rows = {row.rule: row for row in in_force("us-nv", ON).tables[0].admissions}
    assert {"pvb", "dc"} <= set(rows["nac.irrigation"].kinds)
    assert not {"dc", "pvb"} & set(rows["nac.irrigation.chemicals"].kinds)
    assert {"dc", "rp"} <= set(rows["nac.auxiliary"].kinds)
    assert {cite(row).provenance for row in rows.values()} == {"published"}
    assert ask("us-nv", "non_health", "point_of_use", "irrigation").recommended == ("pvb", "dc", "rp", "air_gap")


# 30 TAC 290.47, premises isolation, in a city's reprint [memory]: all "Health – RPBA or AG", a connection to a sewer pipe AG.
TEXAS_PREMISES = {
    "Sewerage treatment plants": "wastewater_treatment",
    "Sewage lift stations": "wastewater_lift_station",
    "Plants using radioactive material": "radioactive_or_nuclear",
    "Dairies, animal feedlots": "agricultural",
    "Commercial car wash facilities": "car_wash",
    "Commercial laundries": "laundry_dry_cleaner",
    "Docks and dockside facilities": "piers_and_docks",
    "Food and beverage processing plants": "food_processing",
    "Breweries": "beverage_bottling",
    "Hospitals, medical, dental and veterinary clinics": "medical",
    "Morgues, mortuaries": "mortuary",
    "Medical labs": "laboratory",
    "Plating or chemical plants": "chemical_plant",
    "Metal manufacturing, cleaning, processing": "metal_plating",
    "Petroleum processing or storage facilities": "petroleum",
    "Photo and film processing labs": "film_processing",
    "Reclaimed water systems": "reclaimed_and_potable",
    "Restricted, classified or other closed facilities": "access_denied",
}


@pytest.mark.parametrize("premises", TEXAS_PREMISES.values(), ids=TEXAS_PREMISES)
def test_a_state_s_own_table_of_premises_counts_before_common_practice(premises: str) -> None:
    # Sewage works are severe by common practice; Texas calls them a health hazard, answered by an RPBA or an air gap.
    answer = ask("us-tx", "non_health", "premises_isolation", premises)
    assert answer.hazard.applied == "health"
    assert answer.recommended == ("rp", "air_gap")
    assert reason_of(answer, "dc", "30_tac_290_47.health")[:2] == (False, "from_memory")


# Kinds that guard against backsiphonage only: trade fact, and for the PVB in Texas 30 TAC 344.50(b)(3)(A) [published].
@pytest.mark.parametrize("kind", ["pvb", "svb", "avb", "hose_connection_vb", "barometric_loop"])
def test_a_vacuum_breaker_is_out_where_backpressure_can_occur(kind: str) -> None:
    without = ask("us-common", "health", "point_of_use", hose_connection=True)
    assert kind in without.recommended
    assert reason_of(without, kind, "common.backpressure")[0] is True
    answer = ask("us-common", "health", "point_of_use", backpressure_possible=True, hose_connection=True)
    assert kind not in answer.recommended
    (one,) = [one for one in answer.kinds if one.kind == kind]
    (why,) = [reason for reason in one.reasons if reason.rule == "common.backpressure"]
    assert "`backpressure_possible`" in why.message
    assert why.message.endswith("These kinds qualify: rp, rpda, air_gap.")


@pytest.mark.parametrize(("kind", "clause"), [("pvb", "344.50(b)(3)(A)"), ("svb", "(4)(A)")])
def test_texas_admits_a_pvb_or_svb_only_without_actual_or_potential_backpressure(kind: str, clause: str) -> None:
    answer = ask("us-tx", "health", "point_of_use", "irrigation", backpressure_possible=True)
    holds, mark, cited = reason_of(answer, kind, "30_tac.irrigation.backpressure")
    assert (holds, mark) == (False, "published")
    assert clause in cited
    assert kind in ask("us-tx", "health", "point_of_use", "irrigation").recommended


def test_a_texas_dc_is_tested_on_installation() -> None:
    # 30 TAC 344.50(c) [published]
    answer = ask("us-tx", "non_health", "point_of_use", "irrigation")
    (condition,) = [one for one in answer.conditions if one.rule == "30_tac.dc.tested"]
    assert (condition.kinds, condition.source.clause) == (("dc",), "344.50(c)")


def test_fort_worth_s_avb_has_no_chemical_feed_behind_it() -> None:
    # Fort Worth city code, vacuum breakers [memory]
    (condition,) = [one for one in ask("us-tx", "health", "point_of_use").conditions if one.rule == "fort_worth.avb"]
    assert (condition.kinds, condition.source.provenance) == (("avb",), "from_memory")
    assert "chemical" in condition.message


@pytest.mark.parametrize("kind", ["avb", "hose_connection_vb"])
def test_continuous_pressure_excludes_it(kind: str) -> None:
    # Common practice, no source: over 12 h in 24 h, or a shutoff downstream.
    assert kind not in ask("us-common", "health", "point_of_use", continuous_pressure=True).recommended


@pytest.mark.parametrize("kind", ["pvb", "svb", "avb", "hose_connection_vb", "barometric_loop"])
def test_a_vacuum_breaker_does_not_serve_premises_isolation(kind: str) -> None:
    # Common practice, no source.
    answer = ask("us-tx", "health", "premises_isolation", "irrigation")
    assert reason_of(answer, kind, "common.purpose")[0] is False
    assert kind not in answer.recommended


# Placement: fact, the figure that its source prints, a figure just on the wrong side, rule, clause, mark.
PLACEMENT = {
    "Texas, PVB at least 12 in above the highest opening": (
        "us-tx",
        "pvb",
        "height_above_highest_outlet",
        12.0,
        11.99,
        "vacuum_breaker.height_above_highest_outlet",
        "344.50(b)(3)(B)",
        "published",
    ),
    "Texas, SVB at least 12 in above any downstream piping": (
        "us-tx",
        "svb",
        "height_above_downstream_piping",
        12.0,
        11.99,
        "vacuum_breaker.height_above_downstream_piping",
        "344.50(b)(3)(B)",
        "published",
    ),
    "ASSE 1056, at least 12 in above the flood level rim (from memory)": (
        "us-wa",
        "svb",
        "height_above_highest_outlet",
        12.0,
        11.99,
        "vacuum_breaker.height_above_highest_outlet",
        "scope",
        "from_memory",
    ),
    "Fort Worth, AVB at least 6 in above the highest outlet (from memory)": (
        "us-tx",
        "avb",
        "height_above_highest_outlet",
        6.0,
        5.99,
        "avb.height_above_highest_outlet",
        "vacuum breakers",
        "from_memory",
    ),
    "Fort Worth, AVB at most 60 in above the ground (from memory)": (
        "us-tx",
        "avb",
        "height_above_grade",
        60.0,
        60.01,
        "avb.height_above_grade",
        "vacuum breakers",
        "from_memory",
    ),
    "Fort Worth, AVB without a shutoff downstream (from memory)": (
        "us-tx",
        "avb",
        "downstream_shutoff",
        False,
        True,
        "avb.downstream_shutoff",
        "vacuum breakers",
        "from_memory",
    ),
    "Fort Worth, AVB under pressure for less than 12 h a day (from memory)": (
        "us-tx",
        "avb",
        "hours_under_pressure_per_day",
        11.99,
        12.0,
        "avb.hours_under_pressure",
        "vacuum breakers",
        "from_memory",
    ),
    "ASSE 1001, AVB under pressure for at most 12 h in 24 (from memory)": (
        "us-wa",
        "avb",
        "hours_under_pressure_per_day",
        12.0,
        12.01,
        "avb.hours_under_pressure",
        "scope",
        "from_memory",
    ),
    "Kansas ordinance after the UPC, barometric loop at least 35 ft above the highest fixture": (
        "us-common",
        "barometric_loop",
        "height_above_highest_outlet",
        420.0,
        419.9,
        "barometric_loop.rise",
        "definitions",
        "published",
    ),
    "Texas, RP at least 12 in above ground": (
        "us-tx",
        "rp",
        "height_above_grade",
        12.0,
        11.99,
        "rp.height_above_grade",
        "344.50(b)(2)(A)",
        "published",
    ),
    "Texas, the RP's relief valve drained": (
        "us-tx",
        "rp",
        "relief_drain",
        "direct",
        "none",
        "rp.relief_drained",
        "344.50(b)(2)(B)",
        "published",
    ),
    "Texas, RP in a location that is not submerged": (
        "us-tx",
        "rp",
        "subject_to_submergence",
        False,
        True,
        "rp.not_submerged",
        "344.50(b)(2)(A)",
        "published",
    ),
    "Texas, the drain takes any water that the relief valve may discharge": (
        "us-tx",
        "rp",
        "relief_drain_capacity",
        95.0,
        94.9,
        "rp.relief_drain_size",
        "344.50(b)(2)(B)",
        "published",
    ),
    "A British Columbia municipality, the drain sized for a full failure of the relief valve": (
        "ca-bc",
        "rp",
        "relief_drain_capacity",
        95.0,
        94.9,
        "rp.relief_drain_size",
        "drainage",
        "published",
    ),
    "A British Columbia municipality, an air gap between relief port and drain": (
        "ca-bc",
        "rpda",
        "relief_drain",
        "air_gap",
        "direct",
        "rp.relief_drain",
        "drainage",
        "published",
    ),
    "Texas, sufficient clearance to facilitate testing": (
        "us-tx",
        "dc",
        "room_for_testing",
        True,
        False,
        "assembly.room_for_testing",
        "344.50(a)",
        "published",
    ),
    "Oregon, installed so that it can be tested in line": (
        "us-or",
        "pvb",
        "room_for_testing",
        True,
        False,
        "assembly.room_for_testing",
        "333-061-0071(1)(a)",
        "published",
    ),
    "Washington, not submerged by flooding (from memory)": (
        "us-wa",
        "dc",
        "subject_to_submergence",
        False,
        True,
        "assembly.not_submerged",
        "246-290-490(6)(b)(ii)",
        "from_memory",
    ),
    "A double check's test cocks are not left under water (common practice, no source)": (
        "us-fl",
        "dcda",
        "subject_to_submergence",
        False,
        True,
        "assembly.not_submerged",
        "submergence",
        "common_practice",
    ),
    "An RP's relief port is never drained directly (common practice, no source)": (
        "us-or",
        "rpda",
        "relief_drain",
        "air_gap",
        "direct",
        "rp.relief_drain",
        "drainage",
        "common_practice",
    ),
    "Oregon, any submersion of the relief valve precluded": (
        "us-or",
        "rp",
        "subject_to_submergence",
        False,
        True,
        "rp.not_submerged",
        "333-061-0071(1)(b)",
        "published",
    ),
    "Oregon, a bypass carries an equal assembly": (
        "us-or",
        "dc",
        "bypass",
        "equal_assembly",
        "unprotected",
        "assembly.bypass",
        "333-061-0071(3)",
        "published",
    ),
    "Oregon, thermal expansion provided for in a closed system (from memory)": (
        "us-or",
        "dc",
        "thermal_expansion_provided",
        True,
        False,
        "assembly.thermal_expansion",
        "333-061-0070",
        "from_memory",
    ),
    "A Kansas utility, 2 in assembly: 6 in all round": (
        "us-common",
        "dc",
        "clearance_all_round",
        6.0,
        5.99,
        "clearance.all_round.small",
        "clearance",
        "published",
    ),
    "A vacuum breaker stands upright (common practice, no source)": (
        "us-common",
        "pvb",
        "orientation",
        "upright",
        "horizontal",
        "vacuum_breaker.upright",
        "orientation",
        "common_practice",
    ),
    "Protected from frost (common practice, no source)": (
        "us-common",
        "pvb",
        "freeze_protected",
        True,
        False,
        "assembly.freezing",
        "freezing",
        "common_practice",
    ),
    "EN 1717, a reduced pressure unit not in a place that floods (from memory)": (
        "eu-en1717",
        "BA",
        "subject_to_submergence",
        False,
        True,
        "en_1717.not_submerged",
        "5.4",
        "from_memory",
    ),
}


@pytest.mark.parametrize("name", PLACEMENT)
def test_a_placement_rule_passes_at_its_source_s_figure_and_fails_beyond_it(name: str) -> None:
    rulebook, kind, fact, right, wrong, rule, clause, mark = PLACEMENT[name]
    for result, outcome in ((right, "met"), (wrong, "not_met")):
        stated: dict[str, Any] = {"closed_system": True, "freezing_exposure": True, "relief_discharge": 95.0, fact: result}
        installation = Installation(**stated)
        asked = PlacementRequest(
            rulebook=rulebook, kind=kind, size=2.0, units=Units(length="in", flow="gpm"), installation=installation
        )
        (finding,) = [one for one in place(asked, on=ON).findings if one.rule == rule]
        assert finding.outcome == outcome
        assert clause in finding.source.clause
        assert finding.source.provenance == mark


@pytest.mark.parametrize(
    ("size", "all_round", "testing_side", "outcome"),
    [(2.5, 12.0, 24.0, "met"), (2.5, 11.9, 24.0, "not_met"), (2.5, 12.0, 23.9, "not_met"), (2.0, 6.0, 6.0, "met")],
)
def test_clearance_grows_with_the_size(size: float, all_round: float, testing_side: float, outcome: str) -> None:
    # One Kansas utility's guideline [published]: up to 2 in, 6 in all round; larger, 12 in all round and 24 in on the testing side.
    result = Installation(clearance_all_round=all_round, clearance_testing_side=testing_side)
    asked = PlacementRequest(rulebook="us-common", kind="rp", size=size, units=Units(length="in"), installation=result)
    outcomes = {one.outcome for one in place(asked, on=ON).findings if one.rule.startswith("clearance.")}
    assert outcomes - {"met"} == {outcome} - {"met"}


# The site's height and drainage in a selection follow the same published figures.
@pytest.mark.parametrize(
    ("kind", "enough", "short"), [("pvb", 1.0, 0.99), ("svb", 1.0, 0.99), ("avb", 0.5, 0.49), ("barometric_loop", 35.0, 34.9)]
)
def test_a_site_s_height_admits_at_the_figure_and_excludes_under_it(kind: str, enough: float, short: float) -> None:
    def recommended(height: float) -> tuple[str, ...]:
        asked = SelectionRequest(
            rulebook="us-common",
            hazard="health",
            backpressure_possible=False,
            continuous_pressure=False,
            purpose="point_of_use",
            units=Units(length="ft"),
            site=Site(height_above_highest_outlet=height),
        )
        return select(asked, on=ON).recommended

    assert kind in recommended(enough)
    assert kind not in recommended(short)


# OAR 333-061-0071(1)(b) and 30 TAC 344.50(b)(2) [published] for the RP; common practice for what opens to the air.
@pytest.mark.parametrize(
    ("rulebook", "hazard", "site", "left"),
    [
        ("us-or", "health", Site(subject_to_submergence=True), {"barometric_loop"}),
        ("us-or", "health", Site(drainage=False), {"pvb", "svb", "avb", "hose_connection_vb", "barometric_loop", "air_gap"}),
        ("eu-en1717", 2, Site(subject_to_submergence=True), {"EA", "EB", "EC", "ED"}),
    ],
)
def test_a_place_that_floods_or_does_not_drain_excludes(rulebook: str, hazard: str | int, site: Site, left: set[str]) -> None:
    degree: dict[str, Any] = {"fluid_category": hazard} if isinstance(hazard, int) else {"hazard": hazard}
    asked = SelectionRequest(
        rulebook=rulebook,
        backpressure_possible=False,
        continuous_pressure=False,
        purpose="point_of_use",
        site=site,
        **degree,
        **FITTING,
    )
    assert set(select(asked, on=ON).recommended) == left
