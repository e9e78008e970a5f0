"""One call answers, for every authority: how often, by when, who may test, which premises need protection; each with its clause and its mark.

What was not read is said as such, so that no answer passes for the authority's own.
"""

from typing import Any

import pytest

import rules
from tests.support.world import World

MARKS = {"published", "from_memory", "common_practice", "stated_by_utility"}


def questions(book: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """The entries that answer each question."""
    return {
        "intervals": book["intervals"],
        "deadlines": book["deadlines"],
        "report_due": [limit for limit in book["limits"] if limit["name"] == "report.due"],
        "triggers": book["triggers"],
        "testers": book["testers"],
        "premises": [row for table in book["tables"] for row in table["raises"]],
        "hazard_words": book["hazard_words"],
        "criteria": book["criteria"],
    }


def holds(book: dict[str, Any]) -> None:
    unread = {entry["subject"]: entry for entry in book["not_read"]}
    for subject, entries in questions(book).items():
        assert entries or subject in unread, (book["id"], subject)
        for entry in [*entries, *([unread[subject]] if subject in unread else [])]:
            source = entry["source"]
            assert source["title"], (book["id"], subject)
            assert source["clause"], (book["id"], subject)
            assert source["provenance"] in MARKS
            assert entry["says"].strip()
        # Where all that is answered is common practice, the rulebook says that the authority's own was not read.
        if book["id"] != "us-common" and entries and {entry["source"]["provenance"] for entry in entries} == {"common_practice"}:
            assert subject in unread, (book["id"], subject)


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_the_rulebook_answers_each_question_or_says_what_was_not_read(world: World, rulebook: str) -> None:
    answer = world.client.get(f"/v1/rulebooks/{rulebook}")
    assert answer.status_code == 200, answer.text
    holds(answer.json())


@pytest.mark.parametrize("rulebook", ["us-wa", "us-mo", "ca-qc", "au-nsw", "gb"])
def test_so_does_the_effective_rulebook_of_a_utility(world: World, rulebook: str) -> None:
    answer = world.place(rulebook).get("/rulebook")
    assert answer.status_code == 200, answer.text
    holds(answer.json())
