"""Whether a kind that is already there is suitable for its hazard, by the rulebook's published table."""

import datetime as dt
from typing import Any

import pytest
from msgspec import UNSET

from rules.errors import NotInForceError, NotJudgeableError
from rules.selection import Suitability, suitability
from rules.selection.tables import index

ON = dt.date(2026, 6, 1)


def ask(kind: str, hazard: Any, rulebook: str = "us-wa", purpose: Any = UNSET, **facts: bool) -> Suitability:
    return suitability(rulebook, ON, kind, hazard, purpose, **facts)


# WAC 246-290-490(4)(a) [published]: high health hazard → air gap, RP, RPDA; low → those, DC, DCDA.
@pytest.mark.parametrize(
    ("kind", "hazard", "suitable"),
    [
        ("dc", "health", False),
        ("dcda", "health", False),
        ("rp", "health", True),
        ("dc", "non_health", True),
        ("rp", "non_health", True),
    ],
)
def test_the_hazard_alone_decides_where_every_purpose_agrees(kind: str, hazard: str, suitable: bool) -> None:  # noqa: FBT001 - a table's column
    found = ask(kind, hazard)
    assert (found.suitable, found.missing) == (suitable, ())
    assert found.source is not None
    assert found.source.clause.startswith("246-290-490(4)(a)")


def test_what_is_not_suitable_names_the_kinds_that_serve() -> None:
    found = ask("dc", "health")
    assert found.serves == ("rp", "rpda", "air_gap")
    assert found.because.endswith("This kind is not one of them.")


# WAC 246-290-490(4)(b)(ii) [published]: an air gap, or an RP or RPDA in combination with an in-plant air gap.
def test_an_rp_before_a_severe_hazard_in_washington_needs_an_in_plant_air_gap_on_record() -> None:
    none = ask("rp", "severe")
    assert (none.suitable, none.serves) == (False, ("air_gap",))
    assert none.because.endswith("None is on record.")
    assert none.source is not None
    assert none.source.clause == "246-290-490(4)(b)(ii)(B)"
    assert ask("rp", "severe", in_plant_air_gap=False).suitable is False
    on_record = ask("rp", "severe", in_plant_air_gap=True)
    assert (on_record.suitable, on_record.serves) == (True, ("air_gap", "rp", "rpda"))
    assert ask("dc", "severe", in_plant_air_gap=True).suitable is False


def test_a_purpose_or_backpressure_that_would_decide_and_is_not_stated_is_named() -> None:
    # Vacuum breakers guard against backsiphonage only, and do not serve premises isolation. Common practice, no source.
    assert ask("pvb", "health").missing == ("purpose",)
    at_use = ask("pvb", "health", purpose="point_of_use")
    assert (at_use.suitable, at_use.missing) == (None, ("backpressure_possible",))
    assert ask("pvb", "health", purpose="point_of_use", backpressure_possible=False).suitable is True
    against = ask("pvb", "health", purpose="point_of_use", backpressure_possible=True)
    assert against.suitable is False
    assert against.source is not None
    assert against.source.provenance == "common_practice"
    assert ask("pvb", "health", purpose="premises_isolation", backpressure_possible=False).suitable is False


def test_what_no_table_can_say_is_not_determined() -> None:
    assert ask("rp", UNSET).missing == ("hazard",)
    for rulebook, words in (("atlantis", "no table"), ("eu-en1717", "fluid category")):
        found = ask("rp", "health", rulebook)
        assert found.suitable is None
        assert words in found.because
    unlisted = ask("BA", "health")
    assert unlisted.suitable is None
    assert "does not list" in unlisted.because
    with pytest.raises(NotInForceError):
        suitability("us-wa", dt.date(1900, 1, 1), "rp", "health")


# ASSE 1047 and 1048, Type II [memory]: a single check on the bypass. The published tables name no types.
@pytest.mark.parametrize(
    ("kind", "hazard", "suitable"), [("rpda_ii", "health", True), ("dcda_ii", "health", False), ("dcda_ii", "non_health", True)]
)
def test_a_type_ii_detector_is_treated_like_a_type_i(kind: str, hazard: str, suitable: bool) -> None:  # noqa: FBT001 - a table's column
    found = ask(kind, hazard)
    assert found.suitable is suitable
    assert found.because.startswith("The table does not name Type II")


@pytest.mark.parametrize("wrong", [{"hazard": "unknown"}, {"hazard": "healthy"}, {"hazard": "health", "purpose": "decoration"}])
@pytest.mark.parametrize("rulebook", index())
def test_an_unknown_hazard_or_purpose_is_a_clear_error(rulebook: str, wrong: dict[str, Any]) -> None:
    with pytest.raises(NotJudgeableError) as caught:
        suitability(rulebook, ON, "rp", **wrong)
    assert str(caught.value).startswith(f"Unknown {'purpose' if 'purpose' in wrong else 'hazard'} `")
    assert "leave it out if it is not known" in str(caught.value)
