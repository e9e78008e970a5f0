"""Backflow incidents over HTTP: recorded, revised, never lost; the standings of their assemblies follow in the same transaction."""

import datetime as dt
from typing import Any
from uuid import uuid4

from tests.support.serving import NOON
from tests.support.world import Place, World, bearer

HOUR_AGO = (NOON - dt.timedelta(minutes=30)).isoformat()


def incident(place: Place, **changes: Any) -> dict[str, Any]:
    return {
        "occurred_at": HOUR_AGO,
        "status": "suspected",
        "description": "Blue water at the drinking fountain.",
        "assemblies": [place.assembly],
        "people_affected": 12,
        "actions": "Main flushed; service shut off.",
    } | changes


def put(place: Place, incident_id: str, document: dict[str, Any], key: str = "utility") -> Any:
    return place.world.client.put(f"{place.base}/incidents/{incident_id}", json=document, headers=bearer(place.keys[key]))


def patch(place: Place, incident_id: str, tag: str, **document: Any) -> Any:
    headers = bearer(place.keys["utility"]) | {"If-Match": tag}
    return place.world.client.patch(f"{place.base}/incidents/{incident_id}", json=document, headers=headers)


def stated(standing: dict[str, Any]) -> tuple[Any, ...]:
    return standing["status"], standing["due_on"], standing["protection"]


CURRENT = ("current", "2027-06-01", "full")
OPEN = ("due_soon", "2026-06-01", "unknown")
AREA = ("due_soon", "2026-06-01", "full")


def test_an_incident_makes_its_assemblies_due_and_a_test_that_passes_answers_it(place: Place, world: World) -> None:
    place.recorded()
    assert stated(place.standing()) == CURRENT
    made = put(place, str(uuid4()), incident(place))
    assert (made.status_code, made.headers["etag"], made.json()["occurred_on"]) == (201, '"1"', "2026-06-01")
    assert stated(place.standing()) == OPEN
    world.clock.pass_by(days=1)
    assert place.standing()["status"] == "overdue"
    answered = place.recorded(reason="incident")
    assert stated(answered["standing"]) == ("current", "2027-06-02", "full")
    # A late report of a test made before the incident does not answer it.
    late = place.recorded(performed_at=(NOON - dt.timedelta(hours=5)).isoformat())
    assert stated(late["standing"]) == stated(answered["standing"])


def test_a_report_that_was_under_way_does_not_answer_the_incident(place: Place) -> None:
    put(place, str(uuid4()), incident(place)).raise_for_status()
    before = place.recorded(performed_at=(NOON - dt.timedelta(hours=2)).isoformat())
    assert stated(before["standing"]) == OPEN
    assert stated(place.standing()) == OPEN
    failing = place.recorded(check=0.6, performed_at=(NOON - dt.timedelta(minutes=10)).isoformat())
    assert (failing["standing"]["status"], failing["standing"]["protection"]) == ("failed", "degraded")


def test_an_incident_at_premises_reaches_the_assemblies_there_also_one_registered_later(place: Place) -> None:
    second = place.new_assembly("pvb")
    elsewhere = place.made("premises", name="P", address="A", connection="fire")["id"]
    other = place.made("assemblies", premises_id=elsewhere, kind="pvb", hazard="health", purpose="point_of_use")["id"]
    for assembly in (place.assembly, second, other):
        place.recorded(assembly_id=assembly)
    put(place, str(uuid4()), incident(place, assemblies=[], premises=[place.premises])).raise_for_status()
    third = place.new_assembly("pvb")
    place.recorded(assembly_id=third)
    assert [stated(place.standing(one)) for one in (place.assembly, second, other, third)] == [AREA, AREA, CURRENT, AREA]
    # Common practice, no source: only what the incident names as its suspected path is doubted.
    put(place, str(uuid4()), incident(place, assemblies=[second], premises=[place.premises])).raise_for_status()
    assert [stated(place.standing(one)) for one in (place.assembly, second, third)] == [AREA, OPEN, AREA]


