"""Hazard assessments over HTTP. That regulators count them: Utah's and Washington's yearly summaries (trade.md, section 6)."""

from typing import Any
from uuid import uuid4

import httpx

from tests.support.world import Place, World, bearer


def stated(place: Place, **changes: Any) -> dict[str, Any]:
    """An assessment of the place's premises."""
    return {
        "premises_id": place.premises,
        "assessed_on": "2026-05-14",
        "assessed_by": "Cross-connection office",
        "hazard": "health",
        "findings": "A dosing pump at the greenhouse tap.",
        "next_due_on": "2028-05-14",
    } | changes


def put(place: Place, document: dict[str, Any], assessment: str | None = None) -> httpx.Response:
    """The answer to PUT with the utility's key."""
    return place.world.client.put(
        f"{place.base}/hazard-assessments/{assessment or uuid4()}", json=document, headers=bearer(place.keys["utility"])
    )


def test_an_assessment_is_kept_as_reported_and_sending_it_again_changes_nothing(place: Place) -> None:
    own = str(uuid4())
    first, again = put(place, stated(place), own), put(place, stated(place), own)
    assert (first.status_code, again.status_code, first.json()) == (201, 200, again.json())
    kept = place.get(f"/hazard-assessments/{own}").json()
    assert {name: kept[name] for name in stated(place)} == stated(place)
    assert kept["organisation_id"] == place.organisations["utility"]
    assert put(place, stated(place, hazard="severe"), own).status_code == 409
    assert place.get(f"/hazard-assessments/{uuid4()}").status_code == 404


def test_a_wrong_assessment_is_corrected_by_another_of_the_same_premises_with_its_reason(place: Place, world: World) -> None:
    wrong = put(place, stated(place, hazard="non_health")).json()["id"]
    unsaid = put(place, stated(place, supersedes=wrong))
    assert (unsaid.status_code, [one["pointer"] for one in unsaid.json()["errors"]]) == (400, ["/supersedes_because"])
    why = {"supersedes": wrong, "supersedes_because": "The pump was overlooked."}
    elsewhere = place.made("premises", name="Q", address="2 Lock Lane", connection="fire")["id"]
    for document in (stated(place, **why, premises_id=elsewhere), stated(place, supersedes=str(uuid4()), supersedes_because="x")):
        refused = put(place, document)
        assert (refused.status_code, [one["pointer"] for one in refused.json()["errors"]]) == (422, ["/supersedes"])
    itself = str(uuid4())
    assert put(place, stated(place, supersedes=itself, supersedes_because="x"), itself).status_code == 422
    right = put(place, stated(place, **why)).json()["id"]
    assert place.get(f"/hazard-assessments/{wrong}").json()["superseded_by"] == right
    assert put(place, stated(place, **why)).status_code == 409
    assert listed(place, standing="true") == [right]
    assert listed(place, standing="false") == [wrong]
    assert [one["id"] for one in place.get("/changes").json()["items"] if one["resource"] == "hazard_assessments"] == [
        wrong,
        right,
    ]
    assert world.database.owner("SELECT version FROM record.premises WHERE id = $1::uuid", place.premises)[0][0] == 1


def listed(place: Place, **asked: str) -> list[str]:
    """The ids of the assessments listed."""
    return [one["id"] for one in place.get("/hazard-assessments", **asked).json()["items"]]


def test_what_cannot_be_is_all_reported(place: Place) -> None:
    refused = put(place, stated(place, assessed_on="2026-06-02", next_due_on="2026-06-01"))
    assert (refused.status_code, [one["pointer"] for one in refused.json()["errors"]]) == (422, ["/assessed_on", "/next_due_on"])
    missing = put(place, stated(place, premises_id=str(uuid4())))
    assert (missing.status_code, [one["pointer"] for one in missing.json()["errors"]]) == (422, ["/premises_id"])


def test_assessments_are_listed_by_premises_and_days_and_counted_in_their_year(place: Place) -> None:
    other = place.made("premises", name="Q", address="2 Lock Lane", connection="fire")["id"]
    last_year = put(place, stated(place, assessed_on="2025-12-31")).json()["id"]
    wrong = put(place, stated(place, assessed_on="2026-01-01")).json()["id"]
    right = put(place, stated(place, supersedes=wrong, supersedes_because="The day was wrong.")).json()["id"]
    there = put(place, stated(place, premises_id=other)).json()["id"]
    assert listed(place, premises_id=other) == [there]
    assert listed(place, since="2026-01-01", until="2026-01-01") == [wrong]
    for year, counted in ((2024, []), (2025, [last_year]), (2026, sorted([right, there]))):
        summary = place.get(f"/summaries/{year}", key="regulator").json()
        rows = place.get(f"/summaries/{year}/rows", figure="hazard_assessments").json()["items"]
        assert (summary["hazard_assessments"], [one["id"] for one in rows]) == (len(counted), counted)
        assert all(place.get(one["href"].removeprefix(place.base)).status_code == 200 for one in rows)
    page = place.world.client.get(
        f"{place.base}/summaries/2026", headers=bearer(place.keys["utility"]) | {"Accept": "text/html"}
    ).text
    assert "Surveys (hazard assessments) made in the year" in page
