"""Reviews over HTTP: a held report is released or turned down by the utility, and nothing of the report changes.

That a passing report that is held renews nothing, and that people decide, is common practice, no source.
"""

import asyncio
import datetime as dt
import json
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import UUID, uuid4
from zoneinfo import ZoneInfo

import httpx

from service.db.pool import Pool
from service.record.reports.store import ReportStore
from service.record.standings.work_out import rebuild_standings
from service.registry.store import RegistryStore
from tests.support.databases import in_thread
from tests.support.world import Place, World, bearer

HERE = ZoneInfo("America/Los_Angeles")
BECAUSE = {"because": "The tester showed the certificate.", "decided_by": "Desk 3"}


def held(place: Place, **changes: Any) -> str:
    """The id of a new report that is held: it declares another outcome than its readings show."""
    recorded = place.recorded(**{"declared": "fail" if changes.get("check", 1.8) >= 1 else "pass"} | changes)
    assert recorded["verdict"]["acceptance"] == "held"
    return str(recorded["report"]["id"])


def decide(place: Place, report: str, decision: str, *, version: int = 0, key: str = "utility", **more: Any) -> httpx.Response:
    """The answer to a decision."""
    headers = bearer(place.keys[key]) | {"If-Match": f'"{version}"'}
    body = {"decision": decision, **BECAUSE} | more
    return place.world.client.patch(f"{place.base}/reviews/{report}", json=body, headers=headers)


def rebuilt(place: Place) -> list[UUID]:
    """The assemblies whose kept standing is not what their reports and the decisions on them give."""

    async def rebuild() -> list[UUID]:
        pool = await Pool.open(place.world.database.dsn, size=2)
        try:
            return await rebuild_standings(ReportStore(pool), await RegistryStore(pool).utility(place.code))
        finally:
            await pool.close()

    return list(in_thread(lambda: asyncio.run(rebuild())))


def test_a_held_report_that_is_accepted_counts_from_then_on_and_stays_as_it_is(place: Place, world: World) -> None:
    report = held(place)
    before = place.get(f"/reports/{report}").json()
    row = world.database.owner("SELECT * FROM record.report WHERE id = $1", UUID(report))
    assert place.standing()["status"] == "untested"
    answer = decide(place, report, "accepted")
    assert (answer.status_code, answer.headers["etag"]) == (200, '"1"')
    assert (place.standing()["status"], place.standing()["report_id"]) == ("current", report)
    after = place.get(f"/reports/{report}").json()
    assert after["verdict"] == before["verdict"]
    result = after["report"].pop("decision")
    assert after["report"] == before["report"]
    assert (result["decision"], result["because"], result["decided_by"], result["version"]) == ("accepted", *BECAUSE.values(), 1)
    assert result["organisation_id"] == place.organisations["utility"]
    assert world.database.owner("SELECT * FROM record.report WHERE id = $1", UUID(report)) == row
    [line] = place.get("/reports").json()["items"]
    assert (line["acceptance"], line["decision"]) == ("held", "accepted")
    assert rebuilt(place) == []


def test_a_later_decision_stands_over_the_one_before_and_every_one_is_kept(place: Place) -> None:
    report = held(place)
    decide(place, report, "accepted").raise_for_status()
    assert decide(place, report, "refused").status_code == 412
    answer = decide(place, report, "refused", version=1, because="The certificate was another's.")
    assert (answer.status_code, answer.json()["state"], answer.json()["version"]) == (200, "refused", 2)
    assert [one["decision"] for one in place.get(f"/reviews/{report}").json()["history"]] == ["accepted", "refused"]
    assert place.standing()["status"] == "untested"
    assert rebuilt(place) == []


def test_a_failing_report_counts_whatever_is_decided_of_it(place: Place) -> None:
    """Common practice, no source: refusing a report takes away its pass, not its warning."""
    place.world.clock.pass_by(days=-40)
    place.recorded()
    place.world.clock.pass_by(days=40)
    report = held(place, check=0.6)
    assert place.standing()["status"] == "failed"
    assert place.standing()["actions"] == ["review_report"]
    decide(place, report, "refused").raise_for_status()
    assert (place.standing()["status"], place.standing()["report_id"]) == ("failed", report)
    assert place.standing()["actions"] == ["retest"]
    decide(place, report, "accepted", version=1).raise_for_status()
    assert (place.standing()["status"], place.standing()["actions"]) == ("failed", ["repair_and_retest"])
    assert rebuilt(place) == []


