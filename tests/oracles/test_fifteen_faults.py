"""Fifteen faults that earlier versions of the rulebooks had, one test each, with what is right and where that was read."""

import datetime as dt
from importlib import resources
from typing import Any

import msgspec
import pytest

import rules
from rules.load import works
from rules.selection import SelectionRequest, select
from rules.standing import interval_for
from rules.standing.schedule import inspection_for, trigger_for

ON = dt.date(2026, 6, 1)


def raw(name: str) -> str:
    return (resources.files("rules") / "data" / name).read_text(encoding="utf-8")


def chosen(rulebook: str, premises: str, **stated: Any) -> Any:
    document = {
        "rulebook": rulebook,
        "backpressure_possible": True,
        "continuous_pressure": True,
        "purpose": "premises_isolation",
        "premises": premises,
        **stated,
    }
    return select(msgspec.convert(document, SelectionRequest), on=ON)


# HSC 116407(c)(1): 17 CCR 7583–7605 went inoperative on 2024-07-01; the handbook's 3.3.3(b), (e) as agencies quote it.
def test_1_california_cites_the_handbook_from_its_first_day_on() -> None:
    for day, work in ((dt.date(2024, 6, 30), "17-ccr-7604"), (dt.date(2024, 7, 1), "ca-cccph")):
        assert {interval.source for interval in rules.rulebook("us-ca", day).intervals} == {work}


# The amendment of 2026-04-21: one public compliance note. What it changed was not read, and the rulebook says so.
def test_2_californias_amendment_is_named_as_not_read() -> None:
    assert "amendment of 2026-04-21" in rules.rulebook("us-ca", ON).note


# Harker Heights code (A)(3), (A)(4) (published): a city's three years and re-occupancy, in no text of the state.
def test_3_and_4_a_citys_three_years_and_reoccupancy_are_not_texas() -> None:
    book = rules.rulebook("us-tx", ON)
    assert 36 not in {interval.months for interval in book.intervals}
    assert trigger_for(book, "reoccupancy") is None


# 344.50(e), as a supply district quotes it: irrigation that is a health hazard is tested yearly, from 2009-01-01.
def test_5_texan_irrigation_that_is_a_health_hazard_is_tested_yearly() -> None:
    found = interval_for(rules.rulebook("us-tx", ON), "health", "irrigation")
    assert found
    assert (found.months, found.clause, found.in_force_from) == (12, "344.50(e)", dt.date(2009, 1, 1))


# A tester's page comparing the editions: the 9th *should* be 3.0 above the relief opening, the 10th *must* be 5.0 and above it.
# Washington's transition page (published): the 10th from 2012-01-01.
@pytest.mark.parametrize(
    ("on", "minimum", "above", "advisory"), [(dt.date(2011, 12, 31), 3.0, False, True), (dt.date(2012, 1, 1), 0.0, True, False)]
)
def test_6_the_buffer_follows_the_edition_of_the_day(on: dt.date, minimum: float, above: bool, advisory: bool) -> None:  # noqa: FBT001 - columns
    (buffer,) = [row for row in rules.rulebook("us-wa", on).criteria if row.quantity == "buffer"]
    assert (buffer.at_least, buffer.above, buffer.advisory) == (minimum, above, advisory)


# Two texts of OAR 333-061-0070(6) (both published), letters shifted; "reinstallation" is Washington's word.
def test_7_oregon_names_both_texts_and_no_reinstallation() -> None:
    book = rules.rulebook("us-or", ON)
    (interval,) = book.intervals
    assert "older text" in interval.clause
    rows: list[Any] = [*book.triggers, *book.intervals, *book.inspections]
    assert not any("reinstall" in row.says.lower() for row in rows)


# WAC 246-290-490 (7)(b)(ii), as a city quotes it: more frequently "if required by the purveyor"; no figure.
def test_8_washington_invents_no_six_months() -> None:
    assert {interval.months for interval in rules.rulebook("us-wa", ON).intervals} == {12}


# (7)(b)(iv) and (7)(c), as a city quotes them.
def test_9_washington_inspects_air_gaps_yearly_and_irrigation_avbs_by_events() -> None:
    book = rules.rulebook("us-wa", ON)
    air_gap, avb = (inspection_for(book, kind, "health", "irrigation") for kind in ("air_gap", "avb"))
    assert air_gap
    assert avb
    assert (air_gap.months, avb.months) == (12, None)
    assert "installation" in avb.events


# (4)(b)(ii), (iii), (iv) on the state's archive page of 2022 (published): text of the rule, no footnote.
def test_10_washingtons_severe_premises_cite_the_rules_text() -> None:
    text = raw("selection/wac-246-290-490.toml")
    assert "(4)(b)(ii)" in text
    assert "(4)(b)(iii), (iv)" in text
    assert "footnote" not in text


# A database copy of 62-555.360 (published): "Effective on Monday, May 5, 2014".
def test_11_floridas_first_day_is_known() -> None:
    assert rules.rulebook_data("us-fl").in_force_from == dt.date(2014, 5, 5)
    assert "memory" not in rules.rulebook("us-fl", ON).note


def test_12_floridas_rule_is_one_work() -> None:
    assert [key for key, work in works().items() if work.title.startswith("Rule 62-555.360")] == ["fac-62-555-360"]


# Michigan, New Jersey, Massachusetts, Indiana and Florida differ: nobody has the common 12 months unseen.
@pytest.mark.parametrize("rulebook", sorted(set(rules.rulebook_ids()) - {"us-common"}))
def test_13_nobody_inherits_twelve_months(rulebook: str) -> None:
    book = rules.rulebook_data(rulebook)
    common = rules.rulebook_data("us-common")
    assert not set(book.intervals) & set(common.intervals)
    assert not set(book.inspections) & set(common.inspections)


# A city's reprint of the state's table: sewage treatment "RPBA or AG".
def test_14_texass_own_table_wins_for_sewage_works() -> None:
    found = chosen("us-tx", "wastewater_treatment", hazard="health")
    assert found.hazard.applied == "health"
    assert {"air_gap", "rp"} <= set(found.recommended)


# The official page of 30 TAC 290.46(j)(2) refers to the table as 290.47(f); appendix I is the older letter.
def test_15_texass_table_has_its_present_letter() -> None:
    assert "290.47(f)" in works()["texas-290-47-reprint"].title
