"""Voiding a report over HTTP: it counts for nothing from then on, and all of it stays in the record.

That a report on the wrong assembly is withdrawn with a reason, and never deleted, is common practice, no source.
"""

import datetime as dt
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import UUID, uuid4

import httpx

from tests.service.record.reviews import test_reviews as reviews
from tests.support.world import Place, World, bearer

WRONG = {"because": "The tester was at the assembly next door."}


def void(place: Place, report: str, *, key: str = "utility", **more: Any) -> httpx.Response:
    """The answer to a void."""
    return place.world.client.put(f"{place.base}/reports/{report}/void", json=WRONG | more, headers=bearer(place.keys[key]))


def age(place: Place, **changes: Any) -> str:
    """The id of a report of a test made 300 days ago."""
    place.world.clock.pass_by(days=-300)
    recorded = place.recorded(**changes)
    place.world.clock.pass_by(days=300)
    return str(recorded["report"]["id"])


def test_a_void_pass_counts_no_more_and_stays_readable(place: Place, world: World) -> None:
    first, second = age(place), place.recorded()["report"]["id"]
    row = world.database.owner("SELECT * FROM record.report WHERE id = $1", UUID(second))
    answer = void(place, second)
    assert (answer.status_code, answer.json()["state"], answer.json()["version"]) == (200, "void", 1)
    assert (place.standing()["status"], place.standing()["report_id"]) == ("current", first)
    body = place.get(f"/reports/{second}").json()
    assert body["report"]["decision"]["because"] == WRONG["because"]
    assert body["report"]["decision"]["decision"] == "void"
    assert body["verdict"]["acceptance"] == "accepted"
    assert [one["decision"] for one in place.get("/reports").json()["items"]] == [None, "void"]
    assert world.database.owner("SELECT * FROM record.report WHERE id = $1", UUID(second)) == row
    assert reviews.rebuilt(place) == []


def test_a_void_failure_counts_no_more(place: Place) -> None:
    """A failure counts until a valid pass, an accepted correction or a void (the rules' own decision, as for issue 12)."""
    first = age(place)
    failed = place.recorded(check=0.6)["report"]["id"]
    assert place.standing()["status"] == "failed"
    void(place, failed).raise_for_status()
    assert (place.standing()["status"], place.standing()["report_id"]) == ("current", first)
    # The next report takes the short way into the record, where nothing is kept for it.
    early = (place.world.clock.now() - dt.timedelta(days=200)).isoformat()
    after = place.recorded(performed_at=early)
    assert (after["standing"]["status"], after["standing"]["report_id"]) == ("current", after["report"]["id"])
    year = place.get("/summaries/2026").json()["total"]
    assert (year["tests"], year["failed"], year["failures"]) == (0, 0, 0)
    assert place.get("/summaries/2026/rows", figure="failed").json()["items"] == []
    assert reviews.rebuilt(place) == []


def test_a_refused_failure_is_void_as_well(place: Place) -> None:
    ahead = (place.world.clock.now() + dt.timedelta(hours=30)).isoformat()
    refused = place.recorded(check=0.6, performed_at=ahead)
    assert (refused["verdict"]["acceptance"], place.standing()["status"]) == ("refused", "failed")
    void(place, refused["report"]["id"]).raise_for_status()
    assert place.standing()["status"] == "untested"
    assert reviews.rebuilt(place) == []


def test_what_a_void_report_corrected_stays_corrected_and_its_failure_counts(place: Place) -> None:
    failed = place.recorded(check=0.6)["report"]["id"]
    corrected = place.recorded(check=1.6, supersedes=failed, supersedes_because="Typed wrong.")["report"]["id"]
    reviews.decide(place, corrected, "accepted").raise_for_status()
    assert place.standing()["status"] == "current"
    void(place, corrected).raise_for_status()
    assert (place.standing()["status"], place.standing()["report_id"]) == ("failed", failed)
    early = (place.world.clock.now() - dt.timedelta(days=200)).isoformat()
    assert place.recorded(performed_at=early)["standing"]["report_id"] == failed
    passed = age(place)
    place.recorded(performed_at=early, supersedes=passed, supersedes_because="Typed wrong.")
    assert reviews.rebuilt(place) == []


def test_a_void_pass_with_a_repair_takes_its_failure_along_in_the_lean_and_in_the_whole_history(place: Place) -> None:
    base = place.report(check=0.6)
    repaired = base | {
        "repairs": [{"component": "check", "part": "disc", "action": "replaced"}],
        "final_test": place.report()["initial_test"],
    }
    path = f"{place.base}/reports/{uuid4()}"
    first = place.world.client.put(path, json=repaired, headers=bearer(place.keys["testing_company"])).json()
    assert first["verdict"]["outcome"] == "pass"
    void(place, first["report"]["id"]).raise_for_status()
    assert place.standing()["status"] == "untested"
    year = place.get("/summaries/2026").json()["total"]
    assert (year["tests"], year["repaired_at_once"], year["failures"]) == (0, 0, 0)
    assert reviews.rebuilt(place) == []


