"""A document that cannot be judged gets all that is wrong with it at once."""

import datetime as dt
from typing import Any

import msgspec
import pytest

import rules
from tests.rules.refusals import whole


def refused(**changes: Any) -> rules.RulesError:
    document = {
        "rulebook": "us-wa",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": "pvb", "hazard": "health"},
        "units": {"pressure": "psi"},
        "initial_test": {"readings": []},
    } | changes
    with pytest.raises(rules.RulesError) as found:
        rules.judge(msgspec.convert(document, rules.Test), received_at=dt.datetime(2026, 6, 1, tzinfo=dt.UTC))
    return whole(found.value)


def test_lengths_without_a_unit_and_an_unknown_rulebook_are_reported_together() -> None:
    error = refused(
        rulebook="nowhere", assembly={"kind": "pvb", "hazard": "health", "size": 1.0}, gauge={"height_above_assembly": 12}
    )
    assert isinstance(error, rules.DocumentError)
    assert [one.pointer for one in (error, *error.also)] == ["/units/length", "/units/length", "/rulebook"]


def test_a_single_fault_stands_alone() -> None:
    assert refused(rulebook="nowhere").also == ()
    assert refused(gauge={"height_above_assembly": 12}).also == ()
