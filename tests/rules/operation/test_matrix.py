"""The protection matrix, computed, against the facts of the trade."""

import pytest

from rules.load import catalogue
from rules.operation import OperableKind, protected, protection_in, protection_matrix, withstands
from rules.operation.elements import Status


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
        ("rpda_ii", "check", "degraded"),
        ("rpda_ii", "check_1 relief_valve check", "lost"),
        ("dcda_ii", "check_2 check", "degraded"),
        ("dcda_ii", "check_1 check", "lost"),
        ("dcda_ii", "check_1 check_2", "lost"),
        ("avb", "air_inlet", "lost"),
        ("dual_check", "check_1", "degraded"),
        ("air_gap", "", "full"),
    ],
)
def test_protection_left_by_a_failure(kind: OperableKind, failed: str, expected: str) -> None:
    assert protection_in(kind, failed_as_tests_find(failed)) == expected


def failed_as_tests_find(failed: str) -> dict[str, Status]:
    """Checks that leak a little, relief valves and air inlets that do not open."""
    return {part: "leaking" if part.startswith("check") else "stuck_closed" for part in failed.split()}


def test_an_rp_with_two_leaking_checks_keeps_its_relief_valve() -> None:
    # The relief valve is the barrier left (common practice, no source).
    assert protection_in("rp", failed_as_tests_find("check_1 check_2")) == "unknown"
    assert protected("rp", frozenset({"check_1", "check_2"}), "backsiphonage", "small")
    # The matrix is harder: a second check gone altogether lets a pump overwhelm the relief valve, and where backpressure meets a broken
    # main, what stands in the zone is still sucked through the first check (physics, no source).
    assert protected("rp", frozenset({"check_1", "check_2"}), "backpressure", "small")
    assert not protected("rp", frozenset({"check_1", "check_2"}), "backpressure", "wide_open")
    assert not protected("rp", frozenset({"check_1", "check_2"}), "both", "small")


def test_each_kind_withstands_what_the_catalogue_says_it_guards_against() -> None:
    # The catalogue's table is the trade's; the matrix is computed and reads no table.
    for kind in ("rp", "rpda", "dc", "dcda", "pvb", "svb", "avb", "dual_check", "air_gap"):
        guarded = {mechanism for mechanism in ("backsiphonage", "backpressure") if withstands(kind, mechanism)}
        assert guarded == set(catalogue()[kind].guards_against), kind
        assert withstands(kind, "both") == (len(guarded) == 2), kind


def test_a_vacuum_breaker_is_never_protected_under_backpressure() -> None:
    rows = [row for row in protection_matrix() if row.kind in {"pvb", "svb", "avb"} and row.mechanism != "backsiphonage"]
    assert len(rows) == 2 * 2 * (4 + 4 + 2)
    assert not any(row.protected for row in rows)


def test_the_matrix_has_every_kind_set_of_parts_mechanism_and_leak_once() -> None:
    rows = protection_matrix()
    keys = {(row.kind, row.failed, row.mechanism, row.leak) for row in rows}
    # rp and rpda, five kinds of two parts, avb, air gap, rpda_ii, dcda_ii.
    assert len(keys) == len(rows) == 2 * 3 * (2 * 8 + 5 * 4 + 2 + 1 + 16 + 8)


def test_repairing_a_part_never_lowers_protection() -> None:
    answers = {(row.kind, frozenset(row.failed), row.mechanism, row.leak): row.protected for row in protection_matrix()}
    for (kind, failed, mechanism, leak), holds in answers.items():
        for part in failed:
            assert answers[kind, failed - {part}, mechanism, leak] or not holds


def test_a_wide_open_check_never_protects_where_a_small_leak_does_not() -> None:
    answers = {(row.kind, row.failed, row.mechanism, row.leak): row.protected for row in protection_matrix()}
    for (kind, failed, mechanism, leak), holds in answers.items():
        assert leak == "small" or not holds or answers[kind, failed, mechanism, "small"]


def test_a_type_i_line_is_protected_as_its_own_kind_is() -> None:
    for detector, plain in (("rpda", "rp"), ("dcda", "dc")):
        by_kind = {
            kind: {(row.failed, row.mechanism, row.leak): row.protected for row in protection_matrix() if row.kind == kind}
            for kind in (detector, plain)
        }
        assert by_kind[detector] == by_kind[plain]


@pytest.mark.parametrize(("detector", "plain"), [("rpda_ii", "rp"), ("dcda_ii", "dc")])
def test_a_type_ii_bypass_check_is_as_good_as_main_check_2_beside_it(detector: OperableKind, plain: OperableKind) -> None:
    # The bypass parallels main check 2, so its line is main check 1 (and relief valve), then the bypass check.
    answers = {(row.kind, frozenset(row.failed), row.mechanism, row.leak): row.protected for row in protection_matrix()}
    for (kind, failed, mechanism, leak), holds in answers.items():
        if kind == detector and ("check" in failed) != ("check_2" in failed):
            assert holds == answers[plain, failed - {"check"} | {"check_2"}, mechanism, leak], (failed, mechanism, leak)


def test_a_part_that_the_kind_does_not_have_is_an_error() -> None:
    with pytest.raises(KeyError, match="dc has no air_inlet"):
        protected("dc", frozenset({"air_inlet"}), "backpressure", "small")


def test_a_kind_that_is_not_modelled_is_an_error() -> None:
    with pytest.raises(KeyError, match="barometric_loop is not modelled"):
        protected("barometric_loop", frozenset(), "backpressure", "small")


def test_a_part_that_a_matrix_row_cannot_have_is_an_error() -> None:
    with pytest.raises(KeyError, match="rpda has no check"):
        protected("rpda", frozenset({"check"}), "backpressure", "small")
