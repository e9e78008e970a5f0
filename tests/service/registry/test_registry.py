"""The register over HTTP: made, read, listed in pages, changed by merge patch under a tag."""

from typing import Any
from uuid import uuid4

import pytest

from tests.support.world import Place, World, bearer, certificate

PLURALS = ("premises", "assemblies", "testers", "gauges")
CHANGES: dict[str, dict[str, Any]] = {
    "premises": {"name": "Plot 2"},
    "assemblies": {"serial_number": "A-2"},
    "testers": {"name": "Tester Z"},
    "gauges": {"serial_number": "G-9"},
}


def path_of(place: Place, plural: str) -> str:
    """The path of the place's own thing of that kind."""
    ids = {"premises": place.premises, "assemblies": place.assembly, "testers": place.tester, "gauges": place.gauge}
    return f"{place.base}/{plural}/{ids[plural]}"


@pytest.mark.parametrize("plural", PLURALS)
def test_a_change_needs_the_tag_of_what_was_read(place: Place, world: World, plural: str) -> None:
    path, change = path_of(place, plural), CHANGES[plural]
    tag = world.operator.get(path).headers["etag"]
    assert tag == '"1"'
    assert world.operator.patch(path, json=change).status_code == 428
    # RFC 9110, 13.1.1 and 8.8.3: what is no entity tag is malformed; a tag that differs, and a weak one, do not match.
    answers = {
        412: ('"2"', '"x"', 'W/"1"', '"99999999999999999999"', '""', '"2", "3"', 'W/"1","2"'),
        400: ("", "1", '"1', '1"', '"1" "2"', '"1",, x', 'w/"1"', '"a b"', "**", '*, "1"'),
    }
    for status, headers in answers.items():
        for wrong in headers:
            refused = world.operator.patch(path, json=change, headers={"If-Match": wrong})
            assert (refused.status_code, refused.headers.get("etag")) == (status, '"1"' if status == 412 else None), wrong
    changed = world.operator.patch(path, json=change, headers={"If-Match": tag})
    assert (changed.status_code, changed.headers["etag"], changed.json()["version"]) == (200, '"2"', 2)
    assert world.operator.get(path).json() == changed.json()
    stale = world.operator.patch(path, json=change, headers={"If-Match": tag})
    assert (stale.status_code, stale.headers["etag"]) == (412, '"2"')
    # `*` is whichever version is there; of several tags any may match.
    for matching in ("*", '"9", W/"1", "3"', '"4"'):
        assert world.operator.patch(path, json=change, headers={"If-Match": matching}).status_code == 200, matching
    assert world.operator.get(path).headers["etag"] == '"5"'
    missing = f"{path.rpartition('/')[0]}/{uuid4()}"
    assert world.operator.patch(missing, json=change, headers={"If-Match": "*"}).status_code == 404


@pytest.mark.parametrize("plural", PLURALS)
def test_what_is_made_is_read_back_where_location_says(place: Place, world: World, plural: str) -> None:
    kept = world.operator.get(path_of(place, plural)).json()
    facts = {name: value for name, value in kept.items() if name not in ("id", "version", "created_at", "changed_at")}
    made = world.operator.post(f"{place.base}/{plural}", json=facts)
    assert made.status_code == 201
    assert made.headers["etag"] == '"1"'
    read = world.operator.get(made.headers["location"])
    assert read.json() == made.json()
    assert {**kept, "id": read.json()["id"]} == read.json()


def test_a_merge_patch_sets_replaces_and_removes(place: Place, world: World) -> None:
    made = place.made(
        "premises", name="P", address="A", connection="fire", reference="C-1", location={"latitude": 1.5, "longitude": 2.5}
    )
    path = f"{place.base}/premises/{made['id']}"
    # RFC 7396, section 2: null removes, an object is merged, anything else replaces.
    patch = {"reference": None, "location": {"longitude": 3.5}, "name": "Q"}
    headers = {"If-Match": '"1"', "Content-Type": "application/merge-patch+json"}
    changed = world.operator.request("PATCH", path, json=patch, headers=headers).json()
    assert "reference" not in changed
    assert (changed["location"], changed["name"], changed["address"]) == ({"latitude": 1.5, "longitude": 3.5}, "Q", "A")