def test_a_correction_that_makes_a_failure_vanish_is_held_and_the_failure_counts_until_somebody_has_looked(place: Place) -> None:
    place.world.clock.pass_by(days=-300)
    place.recorded()
    place.world.clock.pass_by(days=300)
    failed = place.recorded(check=0.6)["report"]["id"]
    corrected = place.recorded(check=1.6, supersedes=failed, supersedes_because="Typed wrong.")
    assert corrected["verdict"]["acceptance"] == "held"
    assert [(one["code"], one["pointer"]) for one in corrected["verdict"]["flags"]] == [("failure_corrected", "/supersedes")]
    assert (corrected["standing"]["status"], corrected["standing"]["report_id"]) == ("failed", failed)
    # Another report of the assembly, which takes the short way into the record, does not lose sight of it.
    early = (place.world.clock.now() - dt.timedelta(days=200)).isoformat()
    assert place.recorded(performed_at=early)["standing"]["report_id"] == failed
    year = place.get("/summaries/2026").json()["total"]
    assert (year["failed"], year["undecided"]) == (1, 0)
    decide(place, corrected["report"]["id"], "accepted").raise_for_status()
    assert (place.standing()["status"], place.standing()["report_id"]) == ("current", corrected["report"]["id"])
    assert place.recorded(performed_at=early, check=1.9)["standing"]["report_id"] == corrected["report"]["id"]
    year = place.get("/summaries/2026").json()["total"]
    assert (year["failed"], year["undecided"]) == (0, 0)
    assert rebuilt(place) == []
    # What it was judged on is kept: judged again, it is the same to the byte.
    assert rejudged(place) == []


def rejudged(place: Place) -> list[Any]:
    """The reports whose verdict is not the same when they are judged again."""
    from service.record.reports.rejudging import rejudge_reports  # noqa: PLC0415 - only here

    async def act() -> list[Any]:
        pool = await Pool.open(place.world.database.dsn, size=2)
        try:
            return (await rejudge_reports(ReportStore(pool), place.code))[1]
        finally:
            await pool.close()

    return list(in_thread(lambda: asyncio.run(act())))


def test_a_failure_and_its_correction_in_one_batch_are_seen_together(place: Place, world: World) -> None:
    failed = str(uuid4())
    lines = [
        place.report(check=0.6) | {"id": failed},
        place.report(check=1.6) | {"supersedes": failed, "supersedes_because": "Typed wrong.", "id": str(uuid4())},
    ]
    headers = bearer(place.keys["testing_company"]) | {"Content-Type": "application/x-ndjson"}
    body = "".join(json.dumps(line) + "\n" for line in lines)
    answers = world.client.post(f"{place.base}/reports/batches", content=body, headers=headers).text.splitlines()
    listed = [json.loads(line) for line in answers]
    assert [one["verdict"]["acceptance"] for one in listed] == ["accepted", "held"]
    assert place.standing()["report_id"] == failed


def test_the_work_queue_holds_what_waits_for_a_decision_and_nothing_else(place: Place) -> None:
    other = place.new_assembly("pvb")
    place.recorded()
    first, second, third = held(place), held(place, assembly_id=other), held(place)
    corrected = place.recorded(supersedes=third, supersedes_because="Declared wrong.", check=1.7)["report"]["id"]
    assert ids(place, state="open") == [first, second]
    assert ids(place, state="open", assembly_id=other) == [second]
    assert ids(place, state="open", tester_id=str(uuid4())) == []
    one = place.get("/reviews", state="open", limit=1).json()
    assert [flag["code"] for flag in one["items"][0]["held_for"]] == ["declared_outcome_differs"]
    assert one["items"][0]["version"] == 0
    following = place.world.client.get(one["next"], headers=bearer(place.keys["utility"])).json()
    assert ([line["id"] for line in following["items"]], following["next"]) == ([second], None)
    decide(place, first, "accepted").raise_for_status()
    decide(place, second, "refused").raise_for_status()
    assert (ids(place, state="open"), ids(place, state="accepted"), ids(place, state="refused")) == ([], [first], [second])
    assert ids(place) == [first, second, third]
    assert place.get(f"/reviews/{third}").json()["superseded_by"] == corrected


def ids(place: Place, **query: str) -> list[str]:
    """The ids of the reviews listed."""
    return [one["id"] for one in place.get("/reviews", **query).json()["items"]]


