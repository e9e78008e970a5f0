"""Which readings make a component's series, and what is said of it; the arithmetic is checked against scipy in tests/oracles."""

import datetime as dt
from typing import Any

import msgspec
import pytest
from msgspec import UNSET
from msgspec.structs import replace

import rules
from rules.standing.trend import ComponentTrend, TrendedTest, trends

NEXT = dt.date(2027, 5, 1)


def judged(year: int, check_1: float | None, final: float | None = None, *, unit: str = "psi", **result: Any) -> TrendedTest:
    """A DC tested on 1 May of a year, as the rules judge it; None: check 1 leaked."""

    def phase(held_at: float | None) -> dict[str, Any]:
        first: dict[str, Any] = {"component": "check_1", "closed_tight": held_at is not None}
        if held_at is not None:
            first["held_at"] = held_at
        other = {"psi": 2.0, "kPa": 14.0}[unit]
        shutoffs = {"inlet": "tight", "outlet": result.get("outlet", "tight")}
        return {"shutoffs": shutoffs, "readings": [first, {"component": "check_2", "closed_tight": True, "held_at": other}]}

    document: dict[str, Any] = {
        "rulebook": "us-wa",
        "performed_at": f"{year}-05-01T12:00:00-07:00",
        "assembly": {"kind": "dc", "hazard": "non_health"},
        "units": {"pressure": unit},
        "initial_test": phase(check_1),
        "repairs": result.get("repairs", []),
    }
    if final is not None:
        document["final_test"] = phase(final)
    test = msgspec.convert(document, rules.Test)
    verdict = rules.judge(test, received_at=dt.datetime(year, 5, 2, 12, tzinfo=dt.UTC))
    return TrendedTest(
        report_id=str(year),
        performed_on=dt.date(year, 5, 1),
        unit=test.units.pressure,
        findings=verdict.findings,
        repairs=() if test.repairs is UNSET else test.repairs,
        resolution=result.get("resolution", 0.1),
    )


def repair(component: str | None = "check_1", part: str = "spring", line: str = "main") -> list[dict[str, str]]:
    facts = {"part": part, "action": "replaced", "line": line}
    return [facts if component is None else {"component": component, **facts}]


def check_1(*tests: TrendedTest, unit: Any = "psi") -> ComponentTrend:
    [found] = [one for one in trends(tests, next_test_on=NEXT, unit=unit) if one.component == "check_1"]
    return found


def values(found: ComponentTrend) -> list[float]:
    return [one.value for one in found.readings]


def test_a_spring_that_weakens_year_by_year_is_reported_before_it_fails() -> None:
    found = check_1(*(judged(2019 + n, value) for n, value in enumerate((2.1, 1.9, 1.8, 1.6, 1.5, 1.3, 1.2, 1.1))))
    assert found.slope is not None
    assert found.next_test is not None
    assert found.slope.per_year == pytest.approx(-0.146, abs=0.002)
    assert found.minimum == 1.0
    assert 0.5 < found.next_test.chance_below_minimum < 0.99
    assert found.suggestion is not None
    assert "certified tester decides" in found.suggestion
    assert "chance" in found.says


