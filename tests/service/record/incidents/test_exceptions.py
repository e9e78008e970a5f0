"""Exceptions from testing: granted by a day, ended early at most, never changed; shown, and nothing looks better for them."""

from typing import Any
from uuid import uuid4

import pytest

from tests.support.world import Place, World, bearer


def exception(place: Place, **changes: Any) -> dict[str, Any]:
    return {
        "assembly_id": place.assembly,
        "since": "2026-05-01",
        "until": "2026-09-30",
        "reason": "premises_empty",
        "because": "The plant stands empty and shut off until autumn.",
        "granted_by": "Cross-connection office",
    } | changes


def put(place: Place, exception_id: str, document: dict[str, Any], key: str = "utility") -> Any:
    return place.world.client.put(f"{place.base}/exceptions/{exception_id}", json=document, headers=bearer(place.keys[key]))


def end(place: Place, exception_id: str, tag: str = '"1"', **document: Any) -> Any:
    headers = bearer(place.keys["utility"]) | {"If-Match": tag}
    return place.world.client.patch(f"{place.base}/exceptions/{exception_id}", json=document, headers=headers)


def test_sent_again_it_is_there_once(place: Place, world: World) -> None:
    one = str(uuid4())
    first = put(place, one, exception(place))
    assert (first.status_code, first.headers["etag"]) == (201, '"1"')
    assert put(place, one, exception(place)).status_code == 200
    refused = put(place, one, exception(place, until="2026-10-01"))
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/conflict")
    posted = place.made("exceptions", **exception(place))["id"]
    assert [row["id"] for row in place.get("/exceptions").json()["items"]] == sorted([one, posted])
    feed = [row["id"] for row in place.get("/changes").json()["items"] if row["resource"] == "exceptions"]
    assert feed == [one, posted]


def test_it_ends_early_once_and_sent_again_the_grant_still_stands(place: Place) -> None:
    one = place.made("exceptions", **exception(place))["id"]
    ended = end(place, one, ended_on="2026-05-20", ended_because="The plant runs again.")
    assert (ended.status_code, ended.headers["etag"], ended.json()["ended_on"]) == (200, '"2"', "2026-05-20")
    assert end(place, one, ended_on="2026-05-20", ended_because="x").status_code == 412
    assert end(place, one, '"2"', ended_on="2026-05-21", ended_because="x").status_code == 409
    assert put(place, one, exception(place)).json() == ended.json()


@pytest.mark.parametrize("document", [{"until": "2027-01-01"}, {"ended_on": "2026-05-20"}, {"ended_because": "x"}, {}])
def test_nothing_but_its_end_changes(place: Place, document: dict[str, Any]) -> None:
    one = place.made("exceptions", **exception(place))["id"]
    assert end(place, one, **document).status_code == 400


@pytest.mark.parametrize("day", ["2026-04-30", "2026-10-01"])
def test_its_end_lies_within_it(place: Place, day: str) -> None:
    one = place.made("exceptions", **exception(place))["id"]
    refused = end(place, one, ended_on=day, ended_because="x")
    assert (refused.status_code, [row["pointer"] for row in refused.json()["errors"]]) == (422, ["/ended_on"])


@pytest.mark.parametrize(
    ("changes", "status", "pointer"),
    [
        ({"until": "2026-04-30"}, 422, "/until"),
        ({"assembly_id": str(uuid4())}, 422, "/assembly_id"),
        ({"reason": "mood"}, 400, "/reason"),
        ({"until": None}, 400, "/until"),
        ({"colour": "red"}, 400, "/colour"),
    ],
)
def test_what_cannot_be_granted_is_refused(place: Place, changes: dict[str, Any], status: int, pointer: str) -> None:
    refused = put(place, str(uuid4()), exception(place, **changes))
    assert (refused.status_code, [row["pointer"] for row in refused.json()["errors"]]) == (status, [pointer])


def test_only_the_utility_grants(place: Place) -> None:
    for key in ("testing_company", "regulator"):
        assert put(place, str(uuid4()), exception(place), key).status_code == 403
        assert place.get("/exceptions", key=key).status_code == (200 if key == "regulator" else 403)


@pytest.mark.parametrize(
    ("day", "there"),
    [("2026-04-30", False), ("2026-05-01", True), ("2026-05-20", True), ("2026-05-21", False), ("2026-09-30", False)],
)
def test_it_is_in_force_from_its_first_day_to_its_last(place: Place, day: str, there: bool) -> None:  # noqa: FBT001
    one = place.made("exceptions", **exception(place))["id"]
    assert end(place, one, ended_on="2026-05-20", ended_because="The plant runs again.").status_code == 200
    assert [row["id"] for row in place.get("/exceptions", in_force_on=day).json()["items"]] == ([one] if there else [])


def test_lists_go_on_page_by_page_for_one_assembly(place: Place) -> None:
    other = place.new_assembly("pvb")
    made = [place.made("exceptions", **exception(place))["id"] for _ in range(3)]
    place.made("exceptions", **exception(place, assembly_id=other))
    page = place.get("/exceptions", assembly_id=place.assembly, limit=2).json()
    rest = place.world.client.get(page["next"], headers=bearer(place.keys["regulator"])).json()
    assert [row["id"] for row in page["items"] + rest["items"]] == made
    assert rest["next"] is None
