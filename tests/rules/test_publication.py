"""A rulebook laid open: every entry that is cited carries its source, and nothing of the rulebook is left out."""

import datetime as dt
from typing import Any

import pytest

import rules

TODAY = dt.date(2026, 6, 1)


def cited(value: Any) -> list[dict[str, Any]]:
    if isinstance(value, dict):
        return ([value] if "says" in value or "adds" in value else []) + [one for item in value.values() for one in cited(item)]
    return [one for item in value for one in cited(item)] if isinstance(value, list) else []


@pytest.mark.parametrize("rulebook_id", [one.id for one in rules.carried(TODAY)])
def test_every_entry_shows_its_source_clause_and_mark(rulebook_id: str) -> None:
    result = rules.publish(rulebook_id, TODAY)
    entries = [one for name in result.__struct_fields__ for one in cited(getattr(result, name))]
    assert entries
    for one in entries:
        assert one["source"]["title"]
        assert one["source"]["provenance"] in {"published", "from_memory", "common_practice"}


def test_a_rulebook_that_judges_tests_shows_all_its_criteria_and_tables() -> None:
    book, result = rules.rulebook("us-wa", TODAY), rules.publish("us-wa", TODAY)
    assert [one["rule"] for one in result.criteria] == [one.rule for one in book.criteria]
    assert result.digest == book.digest
    assert result.tables[0]["id"] == "wac-246-290-490"
    assert result.placement


def test_the_canadian_rulebook_shows_the_publishers_metric_figures() -> None:
    facts = {one["rule"]: one for one in rules.publish("ca-bc", TODAY).criteria}
    assert facts["rp.buffer"]["printed"][0]["at_least"] == 20.0
    assert facts["rp.buffer"]["printed"][0]["source"]["provenance"] == "published"


def test_one_that_only_chooses_is_carried_and_says_so() -> None:
    by_id = {one.id: one for one in rules.carried(TODAY)}
    assert not by_id["eu-en1717"].judges_tests
    assert rules.publish("eu-en1717", TODAY).criteria == []
    with pytest.raises(rules.NotInForceError):
        rules.publish("eu-en1717", dt.date(1990, 1, 1))
    with pytest.raises(rules.UnknownRulebookError):
        rules.publish("nowhere", TODAY)
