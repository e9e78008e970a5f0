"""A report that is only tried is judged as it would be recorded, with what the register knows, and leaves nothing behind."""

from typing import Any
from uuid import uuid4

import httpx
import pytest

from tests.support.world import Place, World, bearer

TABLES = ("report", "standing", "change", "report_request")


def tried(place: Place, document: dict[str, Any], key: str = "testing_company", query: str = "?dry_run=true") -> httpx.Response:
    return place.world.client.post(f"{place.base}/reports{query}", json=document, headers=bearer(place.keys[key]))


def kept(world: World) -> list[int]:
    return [world.database.count(table) for table in TABLES]


@pytest.mark.parametrize("changes", [{}, {"check": 0.4}, {"declared": "fail"}])
def test_the_verdict_is_that_of_the_report_recorded_afterwards(place: Place, world: World, changes: dict[str, Any]) -> None:
    # The test before counts too: readings are compared with its own.
    place.recorded(check=1.7)
    document, before, standing = place.report(**changes), kept(world), place.standing()
    answer = tried(place, document, "utility")
    assert (answer.status_code, kept(world), place.standing()) == (200, before, standing)
    assert "location" not in answer.headers
    recorded = place.put(uuid4(), document, "utility")
    assert recorded.status_code == 201
    assert answer.json()["verdict"] == recorded.json()["verdict"]
    # The standing names the report that it follows from, which a report that is not recorded has no id for.
    said, became = ({**one.json()["standing"], "report_id": ""} for one in (answer, recorded))
    assert said == became


def test_a_correction_is_tried_too(place: Place, world: World) -> None:
    wrong = place.recorded(check=0.6)["report"]["id"]
    document, before = place.report(check=1.6) | {"supersedes": wrong, "supersedes_because": "Typed wrong."}, kept(world)
    answer = tried(place, document)
    assert kept(world) == before
    assert answer.json()["verdict"] == place.put(uuid4(), document).json()["verdict"]
    assert tried(place, document).status_code == 409


def test_what_would_be_refused_is_refused(place: Place, world: World) -> None:
    document, before = place.report(), kept(world)
    assert tried(place, {**document, "assembly_id": str(uuid4())}).json()["errors"][0]["pointer"] == "/assembly_id"
    assert tried(place, {**document, "units": {}}).status_code == 400
    assert tried(place, document, "regulator").status_code == 403
    assert tried(place, document, query="?dry_run=perhaps").status_code == 400
    assert tried(place, document, query="?dryrun=true").status_code == 400
    assert kept(world) == before


def test_put_is_tried_under_its_id(place: Place, world: World) -> None:
    report, document = uuid4(), place.report()
    headers, path = bearer(place.keys["utility"]), f"{place.base}/reports/{report}?dry_run=true"
    before = kept(world)
    assert world.client.put(path, json=document, headers=headers).status_code == 200
    assert (kept(world), place.get(f"/reports/{report}").status_code) == (before, 404)
    place.put(report, document).raise_for_status()
    assert world.client.put(path, json=document, headers=headers).status_code == 200
    assert world.client.put(path, json={**document, "line_pressure": 63}, headers=headers).status_code == 409
