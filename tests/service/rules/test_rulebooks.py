"""The rulebooks through HTTP: how well each is known, all that one says, and how a utility's reports fare by one without criteria."""

import datetime as dt

from tests.support.world import Place, World

MERGE = {"Content-Type": "application/merge-patch+json"}


def test_the_list_shows_how_well_each_rulebook_is_known(place: Place) -> None:
    answer = place.world.client.get("/v1/rulebooks", params={"on": "2027-01-01"})
    assert answer.status_code == 200
    items = {item["id"]: item for item in answer.json()["items"]}
    assert len(items) >= 24
    for item in items.values():
        assert abs(sum(item["known"].values()) - 1) < 0.001
        assert item["values"] > 0
    assert items["us-ny"]["judges_tests"]
    assert not items["au-nsw"]["judges_tests"]
    assert any("AS/NZS 2845.3:2020 were not read" in says for says in items["au-nsw"]["not_read"])
    assert not any(item["stale"] for item in items.values())
    late = place.world.client.get("/v1/rulebooks", params={"on": "2029-01-01"}).json()["items"]
    assert all(item["stale"] for item in late)


def test_the_list_is_a_table_where_a_page_is_asked_for(place: Place) -> None:
    answer = place.world.client.get("/v1/rulebooks", headers={"Accept": "text/html"})
    assert answer.headers["content-type"].startswith("text/html")
    assert "<table>" in answer.text
    assert 'id="us-ny"' in answer.text
    assert "How often Ohio requires a test was not read." in answer.text


def test_one_call_shows_interval_deadlines_testers_premises_clause_and_mark(place: Place) -> None:
    # 10 NYCRR 5-1.31(a)(3) and (b)(1), (2) (published).
    book = place.world.client.get("/v1/rulebooks/us-ny").json()
    (interval,) = book["intervals"]
    assert (interval["months"], interval["source"]["clause"], interval["source"]["provenance"]) == (
        12,
        "5-1.31(a)(3)",
        "published",
    )
    assert book["testers"][0]["months"] == 36
    assert book["deadlines"]
    assert book["tables"]
    assert all(entry["source"]["provenance"] == "common_practice" for entry in book["deadlines"])
    assert {entry["subject"] for entry in book["not_read"]} == {"deadlines", "report_due", "premises", "hazard_words"}


def test_a_report_by_a_rulebook_without_criteria_is_recorded_and_held(world: World) -> None:
    # The acceptance figures of AS/NZS 2845.3:2020 were not read: nothing passes, and a person reviews the report.
    place = Place(world, "kiwi", "nz")
    recorded = place.recorded()
    assert (recorded["verdict"]["outcome"], recorded["verdict"]["acceptance"]) == ("incomplete", "held")
    assert {finding["outcome"] for finding in recorded["verdict"]["findings"]} == {"not_determined"}
    assert place.standing()["status"] == "untested"


def test_an_assembly_is_registered_with_the_hazard_in_the_rulebooks_own_word(world: World) -> None:
    """Missouri's class I is "an actual or potential health hazard" (the state's fact sheet on 10 CSR 60-11, published)."""
    place = world.place("us-mo")
    facts = {"premises_id": place.premises, "kind": "rp"}
    assembly = place.made("assemblies", **facts, hazard_class="class I")
    assert (assembly["hazard"], assembly["hazard_class"]) == ("health", "class I")
    path = f"{place.base}/assemblies/{assembly['id']}"
    # A change of something else keeps both; a degree that contradicts the word is refused.
    changed = world.operator.patch(path, json={"position": "In the basement"}, headers={"If-Match": '"1"', **MERGE})
    assert (changed.status_code, changed.json()["hazard_class"]) == (200, "class I")
    refused = world.operator.patch(path, json={"hazard": "non_health"}, headers={"If-Match": '"2"', **MERGE})
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/hazard_class")
    assert "`class I` means a `health` hazard" in refused.json()["errors"][0]["detail"]
    # No other country's word is taken for one of Missouri's.
    other = world.operator.post(f"{place.base}/assemblies", json={**facts, "hazard_class": "moderate"})
    assert other.status_code == 422
    assert "class I" in other.json()["errors"][0]["detail"]
    missing = world.operator.post(f"{place.base}/assemblies", json=facts)
    assert (missing.status_code, missing.json()["errors"][0]["pointer"]) == (422, "/hazard")
    premises = {"name": "P", "address": "1 Street", "connection": "non_residential"}
    assert place.made("premises", **premises, hazard_class="class I")["hazard"] == "health"


def test_a_word_that_nobody_can_place_leaves_the_hazard_unknown_and_the_standing_says_so(world: World) -> None:
    """CSA B64.10's moderate hazard: whether it is one to health was not read; a double check serves against it (from memory)."""
    place = world.place("ca-bc")
    registered = place.made("assemblies", premises_id=place.premises, kind="dc", hazard_class="moderate")
    assert (registered["hazard"], registered["hazard_class"]) == ("unknown", "moderate")
    standing = place.standing(registered["id"])
    assert standing["suitable"] is True
    assert "assess_hazard" in standing["actions"]
    readings = [{"component": f"check_{n}", "closed_tight": True, "held_at": 1.6} for n in (1, 2)]
    tested = {"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": readings}
    verdict = place.recorded(assembly_id=registered["id"], initial_test=tested)["verdict"]
    assert "hazard_class_unclear" in {flag["code"] for flag in verdict["flags"]}
    assert verdict["suitable"] is True
    # Under another authority's rulebook the word means nothing: the registered degree is what is left, and reports are still judged.
    utility = world.operator.get(place.base)
    moved = world.operator.patch(place.base, json={"rulebook": "us-wa"}, headers={"If-Match": utility.headers["ETag"], **MERGE})
    assert moved.status_code == 200, moved.text
    later = place.recorded(assembly_id=registered["id"], initial_test=tested)
    assert "hazard_class_unclear" not in {flag["code"] for flag in later["verdict"]["flags"]}
    assert place.standing(registered["id"])["suitable"] is None


def test_an_incident_says_until_when_the_regulator_is_notified(world: World) -> None:
    """Missouri: "within 48 hours" (the state's fact sheet, published); Oregon's text on it was not read."""
    occurred_at = world.clock.now() - dt.timedelta(hours=1)
    facts = {"occurred_at": occurred_at.isoformat(), "status": "suspected", "description": "D"}
    place = world.place("us-mo")
    incident = place.made("incidents", **facts)
    assert dt.datetime.fromisoformat(incident["notice"]["by"]) == occurred_at + dt.timedelta(hours=48)
    assert incident["notice"]["source"]["provenance"] == "published"
    assert place.get(f"/incidents/{incident['id']}").json()["notice"] == incident["notice"]
    assert place.get("/incidents").json()["items"][0]["notice"] == incident["notice"]
    path = f"{place.base}/incidents/{incident['id']}"
    revised = world.operator.patch(path, json={"status": "unfounded"}, headers={"If-Match": '"1"', **MERGE})
    assert (revised.status_code, "notice" in revised.json()) == (200, False)
    assert "notice" not in world.place("us-or").made("incidents", **facts)
