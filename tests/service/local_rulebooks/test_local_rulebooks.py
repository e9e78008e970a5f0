"""Local rulebooks over HTTP: stated in versions, previewed, in force for the next report, and never for a verdict given before."""

import asyncio
import datetime as dt
import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import uuid4

import asyncpg
import httpx
import pytest

from service.db.embedded import EmbeddedPostgres
from service.db.pool import Pool
from service.record.reports.rejudging import rejudge_reports
from service.record.reports.store import ReportStore
from service.transfer.export_restore import restore
from tests.support.databases import fresh_database
from tests.support.serving import serving
from tests.support.world import Place, World, bearer

CLAUSE = {"title": "Alder Falls Municipal Code", "section": "13.08.050"}


def entry(**members: Any) -> dict[str, Any]:
    return {"says": "What the ordinance says.", "clause": CLAUSE, **members}


HALF_YEARLY = {"intervals": [entry(key="health", months=6, hazards=["health"])]}
MINIMUM = {"criteria": [entry(rule="pvb.check.held_at", at_least=2.0, unit="psi")]}
WITHDRAWN: dict[str, Any] = {}


def ordinance(**sections: Any) -> dict[str, Any]:
    return {"extends": "us-wa", "title": "Alder Falls Municipal Code, chapter 13.08", "in_force_from": "2026-01-01", **sections}


def put(place: Place, number: int, document: dict[str, Any], key: str = "utility") -> httpx.Response:
    path = f"{place.base}/rulebook/versions/{number}"
    return place.world.client.put(path, json=document, headers=bearer(place.keys[key]))


def previewed(place: Place, document: dict[str, Any]) -> dict[str, Any]:
    answer = place.world.client.post(f"{place.base}/rulebook/preview", json=document, headers=bearer(place.keys["utility"]))
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def stated(place: Place, number: int, **sections: Any) -> None:
    answer = put(place, number, ordinance(**sections))
    assert answer.status_code == 201, answer.text


@pytest.fixture
def elsewhere(place: Place) -> Iterator[httpx.Client]:
    """The same service as another process serves it, for the testing company."""
    with (
        serving(place.world.database, place.world.clock) as url,
        httpx.Client(base_url=url, timeout=30, headers=bearer(place.keys["testing_company"]), trust_env=False) as client,
    ):
        yield client


def test_a_version_is_kept_as_stated_and_never_changed(place: Place) -> None:
    document = ordinance(**HALF_YEARLY)
    first = put(place, 1, document)
    assert (first.status_code, first.headers["Location"]) == (201, f"{place.base}/rulebook/versions/1")
    assert put(place, 1, document).status_code == 200
    assert put(place, 1, document).json() == first.json()
    other = put(place, 1, ordinance(**MINIMUM))
    assert other.status_code == 409
    assert "as version 2" in other.json()["detail"]
    assert put(place, 3, ordinance(**MINIMUM)).status_code == 409
    assert put(place, 2, ordinance(**MINIMUM)).status_code == 201
    listed = place.get("/rulebook/versions").json()["items"]
    assert [one["version"] for one in listed] == [1, 2]
    assert listed[0]["rulebook"]["intervals"][0]["months"] == 6
    assert place.get("/rulebook/versions/1").json() == listed[0]
    assert place.get("/rulebook/versions/3").status_code == 404
    with pytest.raises(asyncpg.PostgresError, match=r"local_rulebook"):
        place.world.database.owner("UPDATE record.local_rulebook SET content = '{}' WHERE utility_id = $1", place.code)


