"""What the states of an assembly's parts come to where the parts of two lines act together: the Type II detectors."""

from typing import Any

import pytest

from rules.field_test.answer import ProtectionReason, SuitabilityReason
from rules.field_test.circumstances import Circumstances
from rules.field_test.protection import LineResult, State, phase_verdict, reasons
from rules.sources import Source

SOURCE = Source(title="–", clause="–", provenance="common_practice")
PLACE = Circumstances(
    word=None,
    hazard="health",
    mechanisms=("backsiphonage", "backpressure", "both"),
    basis=ProtectionReason(code="computed_possible", because="Computed.", source=SOURCE),
    suitable=True,
    suitability=SuitabilityReason(because="Listed.", source=SOURCE, missing=(), serves=()),
)


def lines(main: tuple[State, ...], bypass: State) -> tuple[LineResult, LineResult]:
    def line(*states: State) -> LineResult:
        return LineResult(states=states, failure_seen=bool({"failed", "weak"} & set(states)))

    return line(*main), line(bypass)


# A Type II bypass shares the main line's check 1 and has a single check of its own (a trade article on ASSE 1047 and 1048, as reported;
# from memory): its line is main check 1 (and the relief valve), then the bypass check. What is left follows as for the plain kind.
@pytest.mark.parametrize(
    ("kind", "main", "bypass", "left", "acts_as"),
    [
        ("dcda_ii", ("sound", "sound"), "sound", "full", None),
        ("dcda_ii", ("sound", "sound"), "failed", "degraded", "degraded"),
        ("dcda_ii", ("sound", "failed"), "failed", "degraded", "degraded"),
        ("dcda_ii", ("failed", "sound"), "sound", "degraded", "degraded"),
        ("dcda_ii", ("failed", "sound"), "failed", "lost", "lost"),
        ("dcda_ii", ("failed", "failed"), "sound", "lost", "lost"),
        ("dcda_ii", ("failed", "sound"), "weak", "degraded", "last_barrier_weak"),
        ("dcda_ii", ("failed", "sound"), "unknown", "unknown", "lost"),
        ("dcda_ii", ("sound", "sound"), "unknown", "unknown", None),
        ("rpda_ii", ("sound", "sound", "sound"), "failed", "degraded", "degraded"),
        ("rpda_ii", ("sound", "failed", "sound"), "failed", "degraded", "last_check"),
        ("rpda_ii", ("failed", "sound", "sound"), "failed", "unknown", "lost"),
        ("rpda_ii", ("failed", "sound", "failed"), "failed", "unknown", "lost"),
        ("rpda_ii", ("failed", "failed", "sound"), "failed", "lost", "lost"),
    ],
)
def test_a_type_ii_detector_is_judged_as_one(
    *, kind: Any, main: tuple[State, ...], bypass: State, left: str, acts_as: str | None
) -> None:
    found = lines(main, bypass)
    outcome: Any = "fail" if acts_as else "pass"
    verdict = phase_verdict(kind, PLACE, outcome, found)
    assert (verdict.mechanical_protection, verdict.acts_as) == (left, acts_as)


def test_a_type_ii_bypass_check_below_its_minimum_is_said_to_be_a_barrier_still() -> None:
    [basis, reason] = reasons("dcda_ii", PLACE, lines(("sound", "sound"), "weak"))
    assert basis == PLACE.basis
    assert "does not leak and can still prevent backflow" in reason.because
