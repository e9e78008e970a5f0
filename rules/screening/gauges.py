"""A gauge that reads differently late in its calibration interval than early: a shift against what all gauges read.

Each reading is taken less the middle of that year's readings of all gauges on the same kind and component, so that what changes for
everybody cancels. The earlier half of the gauge's readings since a calibration is compared with the later half by ranks (Wilcoxon's
rank-sum test, Mann and Whitney 1947, with the correction for ties, in its normal approximation; a stuck or leaking part counts as one rank
however far
out it reads). A shift within the gauge's own accuracy is left alone: that much its calibration allows.
"""

import datetime as dt
import math
from collections.abc import Iterator, Sequence
from statistics import median

from msgspec import Struct

from rules.chance import adjusted, normal_tail
from rules.quantities import fast_factor
from rules.screening.document import ScreenedTest, ScreeningEvidence, SecondLook, named
from rules.screening.settings import setting
from rules.screening.tally import Middles, readings_of
from rules.screening.texts import sentence


class GaugeHalves(Struct, frozen=True, kw_only=True):
    """One gauge over one calibration interval, compared: the shift [psi] from the earlier half to the later, and its chance."""

    gauge_id: str
    calibrated_on: dt.date | None
    chance: float
    shift: float
    accuracy: float
    readings: int
    report_ids: list[str]
    on: dt.date


def halves_of(tests: Sequence[ScreenedTest], middles: Middles) -> GaugeHalves | None:
    """The two halves of one gauge's tests since one calibration, in the order of their making; None where there are too few."""
    cut = len(tests) // 2
    early = [value - middles.of(sort) for test in tests[:cut] for sort, value in readings_of(test)]
    late = [value - middles.of(sort) for test in tests[cut:] for sort, value in readings_of(test)]
    if min(len(early), len(late)) < setting("least_of_a_half"):
        return None
    newest = tests[-1]
    return GaugeHalves(
        gauge_id=newest.gauge_id,
        calibrated_on=newest.calibrated_on,
        chance=2 * normal_tail(abs(rank_sum(early, late))),
        shift=median(late) - median(early),
        accuracy=newest.accuracy * fast_factor(newest.unit, "psi"),
        readings=len(early) + len(late),
        report_ids=named([test.report_id for test in tests]),
        on=newest.performed_at.date(),
    )


def rank_sum(early: Sequence[float], late: Sequence[float]) -> float:
    """The standard score of the later values' ranks among all: above 0 where they lie higher; 0 where all are alike."""
    values = sorted([(round(value, 6), 0) for value in early] + [(round(value, 6), 1) for value in late])
    count, ranks, ties, at = len(values), 0.0, 0, 0
    while at < count:
        end = at
        while end < count and values[end][0] == values[at][0]:
            end += 1
        alike = end - at
        # Equal values share the mean of their ranks.
        ranks += (at + 1 + end) / 2 * sum(which for _, which in values[at:end])
        ties += alike**3 - alike
        at = end
    n, m = len(early), len(late)
    variance = n * m / 12 * (count + 1 - ties / (count * (count - 1)))
    off = ranks - m * (count + 1) / 2
    return off / math.sqrt(variance) if variance > 0 else 0.0


def looks_at_gauges(halves: Sequence[GaugeHalves]) -> Iterator[SecondLook]:
    """What deserves a second look among all gauges compared."""
    for gauge, chance in zip(halves, adjusted([gauge.chance for gauge in halves]), strict=True):
        if chance > setting("false_discovery") or abs(gauge.shift) <= gauge.accuracy:
            continue
        figures = {"shift": gauge.shift, "accuracy": gauge.accuracy}
        if gauge.calibrated_on is None:
            message = sentence("gauge_shift", "since_first_test", **figures)
        else:
            calibrated_on = gauge.calibrated_on.isoformat()
            message = sentence("gauge_shift", "since_calibration", calibrated_on=calibrated_on, **figures)
        yield SecondLook(
            screen="gauge_shift",
            subject="gauge",
            subject_id=gauge.gauge_id,
            occasion="never calibrated" if gauge.calibrated_on is None else gauge.calibrated_on.isoformat(),
            on=gauge.on,
            message=message,
            evidence=ScreeningEvidence(
                report_ids=gauge.report_ids,
                figures={
                    "shift_psi": round(gauge.shift, 3),
                    "accuracy_psi": round(gauge.accuracy, 3),
                    "readings": gauge.readings,
                },
                chance=gauge.chance,
                adjusted_chance=chance,
                comparisons=len(halves),
            ),
        )