@pytest.mark.parametrize(
    ("patch", "status", "pointer"),
    [
        ({"colour": "blue"}, 400, "/colour"),
        ({"connection": "sea"}, 400, "/connection"),
        ({"id": str(uuid4())}, 400, "/id"),
        # These patches can be read; what they would leave is not a whole record.
        ({"name": None}, 422, "/name"),
        ({"location": {"latitude": 47.1}}, 422, "/location/longitude"),
    ],
)
def test_a_patch_that_spoils_the_thing_is_refused(
    place: Place, world: World, patch: dict[str, Any], status: int, pointer: str
) -> None:
    refused = world.operator.patch(path_of(place, "premises"), json=patch, headers={"If-Match": '"1"'})
    assert refused.status_code == status
    assert [one["pointer"] for one in refused.json()["errors"]] == [pointer]


@pytest.mark.parametrize("body", ["[]", "1", '"x"', "null"])
def test_a_patch_that_is_no_object_is_refused(place: Place, world: World, body: str) -> None:
    headers = {"If-Match": '"1"', "Content-Type": "application/json"}
    assert world.operator.patch(path_of(place, "premises"), content=body, headers=headers).status_code == 400


def test_what_is_fixed_once_registered_stays(place: Place, world: World) -> None:
    assert world.operator.patch(path_of(place, "assemblies"), json={"kind": "rp"}, headers={"If-Match": '"1"'}).status_code == 422
    units = {"units": {"pressure": "kPa"}}
    assert world.operator.patch(path_of(place, "gauges"), json=units, headers={"If-Match": '"1"'}).status_code == 422


def test_an_assembly_stands_at_premises_that_are_registered_here(place: Place, world: World) -> None:
    other = world.place()
    document = {"kind": "dc", "hazard": "non_health", "purpose": "premises_isolation"}
    for premises in (str(uuid4()), other.premises):
        refused = world.operator.post(f"{place.base}/assemblies", json=document | {"premises_id": premises})
        assert refused.status_code == 422
        assert [one["pointer"] for one in refused.json()["errors"]] == ["/premises_id"]
        moved = world.operator.patch(path_of(place, "assemblies"), json={"premises_id": premises}, headers={"If-Match": '"1"'})
        assert moved.status_code == 422


@pytest.mark.parametrize("plural", PLURALS)
def test_lists_go_on_page_by_page_and_stay_stable_while_things_are_added(place: Place, world: World, plural: str) -> None:
    facts = {
        name: value
        for name, value in world.operator.get(path_of(place, plural)).json().items()
        if name not in ("id", "version", "created_at", "changed_at")
    }
    made = [world.operator.get(path_of(place, plural)).json()["id"]]
    made += [place.made(plural, **facts)["id"] for _ in range(4)]
    page = place.get(f"/{plural}", limit=2)
    seen = [one["id"] for one in page.json()["items"]]
    while page.json()["next"] is not None:
        assert page.headers["link"] == f'<{page.json()["next"]}>; rel="next"'
        if len(made) < 7:
            made.append(place.made(plural, **facts)["id"])
        page = world.client.get(page.json()["next"], headers=bearer(place.keys["regulator"]))
        seen += [one["id"] for one in page.json()["items"]]
    assert seen == made


def test_assemblies_are_listed_by_premises_and_the_next_page_keeps_the_question(place: Place) -> None:
    elsewhere = place.made("premises", name="P", address="A", connection="fire")["id"]
    there = [
        place.made("assemblies", premises_id=elsewhere, kind="dcda", hazard="non_health", purpose="premises_isolation")["id"]
        for _ in range(2)
    ]
    page = place.get("/assemblies", premises_id=elsewhere, limit=1)
    rest = place.world.client.get(page.json()["next"], headers=bearer(place.keys["utility"]))
    assert [one["id"] for one in page.json()["items"] + rest.json()["items"]] == there


