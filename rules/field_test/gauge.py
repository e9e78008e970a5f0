"""The gauge: the uncertainty of its readings, whether it was level, and whether its calibration is valid."""

import datetime as dt
from typing import Literal

from msgspec import UNSET, Struct, UnsetType

from rules.calendar import add_months
from rules.field_test.answer import Flag
from rules.field_test.document import GaugeUsed
from rules.field_test.flags import flag
from rules.field_test.plan import Plan
from rules.field_test.uncertainty import standard_uncertainty
from rules.load import rulebook
from rules.local_rulebook import RulebookKey
from rules.quantities import LengthUnit, convert

_MONTHS_DIFFER = 3
"""By so many days the lengths of months differ."""
Level = Literal["level", "high", "low"]
"""Where the gauge was held; with one end open to the atmosphere a gauge held low reads high, and one held high reads low."""


class Gauged(Struct, frozen=True, kw_only=True):
    """What the gauge means for every reading, in its unit: standard uncertainty (0: not stated), accuracy (±), and its level."""

    uncertainty: float
    accuracy: float
    level: Level


def gauged(plan: Plan, gauge: GaugeUsed | UnsetType, length: LengthUnit | UnsetType) -> Gauged:
    """The gauge's uncertainty, accuracy and level; its height is in `length`."""
    if gauge is UNSET:
        return Gauged(uncertainty=0.0, accuracy=plan.accuracy_assumed, level="level")
    uncertainty, accuracy = 0.0, plan.accuracy_assumed
    if gauge.accuracy is not UNSET:
        accuracy = gauge.accuracy
        uncertainty = standard_uncertainty(accuracy, 0.0 if gauge.resolution is UNSET else gauge.resolution)
    level: Level = "level"
    if gauge.height_above_assembly is not UNSET and length is not UNSET:
        within = plan.rulebook.limit("gauge.level")
        if abs(gauge.height_above_assembly) > convert(within.at_most or 0.0, within.unit, length):
            level = "high" if gauge.height_above_assembly > 0 else "low"
    return Gauged(uncertainty=uncertainty, accuracy=accuracy, level=level)


def calibrated_before(key: RulebookKey, on: dt.date, day: dt.date) -> dt.date:
    """The first day on which a gauge was calibrated whose calibration, by the rulebook in force on `on`, is still valid on `day`.

    UnknownRulebookError or NotInForceError where there is no rulebook.
    """
    months = int(rulebook(key, on).limit("gauge.calibration").at_most or 0)
    # Months end on different days: a little before and after the same day of that month.
    about = add_months(day, -months).toordinal()
    ordinals = range(max(about - _MONTHS_DIFFER, 1), min(about + _MONTHS_DIFFER, dt.date.max.toordinal()) + 1)
    return next((found for found in map(dt.date.fromordinal, ordinals) if add_months(found, months) >= day), dt.date.max)


def calibration_valid(plan: Plan, gauge: GaugeUsed | UnsetType) -> tuple[dt.date, dt.date]:
    """The first and the last day on which the stated calibration is valid; all days where no date is stated."""
    if gauge is UNSET or gauge.calibrated_on is UNSET:
        return dt.date.min, dt.date.max
    return gauge.calibrated_on, add_months(gauge.calibrated_on, int(plan.calibration.at_most or 0))


def flags_of_gauge(plan: Plan, gauge: GaugeUsed | UnsetType, performed_on: dt.date) -> list[Flag]:
    """The flags on the gauge; the same on all days of `calibration_valid`."""
    if gauge is UNSET:
        return [flag("gauge_calibration_unknown", "/gauge", case="no_gauge")]
    flags: list[Flag] = []
    if gauge.calibrated_on is UNSET:
        flags.append(flag("gauge_calibration_unknown", "/gauge/calibrated_on"))
    elif performed_on < gauge.calibrated_on:
        calibrated_on = gauge.calibrated_on.isoformat()
        flags.append(flag("gauge_calibrated_after_test", "/gauge/calibrated_on", calibrated_on=calibrated_on))
    elif performed_on > calibration_valid(plan, gauge)[1]:
        limit = plan.calibration
        flags.append(
            flag(
                "gauge_calibration_expired",
                "/gauge/calibrated_on",
                rests_on=plan.rulebook.cite(limit).provenance,
                calibrated_on=gauge.calibrated_on.isoformat(),
                months=int(limit.at_most or 0),
            )
        )
    if gauge.accuracy is not UNSET and gauge.accuracy > plan.accuracy_at_most:
        flags.append(
            flag(
                "gauge_too_coarse",
                "/gauge/accuracy",
                in_words={"at_most": f"{plan.accuracy_at_most:.2g}"},
                accuracy=float(gauge.accuracy),
                at_most=plan.accuracy_at_most,
                pressure_unit=plan.unit,
            )
        )
    return flags
