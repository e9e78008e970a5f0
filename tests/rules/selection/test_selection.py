"""Choosing: order, reasons, conflicts that speak, faults in the ask."""

import datetime as dt
from typing import Any

import msgspec
import pytest

from rules.errors import DocumentError, NotInForceError, UnknownRulebookError
from rules.selection import KindResult, Selection, SelectionRequest, local_premises, premises_types, select, selection, tables
from rules.selection.tables import index, table
from tests.rules.refusals import whole

ON = dt.date(2026, 6, 1)
PLAIN: dict[str, Any] = {
    "rulebook": "us-common",
    "hazard": "health",
    "backpressure_possible": False,
    "continuous_pressure": True,
    "purpose": "point_of_use",
}
US_UNITS = {"pressure": "psi", "length": "ft", "flow": "gpm"}
CURVE = [{"flow": 10, "loss": 11}, {"flow": 30, "loss": 13}]


def choose(**result: Any) -> Selection:
    merged = {key: value for key, value in (PLAIN | result).items() if value is not None}
    return select(msgspec.convert(merged, SelectionRequest), on=ON)


def kind_of(answer: Selection, kind: str) -> KindResult:
    return next(one for one in answer.kinds if one.kind == kind)


def test_the_least_that_suffices_stands_first_and_each_says_what_it_adds() -> None:
    answer = choose()
    assert answer.recommended == ("pvb", "svb", "barometric_loop", "rp", "rpda", "air_gap")
    assert answer.summary == (
        "The minimum is the pressure vacuum breaker assembly (pvb). 5 stricter kinds also qualify. "
        "This depends on facts that were not stated: `site.subject_to_submergence`, `site.height_above_highest_outlet`."
    )
    assert all(one.adds for one in answer.kinds)
    assert [one.kind for one in answer.kinds if one.admissible] == list(answer.recommended)
    assert "licensed" in answer.caution


def test_a_conflict_names_the_fact_and_what_would_serve() -> None:
    answer = choose(backpressure_possible=True)
    message = next(one.message for one in kind_of(answer, "pvb").reasons if one.rule == "common.backpressure")
    assert message.startswith("Backpressure can occur (`backpressure_possible`)")
    assert message.endswith("These kinds qualify: rp, rpda, air_gap.")


def test_one_stricter_kind_is_counted_in_the_singular() -> None:
    answer = choose(premises="irrigation_chemical_injection", rulebook="us-tx", purpose="point_of_use")
    assert "(rp). 1 stricter kind also qualifies." in answer.summary


def test_a_single_kind_stands_alone() -> None:
    answer = choose(hazard="severe", site={"subject_to_submergence": False})
    assert answer.recommended == ("air_gap",)
    assert answer.summary == "The minimum is the air gap (air_gap)."


def test_facts_that_leave_nothing_say_so() -> None:
    answer = choose(hazard="severe", site={"subject_to_submergence": True})
    assert answer.recommended == ()
    assert answer.conditions == ()
    assert answer.summary.startswith("No kind meets every requirement")
    flooded = next(one for one in kind_of(answer, "air_gap").reasons if not one.holds)
    assert flooded.message.endswith("One of the facts must change.")


def test_premises_that_no_table_lists_leave_the_hazard_as_stated() -> None:
    answer = choose(premises="office")
    assert answer.hazard.applied == "health"
    assert "No table of this rulebook raises the hazard" in answer.hazard.because


def test_premises_raise_a_stated_hazard_and_never_lower_it() -> None:
    raised = choose(rulebook="us-wa", hazard="non_health", purpose="premises_isolation", premises="car_wash")
    assert raised.hazard.applied == "health"
    assert "raised from non_health to health (car wash)" in raised.hazard.because
    kept = choose(rulebook="us-wa", hazard="severe", purpose="premises_isolation", premises="car_wash")
    assert kept.hazard.applied == "severe"


def test_conditions_follow_the_kinds_and_the_site() -> None:
    rules = {one.rule: one for one in choose().conditions}
    assert rules["assembly.freezing"].kinds == ("pvb", "svb", "barometric_loop", "rp", "rpda")
    assert "common.indoor_discharge" not in rules
    sheltered = {one.rule for one in choose(site={"freezing_exposure": False, "indoors": True}).conditions}
    assert "assembly.freezing" not in sheltered
    assert "common.indoor_discharge" in sheltered