@pytest.mark.parametrize(
    "query",
    ["limit=0", "limit=501", "limit=many", "limit=1&limit=2", "after=nobody", "colour=blue", "limit=1.5", "after=%00", "limit="],
)
def test_a_bad_query_is_refused(place: Place, world: World, query: str) -> None:
    for path in ("/premises", "/reports", "/grants"):
        answer = world.operator.get(f"{place.base}{path}?{query}")
        assert answer.status_code == 400, (path, answer.text)
        assert answer.headers["content-type"] == "application/problem+json"


def test_a_utility_is_changed_and_its_faults_are_all_reported(place: Place, world: World) -> None:
    patch = {"rulebook": "us-nowhere", "time_zone": "Mars/Olympus"}
    refused = world.operator.patch(place.base, json=patch, headers={"If-Match": '"1"'})
    assert refused.status_code == 422
    assert [one["pointer"] for one in refused.json()["errors"]] == ["/rulebook", "/time_zone"]
    changed = world.operator.patch(place.base, json={"due_soon_days": 60}, headers={"If-Match": '"1"'})
    assert (changed.status_code, changed.json()["due_soon_days"], changed.headers["etag"]) == (200, 60, '"2"')
    assert world.operator.patch(place.base, json={"code": "other"}, headers={"If-Match": '"2"'}).status_code == 400


def test_a_code_is_taken_once(place: Place, world: World) -> None:
    document = {"code": place.code, "name": "Another", "rulebook": "us-wa", "time_zone": "UTC"}
    assert world.operator.post("/v1/utilities", json=document).status_code == 409


@pytest.mark.parametrize("code", ["a", "A1", "a b", "-a", "a_b", "a" * 32, "a1\n", ""])
def test_a_code_that_is_none_is_refused(world: World, code: str) -> None:
    document = {"code": code, "name": "Another", "rulebook": "us-wa", "time_zone": "UTC"}
    assert world.operator.post("/v1/utilities", json=document).status_code == 400


def test_another_rulebook_works_the_standings_out_anew(place: Place, world: World) -> None:
    place.recorded()
    assert place.standing()["due_on"] == "2027-06-01"
    version = world.operator.get(place.base).headers["etag"]
    changed = world.operator.patch(place.base, json={"rulebook": "us-fl"}, headers={"If-Match": version})
    assert changed.status_code == 200
    premises = path_of(place, "premises")
    residential = world.operator.patch(premises, json={"connection": "residential"}, headers={"If-Match": '"1"'})
    assert residential.status_code == 200
    # Every two years at residential connections: Rule 62-555.360 F.A.C.
    assert place.standing()["due_on"] == "2028-06-01"


def test_every_change_of_the_register_enters_the_feed(place: Place, world: World) -> None:
    for plural in PLURALS:
        world.operator.patch(path_of(place, plural), json=CHANGES[plural], headers={"If-Match": '"1"'}).raise_for_status()
    rows = world.database.owner("SELECT resource, version FROM record.change WHERE utility_id = $1 ORDER BY sequence", place.code)
    assert [(row["resource"], row["version"]) for row in rows] == [
        ("testers", 1),
        ("gauges", 1),
        ("premises", 1),
        ("assemblies", 1),
        ("standings", 1),
        ("premises", 2),
        ("assemblies", 2),
        ("testers", 2),
        ("gauges", 2),
    ]


def test_a_new_certificate_counts_from_the_next_report_on(place: Place, world: World) -> None:
    tester = place.made("testers", name="T", certificates=[certificate(kinds=["rp"])])["id"]
    assert place.recorded(tester_id=tester)["verdict"]["acceptance"] != "accepted"
    path = f"{place.base}/testers/{tester}"
    both = {"certificates": [certificate(kinds=["rp"]), certificate(certificate="T-2")]}
    world.operator.patch(path, json=both, headers={"If-Match": '"1"'}).raise_for_status()
    assert place.recorded(tester_id=tester)["verdict"]["acceptance"] == "accepted"