def test_renewing_is_suggested_from_one_chance_in_five_on() -> None:
    weakening = [judged(2019 + n, value) for n, value in enumerate((2.1, 2.0, 1.8, 1.8, 1.6, 1.6, 1.5, 1.4))]
    met = set()
    for month in range(120):
        result = trends(weakening, next_test_on=dt.date(2027 + month // 12, month % 12 + 1, 1), unit="psi")
        [found] = [one for one in result if one.component == "check_1"]
        assert found.next_test is not None
        chance = found.next_test.chance_below_minimum
        assert (found.suggestion is not None) == (chance >= 0.2)
        met.add(int(chance * 20))
    # Chances a twentieth under it and a twentieth over it were among them.
    assert met >= {3, 4}


def test_a_steady_spring_asks_for_nothing() -> None:
    found = check_1(*(judged(2020 + n, value) for n, value in enumerate((2.1, 2.0, 2.1, 2.2, 2.1))))
    assert found.next_test is not None
    assert found.next_test.chance_below_minimum < 0.01
    assert found.suggestion is None


def test_two_readings_show_no_trend_and_neither_do_three_of_one_day() -> None:
    found = check_1(judged(2024, 2.0), judged(2025, 1.0))
    assert (found.slope, found.next_test, found.suggestion) == (None, None, None)
    assert "2 readings. A trend needs at least 3" in found.says
    assert check_1(judged(2024, 2.0), judged(2024, 1.9), judged(2024, 1.8)).slope is None


def test_a_repair_begins_a_new_series_with_its_final_reading() -> None:
    before = [judged(2018 + n, 2.0 - 0.2 * n) for n in range(4)]
    repaired = judged(2022, 0.8, 2.2, repairs=repair())
    after = [judged(2023, 2.2), judged(2024, 2.1)]
    found = check_1(*before, repaired, *after)
    assert values(found) == [2.2, 2.2, 2.1]
    assert found.repaired_on == dt.date(2022, 5, 1)
    assert "since the repair on 2022-05-01" in found.says


@pytest.mark.parametrize(
    ("repairs", "counted"),
    [
        (repair("check_2"), [2.0, 1.9, 1.8]),  # another component's repair leaves this one as it was found
        (repair("check_1", line="bypass"), [2.0, 1.9, 1.8]),
        (repair("check_1"), [2.4]),
        (repair(None), [2.4]),  # of no named component: it may have been this one
        (repair("check_2", part="whole_assembly"), [2.4]),
    ],
)
def test_which_repairs_concern_a_component(repairs: list[dict[str, str]], counted: list[float]) -> None:
    found = check_1(judged(2022, 2.0), judged(2023, 1.9), judged(2024, 1.8, 2.4, repairs=repairs))
    assert values(found) == counted


def test_a_repair_without_a_final_reading_leaves_no_readings_to_go_by() -> None:
    found = trends([judged(2022, 2.0), judged(2023, 0.5, repairs=repair())], next_test_on=NEXT, unit="psi")
    assert [one.component for one in found] == ["check_2"]


def test_a_check_that_leaked_has_no_number_that_counts() -> None:
    assert values(check_1(judged(2022, 2.0), judged(2023, None), judged(2024, 1.8))) == [2.0, 1.8]


def test_a_reading_that_a_leaking_shutoff_spoils_does_not_count() -> None:
    found = trends([judged(2022, 2.0), judged(2023, 1.9, outlet="leaking")], next_test_on=NEXT, unit="psi")
    assert {one.component: len(one.readings) for one in found} == {"check_1": 1, "check_2": 1}


def test_readings_of_several_units_are_reported_in_the_asked_one() -> None:
    found = check_1(judged(2022, 2.0), judged(2023, 13.0, unit="kPa"), judged(2024, 1.8))
    assert values(found) == pytest.approx([2.0, 13 / 6.894757, 1.8], rel=1e-6)
    result = check_1(judged(2022, 2.0), judged(2023, 13.0, unit="kPa"), judged(2024, 1.8), unit="kPa")
    assert values(result) == pytest.approx([13.789515, 13.0, 12.410563], rel=1e-6)
    assert result.minimum == pytest.approx(6.894757)


def test_readings_that_happen_to_lie_on_a_line_do_not_promise_certainty() -> None:
    """The dial's steps leave a scatter of a step over √12 (rectangular, GUM 4.3.7; from memory)."""
    on_a_line = check_1(judged(2022, 1.4), judged(2023, 1.3), judged(2024, 1.2))
    assert on_a_line.next_test is not None
    assert 0.05 < on_a_line.next_test.chance_below_minimum < 0.95
    unknown = check_1(*(judged(2022 + n, 1.5, resolution=0.0) for n in range(3)))
    assert unknown.slope is not None
    assert unknown.next_test is None
    assert "chance" not in unknown.says


def test_a_reading_without_a_minimum_has_a_slope_and_no_chance() -> None:
    tests = [judged(2022 + n, value) for n, value in enumerate((2.0, 1.7, 1.6))]
    bare = [replace(one, findings=[replace(finding, at_least=UNSET) for finding in one.findings]) for one in tests]
    found = check_1(*bare)
    assert (found.minimum, found.next_test) == (None, None)
    assert found.slope is not None


def test_nothing_read_has_no_trend() -> None:
    assert trends([], next_test_on=NEXT, unit="psi") == []
