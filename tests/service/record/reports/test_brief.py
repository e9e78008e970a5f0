"""Answers in brief, for callers on a slow line: `Prefer: return=minimal` (RFC 7240, 4.2)."""

import json
from typing import Any
from uuid import uuid4

import httpx
import pytest

from tests.support.world import Place, World, bearer

# RFC 7240, section 2: names without regard to case, a value as a token or quoted, parameters, and several preferences.
MINIMAL = ("return=minimal", 'Return="minimal"', "respond-async, return=minimal; x=1", "wait=5,return = minimal")
OTHERS = ("return=representation", "return=minimally", "x-return=minimal", "minimal", "")


def put(place: Place, document: dict[str, Any], preference: str, report: str = "") -> httpx.Response:
    headers = bearer(place.keys["testing_company"]) | {"Prefer": preference}
    return place.world.client.put(f"{place.base}/reports/{report or uuid4()}", json=document, headers=headers)


def in_brief(whole: dict[str, Any]) -> dict[str, Any]:
    """What a whole answer says in brief."""
    verdict = whole["verdict"]
    return {
        "id": whole.get("id") or whole["report"]["id"],
        "outcome": verdict["outcome"],
        "acceptance": verdict["acceptance"],
        "flags": [flag["code"] for flag in verdict["flags"]],
        "standing_status": whole["standing"]["status"],
    }


@pytest.mark.parametrize("preference", MINIMAL)
def test_a_report_is_answered_in_brief(place: Place, preference: str) -> None:
    report = str(uuid4())
    # A relief valve that nobody has is flagged, so that there is a code to answer.
    document = place.report(check=0.4, declared="pass")
    first = put(place, document, preference, report)
    assert (first.status_code, first.headers["preference-applied"]) == (201, "return=minimal")
    assert first.headers["location"] == f"{place.base}/reports/{report}"
    whole = place.get(f"/reports/{report}").json()
    assert first.json() == in_brief(whole)
    assert "declared_outcome_differs" in first.json()["flags"]
    again = put(place, document, preference, report)
    assert (again.status_code, again.json()) == (200, first.json())
    # A preference changes no refusal.
    assert put(place, {**document, "declared": "fail"}, preference, report).status_code == 409
    assert put(place, {**document, "units": {}}, preference).json()["errors"]


@pytest.mark.parametrize("preference", OTHERS)
def test_any_other_preference_changes_nothing(place: Place, preference: str) -> None:
    answer = put(place, place.report(), preference)
    assert answer.status_code == 201
    assert "preference-applied" not in answer.headers
    assert set(answer.json()) == {"report", "verdict", "standing"}


def test_post_answers_in_brief_too(place: Place) -> None:
    headers = bearer(place.keys["utility"]) | {"Prefer": "return=minimal", "Idempotency-Key": uuid4().hex}
    first, again = (place.world.client.post(f"{place.base}/reports", json=place.report(), headers=headers) for _ in range(2))
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json() == in_brief(place.get(f"/reports/{first.json()['id']}").json())


def test_two_thousand_lines_are_answered_in_less_than_400_kilobytes(place: Place, world: World) -> None:
    document = place.report()
    lines = [{**document, "id": str(uuid4()), "remarks": str(number)} for number in range(2000)]
    lines[7] = {"id": lines[7]["id"]}
    body = "".join(json.dumps(line) + "\n" for line in lines)
    headers = bearer(place.keys["utility"]) | {"Content-Type": "application/x-ndjson", "Accept-Encoding": "identity"}
    answer = world.client.post(
        f"{place.base}/reports/batches", content=body, headers=headers | {"Prefer": "return=minimal"}, timeout=60
    )
    assert (answer.status_code, answer.headers["preference-applied"]) == (200, "return=minimal")
    assert len(answer.content) < 400_000
    results = [json.loads(line) for line in answer.text.splitlines()]
    assert [(result["line"], result["id"]) for result in results] == [(n + 1, line["id"]) for n, line in enumerate(lines)]
    assert results[7]["problem"]["status"] == results[7]["status"] == 400
    assert {result["status"] for result in results} == {201, 400}
    kept = {name: value for name, value in results[-1].items() if name not in ("line", "status")}
    assert kept == in_brief(place.get(f"/reports/{kept['id']}").json())