def test_the_effective_rulebook_names_each_values_clause(place: Place) -> None:
    stated(place, 1, **HALF_YEARLY)
    for key in ("utility", "testing_company", "regulator"):
        effective = place.get("/rulebook", key=key, on="2026-06-01").json()
        assert next((row["months"], row["stated_by"]) for row in effective["intervals"]) == (6, "utility")
        assert effective["intervals"][0]["source"] == {
            "title": "Alder Falls Municipal Code",
            "clause": "13.08.050",
            "provenance": "stated_by_utility",
        }
        assert {row["stated_by"] for row in effective["criteria"]} == {"authority"}
    before = place.get("/rulebook", on="2025-06-01").json()
    state = place.world.client.get("/v1/rulebooks/us-wa", params={"on": "2025-06-01"}).json()
    assert before["digest"] == state["digest"]
    assert before["local"] is None


def test_what_is_laxer_than_the_state_is_refused_with_its_value_and_clause(place: Place) -> None:
    # WAC 246-290-490 (7)(b): at least annually; check of a PVB: 1 psi; a gauge's calibration: yearly; Table 13: car washes.
    answer = put(
        place,
        1,
        ordinance(
            intervals=[entry(key="all", months=24)],
            criteria=[entry(rule="pvb.check.held_at", at_least=0.5, unit="psi")],
            limits=[entry(name="gauge.calibration", at_most=36, unit="months")],
            premises=[entry(key="wash", premises=["car_wash"], hazard="non_health")],
            triggers=[entry(event="incident", days=30)],
        ),
    )
    assert answer.status_code == 422, answer.text
    faults = {one["pointer"]: one["detail"] for one in answer.json()["errors"]}
    assert set(faults) == {
        "/intervals/0/months",
        "/criteria/0/at_least",
        "/limits/0/at_most",
        "/premises/0/hazard",
        "/triggers/0/days",
    }
    assert "12 months (WAC 246-290-490" in faults["/intervals/0/months"]
    assert "1 psi" in faults["/criteria/0/at_least"]
    assert place.get("/rulebook/versions").json()["items"] == []


def test_it_is_stated_over_the_utilitys_own_rulebook(place: Place) -> None:
    assert put(place, 1, ordinance(**HALF_YEARLY) | {"extends": "us-or"}).status_code in (400, 422)
    stated(place, 1, **HALF_YEARLY)
    path = f"/v1/utilities/{place.code}"
    tag = {"If-Match": place.world.operator.get(path).headers["ETag"]}
    refused = place.world.operator.patch(path, json={"rulebook": "us-fl"}, headers=tag)
    assert refused.status_code == 409, refused.text
    stated(place, 2, **WITHDRAWN)
    assert place.world.operator.patch(path, json={"rulebook": "us-fl"}, headers=tag).status_code == 200
    assert place.recorded()["verdict"]["rulebook"]["id"] == "us-fl"


def test_a_version_governs_the_next_report_in_every_process(place: Place, elsewhere: httpx.Client) -> None:
    def sent() -> dict[str, Any]:
        answer = elsewhere.put(f"{place.base}/reports/{uuid4()}", json=place.report(check=1.8))
        assert answer.status_code == 201, answer.text
        return dict(answer.json()["verdict"])

    plain = sent()
    assert (plain["outcome"], "local_version" in plain["rulebook"]) == ("pass", False)
    stated(place, 1, **MINIMUM)
    strict = sent()
    assert (strict["outcome"], strict["rulebook"]["local_version"]) == ("fail", 1)
    assert strict["initial"]["protection"] == "full"
    assert strict["rulebook"]["digest"] != plain["rulebook"]["digest"]
    stated(place, 2, **WITHDRAWN)
    again = sent()
    assert (again["outcome"], again["rulebook"]) == ("pass", plain["rulebook"])


