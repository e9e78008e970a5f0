"""The protection matrix, computed, against the facts of the trade."""

import pytest

from rules.load import catalogue
from rules.operation import OperableKind, protected, protection, protection_matrix, withstands


# What a failure means for protection: common practice, no source.
@pytest.mark.parametrize(
    ("kind", "failed", "expected"),
    [
        ("pvb", "", "full"),
        ("pvb", "check", "degraded"),
        ("pvb", "air_inlet", "degraded"),
        ("pvb", "check air_inlet", "lost"),
        ("svb", "check", "degraded"),
        ("svb", "air_inlet", "degraded"),
        ("svb", "check air_inlet", "lost"),
        ("dc", "", "full"),
        ("dc", "check_1", "degraded"),
        ("dc", "check_2", "degraded"),
        ("dc", "check_1 check_2", "lost"),
        ("dcda", "check_2", "degraded"),
        ("dcda", "check_1 check_2", "lost"),
        ("rp", "", "full"),
        ("rp", "check_1", "degraded"),
        ("rp", "relief_valve", "degraded"),
        ("rp", "check_2", "degraded"),
        ("rp", "check_1 relief_valve", "degraded"),
        ("rp", "relief_valve check_2", "degraded"),
        ("rp", "check_1 relief_valve check_2", "lost"),
        ("rpda", "check_1 relief_valve check_2", "lost"),
        ("avb", "air_inlet", "lost"),
        ("dual_check", "check_1", "degraded"),
        ("air_gap", "", "full"),
    ],
)
def test_protection_left_by_a_failure(kind: OperableKind, failed: str, expected: str) -> None:
    assert protection(kind, frozenset(failed.split())) == expected


def test_an_rp_with_two_leaking_checks_keeps_its_relief_valve() -> None:
    # The relief valve is the barrier left (common practice, no source).
    assert protection("rp", frozenset({"check_1", "check_2"})) == "degraded"
    assert protected("rp", frozenset({"check_1", "check_2"}), "backsiphonage")
    # The matrix is harder: a second check gone altogether lets a pump overwhelm the relief valve, and where backpressure meets a broken
    # main, what stands in the zone is still sucked through the first check (physics, no source).
    assert not protected("rp", frozenset({"check_1", "check_2"}), "backpressure")
    assert not protected("rp", frozenset({"check_1", "check_2"}), "both")


def test_each_kind_withstands_what_the_catalogue_says_it_guards_against() -> None:
    # The catalogue's table is the trade's; the matrix is computed and reads no table.
    for kind in ("rp", "rpda", "dc", "dcda", "pvb", "svb", "avb", "dual_check", "air_gap"):
        guarded = {hazard for hazard in ("backsiphonage", "backpressure") if withstands(kind, hazard)}
        assert guarded == set(catalogue()[kind].guards_against), kind
        assert withstands(kind, "both") == (len(guarded) == 2), kind


def test_a_vacuum_breaker_is_never_protected_under_backpressure() -> None:
    rows = [row for row in protection_matrix() if row.kind in {"pvb", "svb", "avb"} and row.hazard != "backsiphonage"]
    assert len(rows) == 2 * (4 + 4 + 2)
    assert not any(row.protected for row in rows)


def test_the_matrix_has_every_kind_combination_and_hazard_once() -> None:
    rows = protection_matrix()
    assert len({(row.kind, row.failed, row.hazard) for row in rows}) == len(rows) == 3 * (2 * 8 + 5 * 4 + 2 + 1)


def test_repairing_a_part_never_lowers_protection() -> None:
    answers = {(row.kind, frozenset(row.failed), row.hazard): row.protected for row in protection_matrix()}
    for (kind, failed, hazard), holds in answers.items():
        for part in failed:
            assert answers[kind, failed - {part}, hazard] or not holds


def test_a_detector_line_stands_as_its_own_kind_does() -> None:
    for detector, plain in (("rpda", "rp"), ("dcda", "dc")):
        rows = {(row.failed, row.hazard): row.protected for row in protection_matrix() if row.kind == detector}
        assert rows == {(row.failed, row.hazard): row.protected for row in protection_matrix() if row.kind == plain}


def test_a_part_that_the_kind_does_not_have_is_an_error() -> None:
    with pytest.raises(KeyError, match="dc has no air_inlet"):
        protection("dc", frozenset({"air_inlet"}))


def test_a_kind_that_is_not_modelled_is_an_error() -> None:
    with pytest.raises(KeyError, match="barometric_loop is not modelled"):
        protection("barometric_loop", frozenset())