def test_only_a_held_report_is_decided_on(place: Place) -> None:
    accepted = place.recorded()["report"]["id"]
    # Dated after its arrival, it is refused for good: another test is due.
    later = (place.world.clock.now() + dt.timedelta(hours=25)).isoformat()
    refused = place.recorded(performed_at=later)
    assert refused["verdict"]["acceptance"] == "refused"
    for report in (accepted, refused["report"]["id"], str(uuid4())):
        assert decide(place, report, "accepted").status_code == 404
        assert place.get(f"/reviews/{report}").status_code == 404


def test_a_decision_says_what_why_and_by_whom(place: Place, world: World) -> None:
    report = held(place)
    headers = bearer(place.keys["utility"]) | {"If-Match": '"0"'}
    answer = world.client.patch(f"{place.base}/reviews/{report}", json={"decision": "maybe", "because": " "}, headers=headers)
    assert answer.status_code == 400
    assert [one["pointer"] for one in answer.json()["errors"]] == ["/decision", "/because", "/decided_by"]
    unmatched = world.client.patch(
        f"{place.base}/reviews/{report}", json={"decision": "accepted", **BECAUSE}, headers=bearer(place.keys["utility"])
    )
    assert unmatched.status_code == 428


def test_of_decisions_made_at_once_one_is_taken(place: Place) -> None:
    report = held(place)
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda decision: decide(place, report, decision).status_code, ["accepted", "refused"] * 2))
    assert sorted(answers) == [200, 412, 412, 412]
    assert len(place.get(f"/reviews/{report}").json()["history"]) == 1


def test_a_past_day_is_answered_by_what_was_decided_by_then(place: Place) -> None:
    report = held(place)
    day = place.world.clock.now().astimezone(HERE).date()
    place.world.clock.pass_by(days=5)
    decide(place, report, "accepted").raise_for_status()
    then = place.get(f"/assemblies/{place.assembly}/standing", as_of=str(day)).json()
    assert (then["status"], then["later_decisions"], then["later_corrections"]) == ("untested", [report], [])
    now = place.get(f"/assemblies/{place.assembly}/standing", as_of=str(day + dt.timedelta(days=5))).json()
    assert (now["status"], now["later_decisions"]) == ("current", [])


def test_a_decision_is_in_the_feed_with_the_standing_that_follows(place: Place, world: World) -> None:
    report = held(place)
    head = world.database.owner("SELECT changes FROM record.utility_log WHERE utility_id = $1", place.code)[0][0]
    decide(place, report, "accepted").raise_for_status()
    changes = place.get("/changes", after=str(head)).json()["items"]
    assert [(one["resource"], one["id"], one["version"]) for one in changes] == [
        ("reviews", report, 1),
        ("standings", place.assembly, 3),
    ]
    seen = place.get("/changes", "testing_company", after=str(head)).json()["items"]
    assert [one["resource"] for one in seen] == ["reviews", "standings"]


def test_a_testing_company_sees_decisions_on_its_own_reports_and_makes_none(place: Place, world: World) -> None:
    report = held(place)
    rival = world.made("/v1/organisations", kind="testing_company", name="Rival")["id"]
    world.operator.put(f"{place.base}/grants/{rival}").raise_for_status()
    place.keys["rival"] = world.made(f"/v1/organisations/{rival}/keys", label="rival")["key"]
    decide(place, report, "refused").raise_for_status()
    assert place.get(f"/reviews/{report}", "testing_company").json()["state"] == "refused"
    assert place.get(f"/reports/{report}", "testing_company").json()["report"]["decision"]["decision"] == "refused"
    assert decide(place, report, "accepted", version=1, key="testing_company").status_code == 403
    assert (place.get(f"/reviews/{report}", "rival").status_code, ids(place)) == (404, [report])
    assert place.get("/reviews", "rival").json()["items"] == []
    assert "reviews" not in {one["resource"] for one in place.get("/changes", "rival").json()["items"]}


def test_the_year_counts_what_was_decided(place: Place) -> None:
    first, second, third = held(place), held(place), held(place)
    assert figures(place) == {"tests": 3, "passed": 0, "undecided": 3, "tested": 0}
    decide(place, first, "accepted").raise_for_status()
    decide(place, second, "refused").raise_for_status()
    assert figures(place) == {"tests": 2, "passed": 1, "undecided": 1, "tested": 1}
    for figure, reports in (("passed", [first]), ("undecided", [third])):
        rows = place.get("/summaries/2026/rows", figure=figure).json()["items"]
        assert [one["id"] for one in rows] == reports


def figures(place: Place) -> dict[str, int]:
    """What the year's summary says of tests."""
    totals = place.get("/summaries/2026").json()["total"]
    return {name: totals[name] for name in ("tests", "passed", "undecided", "tested")}
