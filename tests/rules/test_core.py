"""The small modules below everything: units, sources, the catalogue, rulebooks and what is in force."""

import datetime as dt

import msgspec
import pytest

import rules
from rules import errors, load
from rules.calendar import add_days, add_months
from rules.field_test.uncertainty import conformance_probability
from rules.quantities import convert, exact_factor, fahrenheit, fast_factor
from rules.rulebook import Criterion, Interval, RulebookData, extend, resolve
from rules.sources import Source
from tests.rules.refusals import whole


def criterion(**changes: object) -> Criterion:
    facts = {
        "rule": "r",
        "kinds": ["dc"],
        "component": "check_1",
        "quantity": "held_at",
        "at_least": 1.0,
        "unit": "psi",
        "says": "s",
    }
    return msgspec.convert(facts | {"source": "w", "clause": "c"} | changes, Criterion)


def interval(key: str = "all", **changes: object) -> Interval:
    return msgspec.convert({"key": key, "months": 12, "says": key, "source": "w", "clause": "c"} | changes, Interval)


def data(**changes: object) -> RulebookData:
    facts = {
        "id": "b",
        "title": "t",
        "jurisdiction": "j",
        "in_force_from": dt.date(2000, 1, 1),
        "last_looked_at": dt.date(2020, 1, 1),
    }
    return RulebookData(**facts | changes)  # type: ignore[arg-type]


SOURCES = {"w": Source(title="W", clause="", provenance="published"), "x": Source(title="X", clause="", provenance="from_memory")}


def test_units_of_different_things_are_not_converted() -> None:
    with pytest.raises(ValueError, match="same thing"):
        exact_factor("psi", "in")
    assert convert(1.5, "psi", "psi") == 1.5
    assert fast_factor("bar", "kPa") == 100.0
    assert fahrenheit(100.0, "degC") == 212.0
    assert fahrenheit(70.0, "degF") == 70.0


def test_months_are_calendar_months() -> None:
    assert add_months(dt.date(2024, 1, 31), 1) == dt.date(2024, 2, 29)
    assert add_months(dt.date(2023, 12, 31), 2) == dt.date(2024, 2, 29)
    assert add_months(dt.date(9999, 12, 1), 1) == dt.date.max
    assert add_months(dt.date(1, 1, 31), -1) == dt.date.min
    assert (add_days(dt.date(9999, 12, 31), 1), add_days(dt.date(1, 1, 4), -4)) == (dt.date.max, dt.date.min)


def test_the_catalogue_knows_its_kinds_and_no_other() -> None:
    assert rules.catalogue()["rp"].components == ("check_1", "relief_valve", "check_2")
    with pytest.raises(KeyError):
        rules.catalogue()["teapot"]


def test_an_error_says_where() -> None:
    error = errors.DocumentError("caution_missing", "/steps/0/text")
    assert (error.code, error.pointer) == ("caution_missing", "/steps/0/text")
    assert str(error) == "Put `{caution}` into the text; every notice must have it."


def test_a_minimum_rests_on_the_publishers_figure_in_every_metric_unit() -> None:
    printed = [{"at_least": 7.0, "unit": "kPa", "source": "x", "clause": "p"}]
    one = criterion(printed=printed)
    assert one.minimum_in("psi") == (1.0, None)
    assert one.minimum_in("kPa") == (7.0, one.printed[0])
    assert one.minimum_in("bar") == (0.07, one.printed[0])
    assert criterion().minimum_in("kPa") == (6.894757293168361, None)
    metric = criterion(at_least=7.0, unit="kPa", printed=[printed[0] | {"at_least": 1.0, "unit": "psi"}])
    assert metric.minimum_in("psi")[0] == 1.0
    assert metric.minimum_in("bar") == (0.07, None)
    with pytest.raises(ValueError, match="no minimum"):
        criterion(at_least=None).minimum_in("psi")


def test_a_rulebook_inherits_what_it_does_not_state() -> None:
    base = data(criteria=(criterion(), criterion(rule="q")), tables=("t",))
    own = data(id="c", criteria=(criterion(at_least=2.0),))
    both = extend(base, own)
    assert [(one.rule, one.at_least) for one in both.criteria] == [("r", 2.0), ("q", 1.0)]
    assert both.tables == ("t",)
    assert extend(None, own) is own


def test_a_rulebook_in_force_is_what_is_in_force_on_that_day() -> None:
    changing = data(
        in_force_until=dt.date(2030, 12, 31),
        intervals=(
            interval("old", in_force_until=dt.date(2009, 12, 31)),
            interval("new", in_force_from=dt.date(2010, 1, 1), months=6),
        ),
        criteria=(criterion(printed=[{"at_least": 7.0, "unit": "kPa", "source": "x", "clause": "p"}]),),
    )
    before, after = (resolve(changing, SOURCES, dt.date(year, 6, 1)) for year in (2005, 2015))
    assert ([one.key for one in before.intervals], before.in_force_from, before.in_force_until) == (
        ["old"],
        dt.date(2000, 1, 1),
        dt.date(2009, 12, 31),
    )
    assert ([one.key for one in after.intervals], after.in_force_from, after.in_force_until) == (
        ["new"],
        dt.date(2010, 1, 1),
        dt.date(2030, 12, 31),
    )
    assert before.digest != after.digest
    assert set(before.sources) == {"w", "x"}
    for day in (dt.date(1999, 12, 31), dt.date(2031, 1, 1)):
        with pytest.raises(errors.NotInForceError) as caught:
            resolve(changing, SOURCES, day)
        # It says which day, and from when to when there is something.
        assert all(one in whole(caught.value).message for one in (day.isoformat(), "2000-01-01", "2030-12-31"))
    with pytest.raises(errors.NotInForceError, match="on"):
        resolve(data(), SOURCES, dt.date(1999, 12, 31))


def test_a_limit_and_a_citation_of_a_rulebook() -> None:
    book = rules.rulebook("us-common", dt.date(2026, 1, 1))
    assert book.limit("gauge.calibration").at_most == 12
    with pytest.raises(KeyError):
        book.limit("nothing")
    inherited = resolve(data(criteria=(criterion(),)), SOURCES, dt.date(2005, 1, 1))
    assert inherited.cite(inherited.criteria[0]).provenance == "published"
    own = resolve(data(criteria=(criterion(provenance="from_memory"),)), SOURCES, dt.date(2005, 1, 1))
    assert own.cite(own.criteria[0]).provenance == "from_memory"


def test_two_days_between_changes_share_one_rulebook() -> None:
    assert rules.rulebook("us-wa", dt.date(2026, 1, 1)) is rules.rulebook("us-wa", dt.date(2020, 1, 1))


def test_a_rulebook_not_carried_is_an_error_that_names_those_that_are() -> None:
    with pytest.raises(rules.UnknownRulebookError, match="us-wa"):
        load.rulebook_data("nowhere")


def test_without_uncertainty_conformance_is_certain() -> None:
    assert conformance_probability(1.0, 1.0, 0.0) == 1.0
    assert conformance_probability(0.9, 1.0, 0.0) == 0.0
