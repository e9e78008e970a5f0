"""The gauge: what it does to every number of a test, and whether anything vouches for it."""

import datetime as dt

from msgspec import UNSET, UnsetType

from rules.calendar import add_months
from rules.field_test.answer import Flag
from rules.field_test.criteria import Gauged, gauged_by
from rules.field_test.document import GaugeUsed
from rules.field_test.flags import flag
from rules.field_test.plan import Plan
from rules.field_test.uncertainty import head_per_length, standard_uncertainty
from rules.quantities import LengthUnit


def gauged(plan: Plan, gauge: GaugeUsed | UnsetType, length: LengthUnit | UnsetType) -> Gauged:
    """What surrounds the numbers, the gauge's height in `length`; a head is added only where a single hose reads against the atmosphere."""
    uncertainty = head = 0.0
    accuracy = plan.accuracy_assumed if gauge is UNSET or gauge.accuracy is UNSET else gauge.accuracy
    if gauge is not UNSET:
        if gauge.accuracy is not UNSET:
            uncertainty = standard_uncertainty(gauge.accuracy, 0.0 if gauge.resolution is UNSET else gauge.resolution)
        if gauge.height_above_assembly and length is not UNSET and plan.kind.single_hose:
            # A gauge held above the assembly reads low by the head in its hose, and one held below reads high.
            head = gauge.height_above_assembly * head_per_length(length, plan.unit)
    return gauged_by(uncertainty, head, accuracy)


def vouched(plan: Plan, gauge: GaugeUsed | UnsetType) -> tuple[dt.date, dt.date]:
    """The first and the last day on which the calibration told vouches for it; always, where none is told that could end."""
    if gauge is UNSET or gauge.calibrated_on is UNSET:
        return dt.date.min, dt.date.max
    return gauge.calibrated_on, add_months(gauge.calibrated_on, plan.calibration_months)


def flags_of_gauge(plan: Plan, gauge: GaugeUsed | UnsetType, performed_on: dt.date) -> list[Flag]:
    """The flags on the gauge; the same on all days of `vouched`."""
    if gauge is UNSET:
        return [flag("gauge_calibration_unknown", "/gauge", "Nothing is told of the gauge, so nothing vouches for its readings.")]
    flags: list[Flag] = []
    if gauge.calibrated_on is UNSET:
        flags.append(flag("gauge_calibration_unknown", "/gauge/calibrated_on", "When the gauge was calibrated is not told."))
    elif performed_on < gauge.calibrated_on:
        message = "The gauge's only calibration told was made after the test; what it read then is not vouched for."
        flags.append(flag("gauge_calibrated_after_test", "/gauge/calibrated_on", message))
    elif performed_on > vouched(plan, gauge)[1]:
        message = f"The gauge was last calibrated on {gauge.calibrated_on.isoformat()}, more than {plan.calibration_months} months before the test."
        flags.append(flag("gauge_calibration_expired", "/gauge/calibrated_on", message))
    if gauge.accuracy is not UNSET and gauge.accuracy > plan.accuracy_at_most:
        message = f"The gauge is accurate to ±{gauge.accuracy:g} {plan.unit}; ±{plan.accuracy_at_most:.2g} {plan.unit} or better is asked."
        flags.append(flag("gauge_too_coarse", "/gauge/accuracy", message))
    if gauge.height_above_assembly is not UNSET and gauge.height_above_assembly != 0:
        what = (
            "the readings are corrected for the head of water in the hose"
            if plan.kind.single_hose
            else "both hoses are filled, so the differential stands"
        )
        flags.append(
            flag("gauge_not_level", "/gauge/height_above_assembly", f"The gauge did not stand level with the assembly; {what}.")
        )
    return flags