def test_an_assembly_that_is_moved_away_takes_the_incident_along(place: Place, world: World) -> None:
    place.recorded()
    put(place, str(uuid4()), incident(place, assemblies=[], premises=[place.premises])).raise_for_status()
    elsewhere = place.made("premises", name="P", address="A", connection="fire")["id"]
    path, headers = f"{place.base}/assemblies/{place.assembly}", {"If-Match": '"1"'}
    world.operator.patch(path, json={"premises_id": elsewhere}, headers=headers).raise_for_status()
    assert stated(place.standing()) == AREA


def test_revised_it_reaches_others_or_nobody(place: Place) -> None:
    second = place.new_assembly("pvb")
    for assembly in (place.assembly, second):
        place.recorded(assembly_id=assembly)
    one = put(place, str(uuid4()), incident(place)).json()["id"]
    changed = patch(place, one, '"1"', assemblies=[second])
    assert (changed.status_code, changed.headers["etag"]) == (200, '"2"')
    assert [stated(place.standing(one)) for one in (place.assembly, second)] == [CURRENT, OPEN]
    assert patch(place, one, '"2"', occurred_at=(NOON - dt.timedelta(hours=3)).isoformat()).status_code == 200
    assert stated(place.standing(second)) == CURRENT
    assert patch(place, one, '"3"', occurred_at=HOUR_AGO, status="confirmed").status_code == 200
    assert stated(place.standing(second)) == OPEN
    # Closing the matter does not test the assembly.
    assert patch(place, one, '"4"', closed_on="2026-06-01").status_code == 200
    assert stated(place.standing(second)) == OPEN
    assert patch(place, one, '"5"', status="unfounded").status_code == 200
    assert stated(place.standing(second)) == CURRENT


def test_every_revision_is_kept_and_the_feed_states_each(place: Place, world: World) -> None:
    one = put(place, str(uuid4()), incident(place)).json()["id"]
    before = len(place.get("/changes", limit=500).json()["items"])
    patch(place, one, '"1"', status="confirmed", people_affected=None).raise_for_status()
    page = place.get(f"/incidents/{one}/revisions", limit=1).json()
    rest = world.client.get(page["next"], headers=bearer(place.keys["regulator"])).json()
    revisions = page["items"] + rest["items"]
    assert [(row["version"], row["status"], row.get("people_affected")) for row in revisions] == [
        (1, "suspected", 12),
        (2, "confirmed", None),
    ]
    assert rest["next"] is None
    assert place.get(f"/incidents/{uuid4()}/revisions").status_code == 404
    new = place.get("/changes", after=before).json()["items"]
    assert [(row["resource"], row["id"], row["version"]) for row in new] == [("incidents", one, 2)]


def test_sent_again_it_is_there_once(place: Place) -> None:
    one = str(uuid4())
    document = incident(place)
    assert [put(place, one, document).status_code for _ in range(2)] == [201, 200]
    assert patch(place, one, '"1"', status="confirmed").status_code == 200
    again = put(place, one, document)
    assert (again.status_code, again.json()["status"], again.headers["etag"]) == (200, "confirmed", '"2"')
    refused = put(place, one, incident(place, people_affected=13))
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/conflict")
    assert [row["id"] for row in place.get("/incidents").json()["items"]] == [one]


def test_a_change_needs_the_tag_of_what_was_read(place: Place) -> None:
    one = put(place, str(uuid4()), incident(place)).json()["id"]
    path, headers = f"{place.base}/incidents/{one}", bearer(place.keys["utility"])
    assert place.world.client.patch(path, json={}, headers=headers).status_code == 428
    assert patch(place, one, '"2"', status="confirmed").status_code == 412
    assert place.get(f"/incidents/{one}").json()["status"] == "suspected"


