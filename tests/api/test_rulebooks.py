"""The rulebooks through HTTP: how well each is known, all that one says, and how a utility's reports fare by one without criteria."""

from tests.conftest import Place, World


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
