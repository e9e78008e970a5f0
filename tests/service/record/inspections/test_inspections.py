"""Inspections over HTTP: recorded beside tests in the same log, judged again to the byte, with standings, notices, figures and receipts.

WAC 246-290-490(7)(b), as a city quotes it: air gaps are inspected at installation, annually, after a backflow incident, and when they are
re-plumbed; (7)(c): AVBs on irrigation at installation, after an incident and after repair, reinstallation or relocation. OAR
333-061-0070(6) [published]: air gaps at least once every 12 months.
"""

import asyncio
import datetime as dt
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import uuid4

import httpx
import pytest

from service.db.pool import Pool
from service.ledger.audit import audit
from service.ledger.store import LogStore
from service.record.reports.rejudging import rejudge_reports
from service.record.reports.store import ReportStore
from service.signing import KeyRing
from tests.service.notices import test_notices as notices
from tests.service.record.reviews import test_reviews as reviews
from tests.support.databases import in_thread
from tests.support.world import SIGNING_KEYS, Place, World, bearer

GAP: dict[str, Any] = {
    "air_gap": {"vertical_distance": 4, "effective_diameter": 2, "near_walls": 0},
    "unobstructed": True,
    "subject_to_submergence": False,
}
BRIDGED = GAP | {"unobstructed": False}
SHORT = GAP | {"air_gap": {"vertical_distance": 3, "effective_diameter": 2, "near_walls": 0}}
AVB: dict[str, Any] = {
    "height_above_highest_outlet": 6,
    "downstream_shutoff": False,
    "hours_under_pressure_per_day": 11,
    "orientation": "upright",
    "subject_to_submergence": False,
    "fire_line": False,
    "air_inlet_opens": True,
}


@pytest.fixture
def world(signed_world: World) -> World:
    """A world that signs."""
    return signed_world


@pytest.fixture
def place(signed_place: Place) -> Place:
    """A utility of this test's own."""
    return signed_place


def document(place: Place, assembly: str, **changes: Any) -> dict[str, Any]:
    """An inspection of an air gap that is right, an hour ago, by the registered tester."""
    performed_at = place.world.clock.now() - dt.timedelta(hours=1)
    sent = {
        "assembly_id": assembly,
        "tester_id": place.tester,
        "inspected_by": "T-1",
        "performed_at": performed_at.isoformat(),
        "reason": "periodic",
        "units": {"length": "in"},
        "installation": GAP,
    }
    return {name: value for name, value in (sent | changes).items() if value is not None}


def put(place: Place, sent: dict[str, Any], inspection: str | None = None, key: str = "testing_company") -> httpx.Response:
    path = f"{place.base}/inspections/{inspection or uuid4()}"
    return place.world.client.put(path, json=sent, headers=bearer(place.keys[key]))


def recorded(place: Place, assembly: str, **changes: Any) -> dict[str, Any]:
    answer = put(place, document(place, assembly, **changes))
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


def in_pool(place: Place, act: Any) -> Any:
    """What `act` returns with a pool of this place's database."""

    async def acted() -> Any:
        pool = await Pool.open(place.world.database.dsn, size=1)
        try:
            return await act(pool)
        finally:
            await pool.close()

    return in_thread(lambda: asyncio.run(acted()))


def test_an_inspection_is_recorded_once_and_the_same_again_is_the_same(place: Place, world: World) -> None:
    gap, inspection = place.new_assembly("air_gap"), str(uuid4())
    sent = document(place, gap)
    first, again = put(place, sent, inspection), put(place, sent, inspection)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.headers["location"] == f"{place.base}/inspections/{inspection}"
    assert again.json() == first.json() == place.get(f"/inspections/{inspection}").json()
    assert first.json()["verdict"]["outcome"] == "pass"
    assert first.json()["inspection"]["log_index"] == 0
    other = put(place, sent | {"remarks": "another"}, inspection)
    assert (other.status_code, other.json()["code"]) == (409, "report_id_taken")
    # The id of a test is taken too, and a report's path shows no inspection.
    test = place.recorded()["report"]["id"]
    assert put(place, sent, test).status_code == 409
    assert place.put(inspection, place.report()).status_code == 409
    assert place.get(f"/reports/{inspection}").status_code == 404
    assert place.get(f"/inspections/{test}").status_code == 404
    assert [line["id"] for line in place.get("/reports").json()["items"]] == [test]
    assert [line["id"] for line in place.get("/inspections").json()["items"]] == [inspection]
    assert place.get("/inspections", assembly_id=place.assembly).json()["items"] == []