def test_all_that_is_wrong_with_it_is_reported(place: Place, world: World) -> None:
    other = world.place()
    named = {"assemblies": [place.assembly, str(uuid4())], "premises": [other.premises]}
    refused = put(place, str(uuid4()), incident(place, **named))
    assert (refused.status_code, [row["pointer"] for row in refused.json()["errors"]]) == (422, ["/assemblies/1", "/premises/0"])
    days = {"occurred_at": (NOON + dt.timedelta(hours=1)).isoformat(), "closed_on": "2026-05-31"}
    refused = put(place, str(uuid4()), incident(place, **days))
    assert (refused.status_code, [row["pointer"] for row in refused.json()["errors"]]) == (422, ["/occurred_at", "/closed_on"])
    bad = {"occurred_at": "2026-06-01T10:00:00", "status": "likely", "people_affected": -1, "names": ["A"]}
    refused = put(place, str(uuid4()), incident(place, **bad))
    assert refused.status_code == 400
    assert sorted(row["pointer"] for row in refused.json()["errors"]) == ["/names", "/occurred_at", "/people_affected", "/status"]
    assert place.get("/incidents").json()["items"] == []
    beyond = put(place, str(uuid4()), incident(place, occurred_at="0001-01-01T00:00:00+10:00"))
    assert (beyond.status_code, beyond.json()["errors"][0]["pointer"]) == (422, "/occurred_at")


def test_a_revision_that_is_refused_leaves_nothing(place: Place) -> None:
    place.recorded()
    one = put(place, str(uuid4()), incident(place)).json()["id"]
    before = place.get("/changes", limit=500).json()["items"]
    refused = patch(place, one, '"1"', assemblies=[str(uuid4())], status="unfounded")
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/assemblies/0")
    assert place.get(f"/incidents/{one}").json()["version"] == 1
    assert place.get("/changes", limit=500).json()["items"] == before
    assert stated(place.standing()) == OPEN


def test_its_day_is_the_day_where_the_utility_is(place: Place) -> None:
    # 05:00 UTC on 1 June is still 31 May in Los Angeles.
    made = put(place, str(uuid4()), incident(place, occurred_at="2026-06-01T05:00:00Z")).json()
    assert made["occurred_on"] == "2026-05-31"


def test_lists_go_on_page_by_page_and_hold_what_is_asked(place: Place) -> None:
    second = place.new_assembly("pvb")
    made = [put(place, str(uuid4()), incident(place)).json()["id"] for _ in range(3)]
    other = put(
        place, str(uuid4()), incident(place, assemblies=[second], premises=[place.premises], closed_on="2026-06-01")
    ).json()["id"]
    page = place.get("/incidents", limit=3).json()
    rest = place.world.client.get(page["next"], headers=bearer(place.keys["regulator"])).json()
    assert [row["id"] for row in page["items"] + rest["items"]] == sorted([*made, other])

    def said(**asked: Any) -> set[str]:
        return {row["id"] for row in place.get("/incidents", **asked).json()["items"]}

    assert said(assembly_id=second) == said(premises_id=place.premises) == said(closed="true") == {other}
    assert said(assembly_id=place.assembly) == said(closed="false") == set(made)
    assert said(since="2026-06-02") == said(until="2026-05-31") == said(status="confirmed") == set()
    assert said(since="2026-06-01", until="2026-06-01", status="suspected") == {*made, other}


def test_only_the_utility_records_incidents(place: Place) -> None:
    for key in ("testing_company", "regulator"):
        assert put(place, str(uuid4()), incident(place), key).status_code == 403
        assert place.get("/incidents", key=key).status_code == (200 if key == "regulator" else 403)


def test_an_exception_is_shown_beside_the_standing_and_changes_nothing_of_it(place: Place, world: World) -> None:
    place.recorded()
    put(place, str(uuid4()), incident(place)).raise_for_status()
    world.clock.pass_by(days=2)
    before = place.standing()
    assert before["status"] == "overdue"
    excepted = place.made(
        "exceptions",
        assembly_id=place.assembly,
        since="2026-06-01",
        until="2026-12-31",
        reason="cannot_be_shut_down",
        because="Dialysis",
        granted_by="Office",
    )
    after = place.standing()
    assert [one["id"] for one in after.pop("exceptions")] == [excepted["id"]]
    assert after == before
    # By the record of the first day there was no exception yet.
    path = f"/assemblies/{place.assembly}/standing"
    assert "exceptions" not in place.get(path, as_of="2026-06-02").json()
    assert [one["id"] for one in place.get(path, as_of="2026-06-03").json()["exceptions"]] == [excepted["id"]]