def test_hydraulics_that_are_not_stated_do_not_decide() -> None:
    answer = choose(units=US_UNITS, hydraulics={"supply_pressure": 60, "design_flow": 20})
    rp = kind_of(answer, "rp")
    assert rp.admissible
    assert rp.residual_pressure is msgspec.UNSET
    assert any("not determined" in one.message for one in rp.reasons)


def test_a_supply_short_before_any_loss_excludes_even_without_a_curve() -> None:
    facts = {"supply_pressure": 20, "design_flow": 20, "required_outlet_pressure": 30}
    rp = kind_of(choose(units=US_UNITS, hydraulics=facts), "rp")
    assert not rp.admissible
    assert any("Even without any loss, only 20 psi" in one.message for one in rp.reasons)


@pytest.mark.parametrize("flow", [9.9, 30.1])
def test_a_curve_is_not_extended_beyond_its_ends(flow: float) -> None:
    facts = {"supply_pressure": 60, "design_flow": flow, "loss_curves": {"rp": CURVE}}
    rp = kind_of(choose(units=US_UNITS, hydraulics=facts), "rp")
    assert not rp.admissible
    assert any("10 to 30 gpm" in one.message and "not determined" in one.message for one in rp.reasons)


@pytest.mark.parametrize(("flow", "left"), [(10, 49.0), (20, 48.0), (30, 47.0)])
def test_a_curve_is_read_at_its_points_and_between_them(flow: float, left: float) -> None:
    facts = {"supply_pressure": 60, "design_flow": flow, "loss_curves": {"rp": CURVE}}
    assert kind_of(choose(units=US_UNITS, hydraulics=facts), "rp").residual_pressure == pytest.approx(left)


def test_too_little_left_excludes_with_the_number() -> None:
    facts = {
        "supply_pressure": 60,
        "design_flow": 20,
        "outlet_elevation_above_assembly": 30,
        "required_outlet_pressure": 40,
        "loss_curves": {"rp": CURVE},
    }
    rp = kind_of(choose(units=US_UNITS, hydraulics=facts), "rp")
    assert not rp.admissible
    assert any("leaves only 35 psi" in one.message and "40 psi is required" in one.message for one in rp.reasons)


def test_an_air_gap_loses_the_pressure_unless_a_pump_gives_it_again() -> None:
    facts = {"supply_pressure": 60, "design_flow": 20, "required_outlet_pressure": 20}
    lost = kind_of(choose(units=US_UNITS, hydraulics=facts), "air_gap")
    assert (lost.admissible, lost.residual_pressure) == (False, 0.0)
    pumped = kind_of(choose(units=US_UNITS, hydraulics=facts | {"booster_pump_downstream": True}), "air_gap")
    assert (pumped.admissible, pumped.residual_pressure) == (True, 0.0)


@pytest.mark.parametrize(("supply", "within"), [(15, True), (14.9, False), (150, True), (150.1, False)])
def test_the_working_pressure_is_bounded_at_both_ends(supply: float, within: bool) -> None:  # noqa: FBT001 - a table's column
    rp = kind_of(choose(units=US_UNITS, hydraulics={"supply_pressure": supply, "design_flow": 0}), "rp")
    assert [one.holds for one in rp.reasons if one.rule == "hydraulics.working_pressure"] == [within]


@pytest.mark.parametrize(
    ("unit", "temperature", "within"),
    [
        ("degF", 33, True),
        ("degF", 32.9, False),
        ("degF", 140, True),
        ("degF", 140.1, False),
        ("degC", 1, True),
        ("degC", 0, False),
        ("degC", 60, True),
        ("degC", 60.1, False),
    ],
)
def test_the_temperature_of_a_vacuum_breaker_is_bounded(unit: str, temperature: float, within: bool) -> None:  # noqa: FBT001 - a table's column
    facts = {"supply_pressure": 60, "design_flow": 0, "water_temperature": temperature}
    answer = choose(units=US_UNITS | {"temperature": unit}, hydraulics=facts)
    assert [one.holds for one in kind_of(answer, "pvb").reasons if one.rule == "hydraulics.temperature"] == [within]
    assert not [one for one in kind_of(answer, "rp").reasons if one.rule == "hydraulics.temperature"]


