"""The gauge: what it does to every number of a test, and whether anything vouches for it."""

import datetime as dt
from functools import lru_cache

from msgspec import UNSET, Struct, UnsetType

from rules.calendar import add_months
from rules.field_test.answer import Flag
from rules.field_test.criteria import REMEMBERED, Gauged, gauged_by
from rules.field_test.document import Gauge
from rules.field_test.flags import flag
from rules.field_test.plan import Plan
from rules.field_test.uncertainty import head_per_length, standard_uncertainty
from rules.quantities import LengthUnit


class GaugeShows(Struct, frozen=True, kw_only=True):
    """What surrounds the numbers, and the flags on the gauge."""

    gauged: Gauged
    flags: tuple[Flag, ...]


@lru_cache(maxsize=REMEMBERED)
def gauge_shows(plan: Plan, gauge: Gauge | UnsetType, length: LengthUnit | UnsetType, performed_on: dt.date) -> GaugeShows:
    """What the gauge comes to on the day of the test; its height is in `length`."""
    return GaugeShows(gauged=_gauged(plan, gauge, length), flags=tuple(_flags(plan, gauge, performed_on)))


def _gauged(plan: Plan, gauge: Gauge | UnsetType, length: LengthUnit | UnsetType) -> Gauged:
    """What surrounds the numbers; a head is added only where a single hose reads against the atmosphere."""
    uncertainty = head = 0.0
    if gauge is not UNSET:
        if gauge.accuracy is not UNSET:
            uncertainty = standard_uncertainty(gauge.accuracy, 0.0 if gauge.resolution is UNSET else gauge.resolution)
        if gauge.height_above_assembly and length is not UNSET and plan.kind.single_hose:
            # A gauge held above the assembly reads low by the head in its hose, and one held below reads high.
            head = gauge.height_above_assembly * head_per_length(length, plan.unit)
    return gauged_by(uncertainty, head)


def _flags(plan: Plan, gauge: Gauge | UnsetType, performed_on: dt.date) -> list[Flag]:
    if gauge is UNSET:
        return [flag("gauge_calibration_unknown", "/gauge", "Nothing is told of the gauge, so nothing vouches for its readings.")]
    flags: list[Flag] = []
    if gauge.calibrated_on is UNSET:
        flags.append(flag("gauge_calibration_unknown", "/gauge/calibrated_on", "When the gauge was calibrated is not told."))
    elif gauge.calibrated_on > performed_on:
        message = "The gauge's only calibration told was made after the test; what it read then is not vouched for."
        flags.append(flag("gauge_calibrated_after_test", "/gauge/calibrated_on", message))
    elif performed_on > add_months(gauge.calibrated_on, plan.calibration_months):
        message = f"The gauge was last calibrated on {gauge.calibrated_on.isoformat()}, more than {plan.calibration_months} months before the test."
        flags.append(flag("gauge_calibration_expired", "/gauge/calibrated_on", message))
    if gauge.accuracy is not UNSET and gauge.accuracy > plan.accuracy_at_most:
        message = f"The gauge is accurate to ±{gauge.accuracy:g} {plan.unit}; ±{plan.accuracy_at_most:.4g} {plan.unit} or better is asked."
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