def test_reports_sent_while_a_version_is_stated_are_judged_by_the_one_in_force(place: Place) -> None:
    assemblies = [place.new_assembly("pvb") for _ in range(24)]

    def send(number: int) -> tuple[dict[str, Any], bool]:
        before = bool(place.get("/rulebook/versions").json()["items"])
        answer = place.put(uuid4(), place.report(assembly_id=assemblies[number], check=1.8))
        assert answer.status_code == 201, answer.text
        return dict(answer.json()), before

    with ThreadPoolExecutor(9) as threads:
        sending = [threads.submit(send, number) for number in range(12)]
        stating = threads.submit(put, place, 1, ordinance(**MINIMUM))
        sending += [threads.submit(send, number) for number in range(12, 24)]
        assert stating.result().status_code == 201
        results = [one.result() for one in sending]
    for report, before in results:
        rulebook = report["verdict"]["rulebook"]
        # Whoever saw the version before sending is judged by it; its outcome always fits the rulebook that it names.
        assert not before or rulebook.get("local_version") == 1
        assert report["verdict"]["outcome"] == ("fail" if "local_version" in rulebook else "pass")
    assert rejudged(place) == (24, [])


def rejudged(place: Place) -> tuple[int, list[str]]:
    """How many reports were judged again, and what of them differs."""

    async def run() -> tuple[int, list[str]]:
        pool = await Pool.open(place.world.database.dsn, size=1)
        try:
            count, differing = await rejudge_reports(ReportStore(pool), place.code)
        finally:
            await pool.close()
        return count, [one.says for one in differing]

    return asyncio.run(run())


def test_verdicts_judge_again_alike_after_the_local_rulebook_has_changed(place: Place) -> None:
    plain = place.recorded(check=1.8)["verdict"]
    stated(place, 1, **MINIMUM)
    strict = place.recorded(check=1.8)["verdict"]
    stated(place, 2, **HALF_YEARLY)
    half = place.recorded(check=1.8)["verdict"]
    assert [one["outcome"] for one in (plain, strict, half)] == ["pass", "fail", "pass"]
    assert len({one["rulebook"]["digest"] for one in (plain, strict, half)}) == 3
    assert rejudged(place) == (3, [])


def inspected(place: Place, assembly: str, **changes: Any) -> dict[str, Any]:
    """An inspection of an air gap that something bridges."""
    document = {
        "assembly_id": assembly,
        "tester_id": place.tester,
        "inspected_by": "T-1",
        "performed_at": (place.world.clock.now() - dt.timedelta(hours=1)).isoformat(),
        "reason": "periodic",
        "units": {"length": "in"},
        "installation": {
            "air_gap": {"vertical_distance": 4, "effective_diameter": 2, "near_walls": 0},
            "unobstructed": False,
            "subject_to_submergence": False,
        },
    }
    path = f"{place.base}/inspections/{uuid4()}"
    answer = place.world.client.put(path, json=document | changes, headers=bearer(place.keys["testing_company"]))
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