def test_a_past_day_knows_the_incidents_reported_by_then_and_says_when_they_were_revised_since(
    place: Place, world: World
) -> None:
    place.recorded()
    path = f"/assemblies/{place.assembly}/standing"
    world.clock.pass_by(days=2)
    one = put(place, str(uuid4()), incident(place)).json()["id"]
    # On 1 June nobody knew of it: it is no correction, as a late report is none.
    first = place.get(path, as_of="2026-06-01").json()
    assert (*stated(first), first["later_corrections"], first["incidents_revised"]) == (*CURRENT, [], [])
    then = place.get(path, as_of="2026-06-03").json()
    assert (*stated(then), then["incidents_revised"]) == ("overdue", "2026-06-01", "unknown", [])
    world.clock.pass_by(days=2)
    patch(place, one, '"1"', people_affected=13).raise_for_status()
    assert place.get(path, as_of="2026-06-03").json() == then
    world.clock.pass_by(days=2)
    patch(place, one, '"2"', status="unfounded").raise_for_status()
    since = place.get(path, as_of="2026-06-03").json()
    assert since == then | {"incidents_revised": [one]}
    last = place.get(path, as_of="2026-06-07").json()
    assert (*stated(last), last["incidents_revised"]) == (*CURRENT, [])


def test_an_assembly_moved_or_put_back_is_due_for_a_test(place: Place, world: World) -> None:
    place.recorded()
    world.clock.pass_by(days=3)
    elsewhere = place.made("premises", name="P", address="A", connection="fire")["id"]
    path = f"{place.base}/assemblies/{place.assembly}"

    def changed(tag: str, **document: Any) -> dict[str, Any]:
        answer = world.operator.patch(path, json=document, headers={"If-Match": tag})
        assert answer.status_code == 200, answer.text
        return dict(answer.json())

    # The register was only put right: nothing was moved.
    assert changed('"1"', premises_id=elsewhere)["occurrences"] == []
    assert stated(place.standing()) == CURRENT
    today = {"event": "relocation", "on": "2026-06-04"}
    assert changed('"2"', occurrences=[today])["occurrences"] == [today]
    assert stated(place.standing()) == ("due_soon", "2026-06-04", "full")
    reported_when = {"event": "relocation", "on": "2026-06-02"}
    assert changed('"3"', premises_id=place.premises, occurrences=[reported_when])["occurrences"] == [reported_when]
    assert place.standing()["due_on"] == "2026-06-02"
    changed('"4"', occurrences=[], in_service=False)
    assert place.standing()["status"] == "out_of_service"
    assert changed('"5"', in_service=True)["occurrences"] == [{"event": "return_to_service", "on": "2026-06-04"}]
    assert place.standing()["due_on"] == "2026-06-04"
    assert stated(place.recorded()["standing"]) == ("current", "2027-06-04", "full")


def test_a_season_and_an_interval_of_its_own_are_registered(place: Place) -> None:
    seasonal = place.new_assembly("pvb", season={"starts": "04-15", "ends": "10-31"})
    often = place.new_assembly("pvb", test_interval_months=6)
    assert place.recorded(assembly_id=seasonal)["standing"]["due_on"] == "2027-04-15"
    assert place.recorded(assembly_id=often)["standing"]["due_on"] == "2026-12-01"
    for bad in ({"season": {"starts": "13-01", "ends": "10-31"}}, {"test_interval_months": 0}, {"season": {"starts": "04-15"}}):
        document = {"premises_id": place.premises, "kind": "pvb", "hazard": "health", "purpose": "point_of_use"}
        assert place.world.operator.post(f"{place.base}/assemblies", json=document | bad).status_code == 400
