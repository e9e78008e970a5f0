"""How a component's readings go over the years, and the chance that the next one lies below its minimum.

A straight line is fitted to the readings since the component's last repair (ordinary least squares); the next reading is predicted by the
prediction interval of that line, on Student's t with n − 2 degrees of freedom (Draper and Smith, Applied Regression Analysis, section 1.4;
from memory; the tests compare with scipy). A repair begins a new series: the final reading after it is the first, and earlier readings
no longer count. Where a component was not repaired at a visit, what was found on arrival counts. The scatter is taken to be no less
than the rounding of the gauge's dial makes it, so that readings which happen to lie on a line do not promise certainty.
"""

import datetime as dt
import math
from collections.abc import Sequence
from typing import Final, Literal

from msgspec import Struct

from rules.catalogue import Component, Line
from rules.chance import t_exceeded_by, t_tail
from rules.field_test.answer import Finding
from rules.field_test.document import Repair
from rules.quantities import PressureUnit, convert
from rules.screening.settings import setting
from rules.screening.texts import sentence

DAYS_IN_A_YEAR: Final = 365.25
_Quantity = Literal["held_at", "opened_at"]
_Place = tuple[Line, Component, _Quantity]
_QUANTITIES: Final[dict[str, _Quantity]] = {"held_at": "held_at", "opened_at": "opened_at"}
_LEAST: Final = 3  # with fewer the line leaves no degree of freedom


class TrendedTest(Struct, frozen=True, kw_only=True):
    """A test that counts: its findings (pressures in `unit`), what was repaired between its phases, its gauge's resolution in `unit`."""

    report_id: str
    performed_on: dt.date
    unit: PressureUnit
    findings: Sequence[Finding]
    repairs: Sequence[Repair] = ()
    resolution: float = 0.0


class TrendReading(Struct, frozen=True, kw_only=True):
    """One reading of a series."""

    report_id: str
    """The report."""
    on: dt.date
    """The day of the test."""
    value: float
    """The reading, in `units.pressure`."""


class TrendSlope(Struct, frozen=True, kw_only=True):
    """Change in a year, its standard error, and the interval that holds the true one with the stated confidence."""

    per_year: float
    """The change in a year, in `units.pressure`."""
    standard_error: float
    """Its standard error."""
    low: float
    """The low end of the interval."""
    high: float
    """The high end of the interval."""


class TrendPrediction(Struct, frozen=True, kw_only=True):
    """The reading expected on a day, the interval that holds it with the stated confidence, and the chance that it is below the minimum."""

    on: dt.date
    """The day."""
    expected: float
    """The reading expected, in `units.pressure`."""
    low: float
    """The low end of the interval."""
    high: float
    """The high end of the interval."""
    chance_below_minimum: float
    """The chance of a reading below the minimum, as a share."""


class ComponentTrend(Struct, frozen=True, kw_only=True):
    """One component's series since its last repair, pressures in the requested unit.

    Slope and prediction where there are readings enough.
    """

    line: Line
    """The line."""
    component: Component
    """The part."""
    quantity: _Quantity
    """What is read."""
    minimum: float | None
    """The minimum, in `units.pressure`."""
    repaired_on: dt.date | None
    """The day of the last repair, with which the series begins; null: none is on record."""
    readings: list[TrendReading]
    """The readings, in the order of the tests."""
    slope: TrendSlope | None
    """The change in a year; null where there are too few readings."""
    next_test: TrendPrediction | None
    """What to expect at the next test; null where there are too few readings."""
    confidence: float
    """The confidence of the intervals, as a share."""
    suggestion: str | None
    """What to do; null: nothing."""
    says: str
    """The trend in a sentence."""


class _Series:
    """The readings of one component as they come in, in the order of the tests."""

    def __init__(self) -> None:
        self.readings: list[TrendReading] = []
        self.repaired_on: dt.date | None = None
        self.minimum: float | None = None
        self.resolution = 0.0


def trends(tests: Sequence[TrendedTest], *, next_test_on: dt.date, unit: PressureUnit) -> list[ComponentTrend]:
    """The trend of every component read, by line and component; `tests` are those that count, in the order of their making."""
    series: dict[_Place, _Series] = {}
    for test in tests:
        _follow(series, test, unit)
    return [_trend(place, own, next_test_on, unit) for place, own in sorted(series.items()) if own.readings]