def test_many_at_once_are_all_recorded_and_the_same_only_once(place: Place) -> None:
    gap, inspection = place.new_assembly("air_gap"), str(uuid4())
    sent = document(place, gap)
    with ThreadPoolExecutor(12) as pool:
        same = [pool.submit(put, place, sent, inspection) for _ in range(4)]
        others = [pool.submit(put, place, sent | {"remarks": str(number)}) for number in range(4)]
        tests = [pool.submit(place.put, uuid4(), place.report(remarks=str(number))) for number in range(4)]
    assert sorted(one.result().status_code for one in same) == [200, 200, 200, 201]
    assert {one.result().status_code for one in (*others, *tests)} == {201}
    assert [line["log_index"] for line in place.get("/inspections").json()["items"]] == sorted(
        line["log_index"] for line in place.get("/inspections").json()["items"]
    )
    assert len(place.get("/inspections").json()["items"]) == 5


def test_what_is_tested_is_not_inspected_and_the_other_way_round(place: Place) -> None:
    gap = place.new_assembly("air_gap")
    answer = put(place, document(place, place.assembly))
    assert (answer.status_code, [one["code"] for one in answer.json()["errors"]]) == (422, ["tested_not_inspected"])
    answer = place.put(uuid4(), place.report(assembly_id=gap))
    assert (answer.status_code, [one["code"] for one in answer.json()["errors"]]) == (422, ["inspected_not_tested"])
    answer = put(place, document(place, str(uuid4()), tester_id=str(uuid4())))
    assert [one["pointer"] for one in answer.json()["errors"]] == ["/assembly_id", "/tester_id"]


def test_the_standing_of_an_air_gap_in_washington(place: Place) -> None:
    gap = place.new_assembly("air_gap", installed_on="2026-05-01")
    # Inspected at installation: due on that day, by what a rulebook states and nobody has reported.
    untested = place.standing(gap)
    assert (untested["status"], untested["due_on"], untested["protection"]) == ("untested", "2026-05-01", "unknown")
    standing = recorded(place, gap, reason="installation")["standing"]
    assert (standing["status"], standing["due_on"], standing["protection"]) == ("current", "2027-06-01", "full")
    assert standing["because"].startswith("It passed its inspection on 2026-06-01.")
    # A gap that is too short: nobody can say what it would do, which acts as lost at a health hazard.
    place.world.clock.pass_by(days=30)
    failed = recorded(place, gap, installation=SHORT)
    assert [action["code"] for action in failed["verdict"]["actions"][:2]] == ["isolate_at_once", "repair_and_retest"]
    assert (failed["standing"]["status"], failed["standing"]["due_on"]) == ("failed", "2026-07-01")
    assert failed["standing"]["actions"] == ["repair_and_retest"]
    # A missing measure changes no standing, and the report is held.
    vague = recorded(place, gap, installation={"unobstructed": True})
    assert (vague["verdict"]["outcome"], vague["verdict"]["acceptance"]) == ("incomplete", "held")
    assert vague["standing"] == failed["standing"]
    place.world.clock.pass_by(days=1)
    repaired = recorded(place, gap, reason="repair")["standing"]
    assert (repaired["status"], repaired["due_on"], repaired["protection"]) == ("current", "2027-07-02", "full")
    # Whoever works the standings out again finds them as they are kept.
    assert reviews.rebuilt(place) == []


def test_an_irrigation_avb_in_washington_is_due_by_events_only(place: Place) -> None:
    avb = place.new_assembly("avb", installed_on="2026-05-01")
    assert place.standing(avb)["due_on"] == "2026-05-01"
    standing = recorded(place, avb, installation=AVB)["standing"]
    assert (standing["status"], standing["due_on"], standing["protection"]) == ("current", None, "full")
    assert "No yearly inspection is required." in standing["because"]
    place.world.operator.post(
        f"{place.base}/incidents",
        json={
            "occurred_at": "2026-06-01T11:59:00-07:00",
            "status": "confirmed",
            "description": "Backflow.",
            "assemblies": [avb],
            "premises": [],
        },
    ).raise_for_status()
    after = place.standing(avb)
    assert (after["due_on"], after["protection"]) == ("2026-06-01", "unknown")
    assert "Until it is inspected, its protection is unknown." in after["because"]