def test_the_same_void_again_is_safe_and_no_decision_follows_it(place: Place) -> None:
    report = reviews.held(place)
    reviews.decide(place, report, "accepted").raise_for_status()
    assert void(place, report).json()["version"] == 2
    assert void(place, report).json()["version"] == 2
    other = void(place, report, because="Another reason.")
    assert (other.status_code, other.json()["code"]) == (409, "report_void")
    again = reviews.decide(place, report, "accepted", version=2)
    assert (again.status_code, again.json()["code"]) == (409, "report_void")
    assert [one["decision"] for one in place.get(f"/reviews/{report}").json()["history"]] == ["accepted", "void"]
    accepted = place.recorded()["report"]["id"]
    void(place, accepted, decided_by="Desk 3").raise_for_status()
    assert reviews.ids(place, state="void") == [report, accepted]
    assert place.get(f"/reviews/{accepted}").json()["decision"]["decided_by"] == "Desk 3"
    assert "decided_by" not in place.get(f"/reviews/{report}").json()["decision"]
    assert reviews.ids(place, state="open") == []


def test_of_voids_made_at_once_one_is_kept(place: Place) -> None:
    report = place.recorded()["report"]["id"]
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda n: void(place, report, because=f"Reason {n % 2}").status_code, range(4)))
    assert sorted(answers) == [200, 200, 409, 409]
    assert len(place.get(f"/reviews/{report}").json()["history"]) == 1


def test_a_void_needs_a_reason_a_report_and_the_right(place: Place, world: World) -> None:
    report = place.recorded()["report"]["id"]
    assert [one["pointer"] for one in void(place, report, because=" ").json()["errors"]] == ["/because"]
    assert void(place, str(uuid4())).status_code == 404
    assert void(place, report, key="testing_company").status_code == 403
    void(place, report).raise_for_status()
    seen = place.get("/changes", "testing_company").json()["items"]
    assert [(one["resource"], one["id"]) for one in seen if one["resource"] == "reviews"] == [("reviews", report)]
    assert place.get(f"/reviews/{report}", "testing_company").json()["state"] == "void"


def test_receipts_and_pages_say_that_a_report_is_void(signed_place: Place) -> None:
    report = signed_place.recorded()["report"]["id"]
    receipt = signed_place.get(f"/reports/{report}/receipt").json()
    assert verified(signed_place.world, receipt["receipt"]) == (True, "as_signed", None)
    void(signed_place, report).raise_for_status()
    assert verified(signed_place.world, receipt["receipt"]) == (True, "void", "void")
    page = signed_place.world.client.get(receipt["page"]).text
    assert "Genuine, but voided since" in page
    assert "The utility has voided this report." in page


def verified(world: World, receipt: str) -> tuple[bool, str, str | None]:
    """Whether a receipt is good, how the record compares, and what was decided."""
    answer = world.client.post("/v1/receipts/verify", json={"receipt": receipt}).json()
    return answer["valid"], answer["on_record"], answer["decision"]


def test_a_past_day_is_answered_without_a_later_void(place: Place) -> None:
    report = place.recorded()["report"]["id"]
    day = place.world.clock.now().date()
    place.world.clock.pass_by(days=5)
    void(place, report).raise_for_status()
    then = place.get(f"/assemblies/{place.assembly}/standing", as_of=str(day)).json()
    assert (then["status"], then["later_decisions"]) == ("current", [report])
    now = place.get(f"/assemblies/{place.assembly}/standing", as_of=str(day + dt.timedelta(days=5))).json()
    assert (now["status"], now["later_decisions"]) == ("untested", [])


def test_a_void_test_is_in_no_trend_and_is_not_the_test_before_the_next(place: Place) -> None:
    first, second = age(place, check=1.8), place.recorded(check=1.5)["report"]["id"]
    void(place, second).raise_for_status()
    trend = place.get(f"/assemblies/{place.assembly}/trend").json()
    assert {point["report_id"] for one in trend["components"] for point in one.get("points", [])} <= {first}
    place.world.clock.pass_by(minutes=5)
    # The same readings as the void test's are not repeated readings.
    again = place.recorded(check=1.5)
    assert "reading_repeated" not in [flag["code"] for flag in again["verdict"]["flags"]]