def _follow(series: dict[_Place, _Series], test: TrendedTest, unit: PressureUnit) -> None:
    """Add what one test read to the series that it belongs to."""
    read: dict[_Place, dict[str, Finding]] = {}
    for finding in test.findings:
        quantity = _QUANTITIES.get(finding.rule.rpartition(".")[2])
        if quantity is not None:
            read.setdefault((finding.line, finding.component, quantity), {})[finding.phase] = finding
    for place, by_phase in read.items():
        line, component, _ = place
        own = series.setdefault(place, _Series())
        repaired = any(_concerns(repair, line, component) for repair in test.repairs)
        if repaired:
            own.readings, own.repaired_on = [], test.performed_on
        counts = "final" if repaired or "initial" not in by_phase else "initial"
        if counts not in by_phase:
            continue
        finding = by_phase[counts]
        if isinstance(finding.at_least, float):
            own.minimum = convert(finding.at_least, test.unit, unit)
        own.resolution = max(own.resolution, convert(test.resolution, test.unit, unit))
        # A part that leaked or stuck, or that a leaking shutoff made unreadable, has no number that counts.
        observed = finding.observed
        if finding.outcome != "not_determined" and isinstance(observed, float):
            value = convert(observed, test.unit, unit)
            own.readings.append(TrendReading(report_id=test.report_id, on=test.performed_on, value=value))


def _concerns(repair: Repair, line: Line, component: Component) -> bool:
    """Whether a repair may have changed what the component reads: its own, one of no named component, or of the whole assembly."""
    if repair.part == "whole_assembly" or not isinstance(repair.component, str):
        return True
    return repair.line == line and repair.component == component


def _trend(place: _Place, series: _Series, next_test_on: dt.date, unit: PressureUnit) -> ComponentTrend:
    line, component, quantity = place
    confidence = setting("trend_confidence")
    slope = prediction = suggestion = None
    if len({reading.on for reading in series.readings}) < _LEAST:
        says = _too_few(series)
    else:
        slope, prediction = _line(series, next_test_on, confidence)
        says = _describe(series, slope, confidence, unit)
        if prediction is not None and series.minimum is not None:
            chance = prediction.chance_below_minimum
            limit = {"minimum": series.minimum, "unit": unit, "day": next_test_on.isoformat()}
            says += " " + sentence("trend", "chance", chance=chance, **limit)
            if chance >= setting("replace_before"):
                code = "replace_spring_or_seat" if quantity == "held_at" else "replace_spring"
                suggestion = sentence("trend", code, component=component)
    return ComponentTrend(
        line=line,
        component=component,
        quantity=quantity,
        minimum=series.minimum,
        repaired_on=series.repaired_on,
        readings=series.readings,
        slope=slope,
        next_test=prediction,
        confidence=confidence,
        suggestion=suggestion,
        says=says,
    )


def _too_few(series: _Series) -> str:
    count, since = len(series.readings), "" if series.repaired_on is None else series.repaired_on.isoformat()
    if since and count == 1:
        return sentence("trend", "one_reading_since", repaired_on=since, least=_LEAST)
    if since:
        return sentence("trend", "few_readings_since", count=count, repaired_on=since, least=_LEAST)
    if count == 1:
        return sentence("trend", "one_reading", least=_LEAST)
    return sentence("trend", "few_readings", count=count, least=_LEAST)


def _describe(series: _Series, slope: TrendSlope, confidence: float, unit: str) -> str:
    """The change in a year, with its interval."""
    figures = {"slope": slope.per_year, "low": slope.low, "high": slope.high, "confidence": confidence}
    if series.repaired_on is None:
        return sentence("trend", "slope", count=len(series.readings), unit=unit, **figures)
    since = series.repaired_on.isoformat()
    return sentence("trend", "slope_since", count=len(series.readings), repaired_on=since, unit=unit, **figures)


def _line(series: _Series, on: dt.date, confidence: float) -> tuple[TrendSlope, TrendPrediction | None]:
    """The line through the readings, and what it lets one expect on that day; no prediction where there is no minimum or no scatter."""
    first = series.readings[0].on
    x = [(reading.on - first).days / DAYS_IN_A_YEAR for reading in series.readings]
    y = [reading.value for reading in series.readings]
    n = len(x)
    mean_x, mean_y = math.fsum(x) / n, math.fsum(y) / n
    spread = math.fsum((at - mean_x) ** 2 for at in x)
    per_year = math.fsum((at - mean_x) * (value - mean_y) for at, value in zip(x, y, strict=True)) / spread
    left = math.fsum((value - mean_y - per_year * (at - mean_x)) ** 2 for at, value in zip(x, y, strict=True))
    scatter = math.sqrt(max(left / (n - 2), series.resolution**2 / 12))
    wide = t_exceeded_by((1 - confidence) / 2, n - 2)
    error = scatter / math.sqrt(spread)
    slope = TrendSlope(per_year=per_year, standard_error=error, low=per_year - wide * error, high=per_year + wide * error)
    if series.minimum is None or scatter == 0:
        return slope, None
    ahead = (on - first).days / DAYS_IN_A_YEAR
    expected = mean_y + per_year * (ahead - mean_x)
    off = scatter * math.sqrt(1 + 1 / n + (ahead - mean_x) ** 2 / spread)
    below = t_tail((expected - series.minimum) / off, n - 2)
    return slope, TrendPrediction(
        on=on, expected=expected, low=expected - wide * off, high=expected + wide * off, chance_below_minimum=below
    )