@pytest.mark.parametrize(
    ("rulebook", "kind", "due_on"),
    [("us-or", "air_gap", "2027-06-01"), ("us-tx", "air_gap", None), ("us-or", "barometric_loop", None)],
)
def test_without_a_rule_no_day_is_set_and_the_reason_is_given(world: World, rulebook: str, kind: str, due_on: str | None) -> None:
    place = world.place(rulebook)
    assembly = place.new_assembly(kind, installed_on="2026-05-01")
    facts = {"installation": {"height_above_highest_outlet": 420}} if kind == "barometric_loop" else {}
    untested = place.standing(assembly)
    standing = recorded(place, assembly, **facts)["standing"]
    assert (standing["status"], standing["due_on"]) == ("current", due_on)
    if due_on is None:
        assert untested["due_on"] is None
        assert f"Rulebook {rulebook} does not state when this kind is inspected, so" in untested["because"]
        assert f"Rulebook {rulebook} does not state when this kind is inspected, so" in standing["because"]
        # The utility states its own.
        own = place.new_assembly(kind, test_interval_months=6)
        assert recorded(place, own, **facts)["standing"]["due_on"] == "2026-12-01"


def test_a_wrong_inspection_is_superseded_and_a_corrected_failure_is_held(place: Place) -> None:
    gap = place.new_assembly("air_gap")
    wrong = recorded(place, gap, installation=BRIDGED)["inspection"]["id"]
    assert place.standing(gap)["protection"] == "lost"
    corrected = recorded(place, gap, supersedes=wrong, supersedes_because="The hose was next door's.")
    assert (corrected["verdict"]["outcome"], corrected["verdict"]["acceptance"]) == ("pass", "held")
    assert [flag["code"] for flag in corrected["verdict"]["flags"]] == ["failure_corrected"]
    assert corrected["standing"]["status"] == "failed"
    assert place.get(f"/inspections/{wrong}").json()["inspection"]["superseded_by"] == corrected["inspection"]["id"]
    # A person decides, as on a test.
    (review,) = place.get("/reviews", state="open").json()["items"]
    assert (review["id"], review["gauge_id"]) == (corrected["inspection"]["id"], None)
    decision = {"decision": "accepted", "because": "Seen on the photograph.", "decided_by": "A. Clerk"}
    headers = bearer(place.keys["utility"]) | {"If-Match": '"0"', "Content-Type": "application/merge-patch+json"}
    answer = place.world.client.patch(f"{place.base}/reviews/{review['id']}", json=decision, headers=headers)
    assert answer.status_code == 200, answer.text
    assert place.standing(gap)["status"] == "current"
    # Of another assembly's there is nothing to correct, nor of a test.
    other = place.new_assembly("air_gap")
    for known in (wrong, place.recorded()["report"]["id"]):
        answer = put(place, document(place, other, supersedes=known, supersedes_because="no"))
        assert answer.json()["errors"][0]["code"] == "supersedes_unknown"


def test_an_inspection_has_a_receipt_a_page_and_its_place_in_the_log(place: Place, world: World) -> None:
    gap = place.new_assembly("air_gap", serial_number="AG-7")
    inspection = recorded(place, gap, installation=BRIDGED)
    place.recorded()
    path = f"/reports/{inspection['inspection']['id']}"
    given = place.get(f"{path}/receipt").json()
    checked = world.client.post("/v1/receipts/verify", json={"receipt": given["receipt"]}).json()
    assert (checked["valid"], checked["on_record"], checked["content"]) == (True, "as_signed", None)
    held = checked["inspection"]
    assert held["verdict"] == inspection["verdict"]
    assert held["report"]["installation"] == inspection["inspection"]["installation"]
    assert held["inspector"]["certificate"] == "T-1"
    page = world.client.get(given["page"])
    assert page.status_code == 200
    for words in ("Inspection of an air gap", "What was inspected", "NOT met", "AG-7", "FAILED and not yet corrected"):
        assert words in page.text
    assert world.client.get(f"{given['page']}/report.pdf").content[:5] == b"%PDF-"
    posted = world.client.post("/receipts", data={"receipt": given["receipt"]})
    assert "Inspection of an air gap" in posted.text
    head = place.get("/log/head").json()
    proof = place.get("/log/inclusion", report_id=inspection["inspection"]["id"], size=2)
    assert proof.status_code == 200, (proof.text, head)
    # The feed names it by a resource of its own, and a testing company sees its own.
    for key in ("utility", "testing_company"):
        changes = place.get("/changes", key).json()["items"]
        assert [one["id"] for one in changes if one["resource"] == "inspections"] == [inspection["inspection"]["id"]]