def by_code(verdict: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {action["code"]: action for action in verdict["actions"]}


def test_an_inspection_keeps_to_the_ordinance_as_a_test_does(place: Place) -> None:
    gap = place.new_assembly("air_gap", hazard="non_health")
    plain = inspected(place, gap)
    due = entry(name="report.due", at_most=3, unit="business_days")
    complete = entry(name="complete_the_test.non_health", at_most=6, unit="days")
    repair = entry(key="city", hazards=["non_health"], acts_as=["lost"], days=4, counts_from="notice")
    stated(place, 1, limits=[due, complete], deadlines=[repair])
    strict = inspected(place, gap)
    stated(place, 2, **WITHDRAWN)
    unmeasured = {"air_gap": {"vertical_distance": 4}, "unobstructed": True, "subject_to_submergence": False}
    again = inspected(place, gap, installation=unmeasured)
    # Washington's own days are common practice: 10 after protection is lost, 30 for the report and for what is incomplete.
    days = [
        (action["within_days"], action["counts_from"], action["source"]["provenance"])
        for verdict in (plain["verdict"], strict["verdict"])
        for action in (by_code(verdict)["repair_and_retest"], by_code(verdict)["file_report"])
    ]
    assert days == [
        (10, "test", "common_practice"),
        (30, "test", "common_practice"),
        (4, "notice", "stated_by_utility"),
        (3, "test", "stated_by_utility"),
    ]
    assert by_code(strict["verdict"])["file_report"]["business_days"] is True
    assert by_code(again["verdict"])["complete_the_test"]["within_days"] == 30
    assert [one["verdict"]["rulebook"].get("local_version") for one in (plain, strict, again)] == [None, 1, None]
    assert len({one["verdict"]["rulebook"]["digest"] for one in (plain, strict)}) == 2
    assert rejudged(place) == (3, [])


def test_an_inspection_knows_the_hazard_by_the_rulebooks_own_word(place: Place) -> None:
    # WAC 246-290-490 (4)(a), published: high.
    word = place.made("assemblies", premises_id=place.premises, kind="air_gap", hazard_class="high", purpose="point_of_use")
    stated(place, 1, limits=[entry(name="report.due", at_most=5, unit="days")])
    verdict = inspected(place, word["id"])["verdict"]
    assert [flag["code"] for flag in verdict["flags"]] == ["hazard_class_acts_as"]
    assert by_code(verdict)["isolate_at_once"]["within_days"] == 0
    assert rejudged(place) == (1, [])


def test_a_preview_equals_what_then_happens_and_writes_nothing(place: Place) -> None:
    old = place.new_assembly("pvb")
    tested = place.world.clock.now() - dt.timedelta(days=240)
    place.recorded(assembly_id=old, performed_at=tested.isoformat(), check=1.8)
    place.recorded(check=2.4)
    other = place.new_assembly("pvb", hazard="non_health")
    place.recorded(assembly_id=other, check=1.9)
    # The interval that counts from a test is that of the test's day.
    document = ordinance(**HALF_YEARLY, **MINIMUM) | {"in_force_from": "2025-01-01"}
    before = place.get("/changes").json()
    foretold = previewed(place, document)
    assert place.get("/changes").json() == before
    assert (foretold["version"], foretold["assemblies"], foretold["tests"]) == (1, 3, 3)
    assert (foretold["due_days_moved"], foretold["due_earlier"], foretold["due_later"]) == (2, 2, 0)
    assert (foretold["becoming_overdue"], foretold["no_longer_overdue"]) == (1, 0)
    assert [one["assembly_id"] for one in foretold["moved"]][:1] == [old]
    assert foretold["tests_judged_otherwise"] == 2
    assert {(one["outcome"], one["outcome_then"]) for one in foretold["judged_otherwise"]} == {("pass", "fail")}
    assert {one["assembly_id"] for one in foretold["judged_otherwise"]} == {old, other}
    standings = {one: place.standing(one) for one in (old, place.assembly, other)}
    assert put(place, 1, document).status_code == 201
    for moved in foretold["moved"]:
        now = place.standing(moved["assembly_id"])
        was = standings.pop(moved["assembly_id"])
        assert (was["due_on"], was["status"]) == (moved["due_on"], moved["status"])
        assert (now["due_on"], now["status"]) == (moved["due_on_then"], moved["status_then"])
    for assembly, standing in standings.items():
        assert place.standing(assembly) == standing
    # The same again would change nothing more.
    assert previewed(place, document)["due_days_moved"] == previewed(place, document)["tests_judged_otherwise"] == 0


def test_the_feed_shows_each_version(place: Place) -> None:
    stated(place, 1, **HALF_YEARLY)
    for key in ("utility", "testing_company"):
        changes = place.get("/changes", key=key).json()["items"]
        assert [one["version"] for one in changes if one["resource"] == "local_rulebook"] == [1]


def test_premises_of_the_ordinance_decide_a_selection(place: Place) -> None:
    stated(place, 1, premises=[entry(key="wash", premises=["car_wash"], kinds=["air_gap"])])
    request = {
        "rulebook": "us-wa",
        "hazard": "health",
        "premises": "car_wash",
        "purpose": "premises_isolation",
        "backpressure_possible": True,
        "continuous_pressure": True,
    }
    by_state = place.world.client.post("/v1/rules/selection", json=request).json()
    answer = place.world.client.post(
        f"{place.base}/rulebook/selection", json=request, headers=bearer(place.keys["testing_company"])
    )
    assert "rp" in by_state["recommended"]
    assert answer.json()["recommended"] == ["air_gap"]


def test_a_notice_of_the_ordinance_is_prepared_on_its_day(place: Place) -> None:
    place.recorded()
    due = dt.date.fromisoformat(place.standing()["due_on"])

    def steps(on: dt.date) -> list[tuple[str, str]]:
        items = place.get("/notices/preview", on=on.isoformat()).json()["items"]
        return [(one["step"], one["scheduled_for"]) for one in items]

    early = due - dt.timedelta(days=45)
    assert steps(early) == []
    stated(place, 1, notices=[entry(step="due", occasion="due", to="customer", days=-45)])
    assert steps(early) == [("due", early.isoformat())]


def test_an_export_holds_every_version_and_is_restored_alike(place: Place, postgres: EmbeddedPostgres, template: str) -> None:
    stated(place, 1, **MINIMUM)
    strict = place.recorded(check=1.8)["verdict"]
    stated(place, 2, **HALF_YEARLY)
    place.recorded(check=1.8)
    lines = place.get("/export").content.splitlines(keepends=True)
    assert [json.loads(line)["row"]["version"] for line in lines if b'"table":"local_rulebook"' in line] == [1, 2]
    with fresh_database(postgres, template) as database:

        async def run() -> tuple[int, list[Any]]:
            pool = await Pool.open(database.dsn, size=2)
            try:
                restored = await restore(pool, lines)
                assert restored.rows["local_rulebook"] == 2
                assert restored.differing == []
                return await rejudge_reports(ReportStore(pool), place.code)
            finally:
                await pool.close()

        assert asyncio.run(run()) == (2, [])
    assert strict["rulebook"]["local_version"] == 1


def test_where_the_authoritys_criteria_were_not_read_the_utilitys_own_judge(world: World) -> None:
    # New South Wales: the acceptance figures of AS/NZS 2845.3 were not read. The ordinance and its figures are invented.
    place = world.place("au-nsw")
    held = place.recorded()["verdict"]
    assert (held["outcome"], held["acceptance"]) == ("incomplete", "held")
    part = ordinance(extends="au-nsw", criteria=[entry(rule="pvb.check.held_at", at_least=1.5, unit="psi")])
    refused = put(place, 1, part)
    assert (refused.status_code, [one["code"] for one in refused.json()["errors"]]) == (422, ["local_kind_in_part"])
    assert "`pvb.air_inlet.opened_at`" in refused.json()["errors"][0]["detail"]
    whole = [
        entry(rule="pvb.check.held_at", at_least=1.5, unit="psi"),
        entry(rule="pvb.air_inlet.opened_at", at_least=1.2, unit="psi"),
        entry(rule="pvb.air_inlet.opened_fully"),
        entry(rule="pvb.air_inlet.not_spilling"),
    ]
    assert put(place, 1, ordinance(extends="au-nsw", criteria=whole)).status_code == 201
    passed, failed = (place.recorded(check=check)["verdict"] for check in (1.5, 1.4))
    assert (passed["outcome"], passed["acceptance"], failed["outcome"]) == ("pass", "accepted", "fail")
    for verdict in (passed, failed):
        assert {finding["source"]["provenance"] for finding in verdict["findings"]} == {"stated_by_utility"}
        assert "criteria_stated_by_utility" in {flag["code"] for flag in verdict["flags"]}
    # The state's rulebook itself still has none.
    assert place.get("/rulebook").json()["criteria"][0]["stated_by"] == "utility"
    assert world.client.get("/v1/rulebooks/au-nsw").json()["criteria"] == []
    assert rejudged(place) == (3, [])