SITE = {"height_above_highest_outlet": 1}
POINT = {"flow": 1, "loss": 1}
SUPPLY = {"supply_pressure": 60, "design_flow": 20}
MODEL = {"spring_loading": 5, "loss_coefficient": 8, "bore": 1}
FAULTS: dict[str, tuple[dict[str, Any], str]] = {
    "a height without a unit": ({"site": SITE}, "/units/length"),
    "hydraulics without a unit of pressure": ({"hydraulics": SUPPLY}, "/units/pressure"),
    "hydraulics without a unit of flow": ({"hydraulics": SUPPLY, "units": {"pressure": "psi"}}, "/units/flow"),
    "an elevation without a unit of length": (
        {"hydraulics": SUPPLY | {"outlet_elevation_above_assembly": 1}, "units": {"pressure": "psi", "flow": "gpm"}},
        "/units/length",
    ),
    "a bore without a unit of length": (
        {"hydraulics": SUPPLY | {"loss_models": {"rp": MODEL}}, "units": {"pressure": "psi", "flow": "gpm"}},
        "/units/length",
    ),
    "a temperature without a unit": ({"hydraulics": SUPPLY | {"water_temperature": 50}, "units": US_UNITS}, "/units/temperature"),
    "a curve of a kind that is none": (
        {"hydraulics": SUPPLY | {"loss_curves": {"a/b~c": [POINT]}}, "units": US_UNITS},
        "/hydraulics/loss_curves/a~1b~0c",
    ),
    "a model of a kind that is none": (
        {"hydraulics": SUPPLY | {"loss_models": {"BA": MODEL}}, "units": US_UNITS},
        "/hydraulics/loss_models/BA",
    ),
    "a curve whose flows do not rise": (
        {"hydraulics": SUPPLY | {"loss_curves": {"rp": [POINT, POINT]}}, "units": US_UNITS},
        "/hydraulics/loss_curves/rp/1/flow",
    ),
    "premises of no known type": ({"premises": "moon_base"}, "/premises"),
    "no hazard": ({"hazard": None}, "/hazard"),
    "a fluid category where hazards count": ({"fluid_category": 3}, "/fluid_category"),
    "no fluid category": ({"rulebook": "eu-en1717", "hazard": None}, "/fluid_category"),
    "a hazard where fluid categories count": ({"rulebook": "eu-en1717", "fluid_category": 3}, "/hazard"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_in_the_ask_is_pointed_at(fault: str) -> None:
    result, pointer = FAULTS[fault]
    with pytest.raises(DocumentError) as raised:
        choose(**result)
    assert whole(raised.value).pointer == pointer


def test_a_rulebook_that_is_not_carried_is_an_error_and_so_is_a_day_on_which_it_is_silent() -> None:
    with pytest.raises(UnknownRulebookError):
        choose(rulebook="atlantis")
    with pytest.raises(NotInForceError, match="2001-05-01"):
        choose(rulebook="eu-en1717", hazard=None, fluid_category=2, on="2001-04-30")
    assert choose(rulebook="eu-en1717", hazard=None, fluid_category=2, on="2001-05-01").recommended[0] == "EA"
    with pytest.raises(NotInForceError):
        choose(on="1900-01-01")


def test_premises_raise_a_fluid_category_too() -> None:
    answer = choose(rulebook="eu-en1717", hazard=None, fluid_category=2, premises="car_wash")
    assert (answer.hazard.stated, answer.hazard.applied) == (2, 4)
    (flag,) = answer.flags
    assert (flag.code, flag.pointer) == ("hazard_below_premises", "/fluid_category")
    reasons = {reason.rule: reason for reason in kind_of(answer, "CA").reasons}
    assert reasons["en_1717.category_2"].holds
    assert not reasons["en_1717.premises.category_4"].holds


def test_the_same_ask_gives_the_same_bytes_and_every_reason_its_source() -> None:
    first, second = choose(), choose()
    assert msgspec.json.encode(first) == msgspec.json.encode(second)
    assert first.rulebook.digest.startswith("sha256:")
    for one in first.kinds:
        assert one.reasons
        for reason in one.reasons:
            assert reason.source.title
            assert reason.source.clause
            assert reason.source.provenance in {"published", "from_memory", "common_practice"}


def test_the_catalogue_of_premises_says_who_lists_each() -> None:
    types = {one.code: one for one in premises_types()}
    rows = {row.rule: row for row in types["wastewater_treatment"].listed}
    assert rows["wac.table_13.severe"].hazard == "severe"
    assert rows["wac.table_13.severe"].rulebooks == ("us-wa",)
    assert rows["ca.wastewater_treatment"].kinds == ("air_gap",)
    assert rows["gb.premises.category_5"].fluid_category == 5
    assert types["residential"].listed == ()


def test_every_code_of_the_tables_is_one_of_the_catalogue() -> None:
    codes = {one.code for one in premises_types()}
    tables = [table(name) for name in {name for entry in index().values() for name in entry.tables}]
    for one in tables:
        for row in (*one.admissions, *one.raises, *one.exclusions, *one.conditions):
            assert set(row.premises) <= codes


@pytest.mark.parametrize(("flow", "left"), [(0, 55.0), (20, 51.09)])
def test_a_spring_and_a_coefficient_lose_the_spring_and_k_velocity_heads(flow: float, left: float) -> None:
    # By hand: 20 gpm through 1 in is 2.490 m/s; K 8.7 of ρ v²/2 = 3097 Pa is 26.94 kPa, 3.91 psi; and 5 psi of spring.
    result = SUPPLY | {"design_flow": flow, "loss_models": {"rp": MODEL | {"loss_coefficient": 8.7, "bore": 1 / 12}}}
    assert kind_of(choose(units=US_UNITS, hydraulics=result), "rp").residual_pressure == pytest.approx(left, abs=0.01)


@pytest.mark.parametrize(("height", "kinds"), [(1, {"pvb", "svb"}), (0.9, set()), (35, {"pvb", "svb", "barometric_loop"})])
def test_the_site_s_height_is_held_against_the_placement_rule_of_each_kind(height: float, kinds: set[str]) -> None:
    answer = choose(units=US_UNITS, site={"height_above_highest_outlet": height})
    assert set(answer.recommended) == kinds | {"rp", "rpda", "air_gap"}
    pvb = next(one for one in kind_of(answer, "pvb").reasons if one.rule == "vacuum_breaker.height_above_highest_outlet")
    assert f"The site allows {height:g} ft; the minimum is 1 ft." in pvb.message


def test_a_selection_is_sealed_with_its_tables_placement_rules_and_constants(monkeypatch: pytest.MonkeyPatch) -> None:
    # What it was chosen by is known again by the digest, so a change of any of them shows in it.
    day = dt.date(2026, 6, 1)

    def sealed() -> str:
        return selection._sealed.__wrapped__("us-common", day).digest

    seals = {sealed()}
    monkeypatch.setattr("rules.selection.hydraulics.data", lambda: "other constants")
    seals.add(sealed())
    monkeypatch.setattr(selection, "placement_rules", lambda *_: "other rules")
    seals.add(sealed())
    plain = local_premises.tables_for
    monkeypatch.setattr(selection, "tables_for", lambda *asked: msgspec.structs.replace(plain(*asked), tables=()))
    seals.add(sealed())
    assert len(seals) == 4


def test_a_row_of_a_table_holds_on_its_days_and_on_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = table("us-common")
    dated = msgspec.structs.replace(plain.admissions[0], in_force_from=dt.date(2027, 1, 1), in_force_until=dt.date(2027, 12, 31))
    changed = msgspec.structs.replace(plain, admissions=(dated, *plain.admissions[1:]))
    monkeypatch.setattr(tables, "table", lambda name: changed if name == "us-common" else table(name))
    rows = {
        day: [row.rule for one in tables.in_force.__wrapped__("us-common", day).tables for row in one.admissions]
        for day in (dt.date(2026, 12, 31), dt.date(2027, 1, 1), dt.date(2027, 12, 31), dt.date(2028, 1, 1))
    }
    assert [dated.rule in one for one in rows.values()] == [False, True, True, False]