def test_the_audit_and_judging_again_find_nothing(place: Place) -> None:
    gap = place.new_assembly("air_gap")
    wrong = recorded(place, gap, installation=SHORT)["inspection"]["id"]
    recorded(place, gap, supersedes=wrong, supersedes_because="misread")
    place.recorded()
    keys = KeyRing(SIGNING_KEYS).keys()
    found = in_pool(place, lambda pool: audit(LogStore(pool), keys, place.code, [], lambda *_: None))
    assert (found.reports, found.troubles) == (3, [])
    assert in_pool(place, lambda pool: rejudge_reports(ReportStore(pool), place.code)) == (3, [])
    # A row that somebody changed is named.
    world = place.world
    world.database.owner("ALTER TABLE record.report DISABLE TRIGGER append_only")
    world.database.owner("UPDATE record.report SET outcome = 'pass' WHERE id = $1::text::uuid", wrong)
    found = in_pool(place, lambda pool: audit(LogStore(pool), keys, place.code, [], lambda *_: None))
    assert {str(trouble.report_id) for trouble in found.troubles} == {wrong}
    world.database.owner("UPDATE record.report SET outcome = 'fail' WHERE id = $1::text::uuid", wrong)
    world.database.owner("ALTER TABLE record.report ENABLE TRIGGER append_only")


def test_a_void_inspection_counts_no_more(place: Place) -> None:
    gap = place.new_assembly("air_gap")
    failed = recorded(place, gap, installation=BRIDGED)["inspection"]["id"]
    path = f"{place.base}/reports/{failed}/void"
    answer = place.world.client.put(path, json={"because": "The gap next door."}, headers=bearer(place.keys["utility"]))
    assert answer.status_code == 200, answer.text
    assert place.standing(gap)["status"] == "untested"


def test_notices_speak_of_inspections(place: Place) -> None:
    premises = {"contact": notices.CONTACT}
    place.world.operator.patch(
        f"{place.base}/premises/{place.premises}",
        json=premises,
        headers={"If-Match": '"1"', "Content-Type": "application/merge-patch+json"},
    ).raise_for_status()
    place.recorded()
    gap = place.new_assembly("air_gap")
    recorded(place, gap)
    notices.pass_to(place, "2027-05-02")
    notices.run(place)
    texts = {one["assembly_id"]: one for one in notices.listed(place)}
    assert texts[gap]["subject"] == "Backflow inspection due by 1 June 2027"
    assert "The air gap at your premises" in texts[gap]["text"]
    assert "test" not in texts[gap]["text"].split("Local codes")[0]
    assert texts[place.assembly]["subject"] == "Backflow test due by 1 June 2027"
    notices.pass_to(place, "2027-06-02")
    notices.run(place)
    assert {one["step"] for one in notices.listed(place, state="prepared")} == {"overdue_first"}
    recorded(place, gap, installation=BRIDGED)
    notices.run(place)
    (urgent,) = [one for one in notices.listed(place, state="prepared") if one["assembly_id"] == gap]
    assert (urgent["step"], urgent["subject"]) == ("unprotected", "Urgent: the drinking water is not protected")


def test_the_year_counts_inspections(place: Place) -> None:
    right, short, late = (place.new_assembly("air_gap", installed_on="2026-01-01") for _ in range(3))
    recorded(place, right)
    recorded(place, short, installation=SHORT)
    place.recorded()
    year = place.get("/summaries/2026").json()
    figures = ("assemblies", "tested", "not_tested", "overdue", "tests", "passed", "failed")
    assert [year["inspected"][name] for name in figures] == [3, 2, 1, 1, 2, 1, 1]
    assert [year["total"][name] for name in figures] == [4, 3, 1, 1, 3, 2, 1]
    (group,) = [one for one in year["groups"] if one["kind"] == "air_gap"]
    assert {name: group[name] for name in figures} == {name: year["inspected"][name] for name in figures}
    rows = place.get("/summaries/2026/rows", figure="overdue", kind="air_gap").json()["items"]
    assert [one["assembly_id"] for one in rows] == [late]
    # A past year is counted by what was known by its end.
    place.world.clock.pass_by(days=400)
    assert place.get("/summaries/2026").json()["inspected"]["overdue"] == 1


def test_a_regulator_reads_and_a_company_sees_only_its_own(place: Place) -> None:
    gap = place.new_assembly("air_gap")
    inspection = recorded(place, gap)["inspection"]["id"]
    by_utility = put(place, document(place, gap, tester_id=place.tester, remarks="by the utility"), key="utility").json()
    assert place.get(f"/inspections/{inspection}", "regulator").status_code == 200
    assert put(place, document(place, gap), key="regulator").status_code == 403
    assert place.get(f"/inspections/{by_utility['inspection']['id']}", "testing_company").status_code == 404
    assert [line["id"] for line in place.get("/inspections", "testing_company").json()["items"]] == [inspection]
