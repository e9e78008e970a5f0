"""A standing is never surer than the evidence: failures count whoever saw them, and nobody reads more protection than anybody can know.

The rows of the issue that concern the record, through HTTP. Where no source is named beside a test, it is common practice, no source.
"""

import csv
import datetime as dt
import io
from typing import Any
from uuid import uuid4

import pytest

from tests.service.notices import test_notices
from tests.service.record.reviews.test_reviews import decide, rebuilt
from tests.support.serving import NOON
from tests.support.world import Place, World, bearer, certificate, phase

INCOMPLETE = {**phase(), "readings": phase()["readings"][:1]}
REPAIRED = {"repairs": [{"component": "check", "part": "disc", "action": "cleaned"}]}


def at(days: float) -> str:
    """A moment so many days before the tests' noon."""
    return (NOON - dt.timedelta(days=days)).isoformat()


def expired(place: Place) -> str:
    """The id of a tester whose certificate has run out."""
    old = certificate(valid_from="2020-01-01", valid_until="2024-12-31")
    return str(place.made("testers", name="E", certificates=[old])["id"])


def brief(standing: dict[str, Any]) -> tuple[Any, ...]:
    return standing["status"], standing["protection"], standing["actions"]


def preview(place: Place) -> list[str]:
    """The steps of the notices that a run of today would prepare."""
    answer = place.get("/notices/preview", on="2026-06-01")
    assert answer.status_code == 200, answer.text
    return [notice["step"] for notice in answer.json()["items"]]


def test_a_failing_test_by_a_tester_whose_certificate_has_expired(place: Place, world: World) -> None:
    place.recorded(performed_at=at(30))
    assert brief(place.standing()) == ("current", "full", [])
    refused = place.recorded(tester_id=expired(place), check=0.0)
    assert (refused["verdict"]["outcome"], refused["verdict"]["acceptance"]) == ("fail", "refused")
    standing = place.standing()
    assert refused["standing"] == {name: standing[name] for name in refused["standing"]}
    # Nobody may order a repair on it: a certified tester tests again.
    assert (standing["status"], standing["actions"], standing["report_id"]) == ("failed", ["retest"], refused["report"]["id"])
    assert "certified tester" in standing["because"]
    assert "repair" not in standing["because"].lower()
    # It is listed, by its standing and by its report, and the customer is written to.
    assert [one["assembly_id"] for one in place.get("/standings", status="failed").json()["items"]] == [place.assembly]
    assert [one["id"] for one in place.get("/reports", acceptance="refused").json()["items"]] == [refused["report"]["id"]]
    assert preview(place) == ["retest"]
    [notice] = place.get("/notices/preview", on="2026-06-01").json()["items"]
    assert "certified tester" in notice["text"]
    assert "have it repaired" not in notice["text"].lower()
    # The year counts the failure, and not the test.
    year = place.get("/summaries/2026").json()["total"]
    assert (year["tests"], year["failed"], year["failures"], year["unrepaired"]) == (1, 0, 1, 1)
    assert rebuilt(place) == []
    # A valid passing test performed later clears it; a refused one does not.
    world.clock.pass_by(hours=3)
    assert place.recorded(tester_id=expired(place))["standing"]["status"] == "failed"
    assert brief(place.recorded()["standing"]) == ("current", "full", [])
    assert rebuilt(place) == []


@pytest.mark.parametrize("acceptance", ["accepted", "held", "refused"])
def test_an_initial_failure_counts_while_the_final_test_is_incomplete(place: Place, acceptance: str) -> None:
    """After a final test all parts are read again: a partial one is incomplete, and the initial failure counts."""
    place.recorded(performed_at=at(30))
    more = {"tester_id": expired(place)} if acceptance == "refused" else {}
    answer = place.recorded(initial_test=phase(0.0, 0.0), **REPAIRED, final_test=INCOMPLETE, **more)
    # A missing reading holds a report.
    assert (answer["verdict"]["outcome"], answer["verdict"]["acceptance"]) == ("incomplete", "refused" if more else "held")
    if acceptance == "accepted":
        decide(place, answer["report"]["id"], "accepted").raise_for_status()
    standing = place.standing()
    assert (standing["status"], standing["protection"], standing["due_on"]) == ("failed", "lost", "2026-06-01")
    assert standing["because"].startswith("The assembly failed its initial test on 2026-06-01")
    assert rebuilt(place) == []


@pytest.mark.parametrize("acceptance", ["held", "refused"])
def test_an_initial_failure_counts_while_the_final_pass_does_not(place: Place, acceptance: str) -> None:
    place.recorded(performed_at=at(30))
    more = {"tester_id": expired(place)} if acceptance == "refused" else {"declared": "fail"}
    answer = place.recorded(initial_test=phase(0.0, 0.0), **REPAIRED, final_test=phase(2.0), **more)
    assert (answer["verdict"]["outcome"], answer["verdict"]["acceptance"]) == ("pass", acceptance)
    assert (answer["standing"]["status"], answer["standing"]["protection"]) == ("failed", "lost")
    if acceptance == "held":
        decide(place, answer["report"]["id"], "accepted").raise_for_status()
        assert brief(place.standing()) == ("current", "full", [])
    assert rebuilt(place) == []


def test_a_test_that_is_merely_incomplete_changes_no_standing(place: Place) -> None:
    before = place.recorded(performed_at=at(30))["standing"]
    answer = place.recorded(initial_test=INCOMPLETE)
    assert answer["verdict"]["outcome"] == "incomplete"
    assert answer["standing"] == before
    assert "isolate_at_once" not in [action["code"] for action in answer["verdict"]["actions"]]
    assert preview(place) == []


def test_a_failure_dated_ahead_outranks_no_test_that_came_after_it(place: Place, world: World) -> None:
    """The issue's case: a failure dated next May outranked this June's pass for a year."""
    place.recorded(performed_at=at(30))
    next_may = place.recorded(check=0.4, performed_at="2027-05-01T12:00:00-07:00")
    assert (next_may["standing"]["status"], next_may["standing"]["since"]) == ("failed", "2026-06-01")
    world.clock.pass_by(days=2)
    assert brief(place.recorded()["standing"]) == ("current", "full", [])
    assert rebuilt(place) == []


@pytest.mark.parametrize(("reason", "status"), [("periodic", "failed"), ("repair", "current")])
def test_of_one_day_without_times_the_failure_counts_unless_the_pass_is_the_repairs(
    place: Place, reason: str, status: str
) -> None:
    noon = at(10)
    for order in (("pass", "fail"), ("fail", "pass")):
        assembly = place.new_assembly("pvb")
        for outcome in order:
            result = {"check": 0.4} if outcome == "fail" else {"check": 1.9, "reason": reason}
            answer = place.recorded(assembly_id=assembly, performed_at=noon, **result)
        assert answer["standing"]["status"] == status, order
    assert rebuilt(place) == []


def test_a_held_failure_is_reviewed_before_the_customer_is_written_to_unless_nothing_is_left(place: Place) -> None:
    mild = place.recorded(check=0.4, declared="pass")
    assert brief(mild["standing"])[::2] == ("failed", ["review_report"])
    assert preview(place) == []
    decide(place, mild["report"]["id"], "accepted").raise_for_status()
    assert preview(place) == ["failed"]
    lost = place.recorded(assembly_id=place.new_assembly("pvb"), initial_test=phase(0.0, 0.0), declared="pass")
    assert brief(lost["standing"]) == ("failed", "lost", ["review_report", "repair_and_retest"])
    assert sorted(preview(place)) == ["failed", "unprotected"]


def test_a_notice_that_was_prepared_follows_what_is_decided(place: Place) -> None:
    report = place.recorded(initial_test=phase(0.0, 0.0), declared="pass")["report"]["id"]
    test_notices.run(place)
    assert test_notices.steps(place) == [("unprotected", "prepared")]
    # Refused, nobody may order a repair on it any more.
    decide(place, report, "refused").raise_for_status()
    assert test_notices.steps(place) == [("unprotected", "withdrawn")]
    test_notices.run(place)
    assert test_notices.steps(place) == [("unprotected", "withdrawn"), ("retest", "prepared")]


def test_a_correction_clears_a_failure_only_once_it_is_accepted(place: Place) -> None:
    failed = place.recorded(tester_id=expired(place), check=0.4)["report"]["id"]
    corrected = place.recorded(check=1.9, supersedes=failed, supersedes_because="Read off the wrong line.")
    # Whoever saw the failure: what makes it vanish is looked at by a person.
    assert [flag["code"] for flag in corrected["verdict"]["flags"]] == ["failure_corrected"]
    assert (corrected["verdict"]["acceptance"], corrected["standing"]["status"]) == ("held", "failed")
    decide(place, corrected["report"]["id"], "accepted").raise_for_status()
    assert brief(place.standing()) == ("current", "full", [])
    assert rebuilt(place) == []


def test_reports_are_found_by_their_acceptance(place: Place) -> None:
    made = {
        "accepted": place.recorded()["report"]["id"],
        "held": place.recorded(declared="fail")["report"]["id"],
        "refused": place.recorded(tester_id=expired(place))["report"]["id"],
    }
    for acceptance, report in made.items():
        page = place.get("/reports", acceptance=acceptance)
        assert [line["id"] for line in page.json()["items"]] == [report]
        both = place.get("/reports", acceptance=acceptance, assembly_id=str(uuid4()))
        assert both.json()["items"] == []
    # By the verdict: a decision stands beside it.
    decide(place, made["held"], "refused").raise_for_status()
    [line] = place.get("/reports", acceptance="held").json()["items"]
    assert (line["id"], line["decision"]) == (made["held"], "refused")
    assert place.get("/reports", acceptance="lost").status_code == 400


def dc(check_1: float = 1.9, check_2: float = 1.4) -> dict[str, Any]:
    """One test of a double check assembly."""
    readings = [{"component": f"check_{n}", "closed_tight": True, "held_at": held} for n, held in ((1, check_1), (2, check_2))]
    return {"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": readings}


def rp() -> dict[str, Any]:
    """One test of a reduced pressure assembly that passes."""
    readings = [*dc(7.2, 1.8)["readings"], {"component": "relief_valve", "opened": True, "opened_at": 3.1}]
    return {"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": readings}


def registered(place: Place, kind: str, hazard: str, **more: Any) -> str:
    """The id of an assembly for premises isolation."""
    facts = {"premises_id": place.premises, "kind": kind, "hazard": hazard, "purpose": "premises_isolation"} | more
    return str(place.made("assemblies", **facts)["id"])


def change(place: Place, assembly: str, **facts: Any) -> None:
    """Change the register's facts of an assembly."""
    path = f"{place.base}/assemblies/{assembly}"
    tag = place.world.operator.get(path).headers["etag"]
    place.world.operator.patch(path, json=facts, headers={"If-Match": tag}).raise_for_status()


def suits(standing: dict[str, Any]) -> tuple[Any, ...]:
    return standing["protection"], standing["mechanical_protection"], standing["suitable"], standing["actions"]


def test_nobody_reads_full_of_a_double_check_before_a_health_hazard(place: Place) -> None:
    """WAC 246-290-490 (4)(b): a health hazard is isolated by an air gap or an RP."""
    assembly = registered(place, "dc", "health")
    untested = place.standing(assembly)
    assert suits(untested) == ("unknown", "unknown", False, ["replace_assembly"])
    answer = place.recorded(assembly_id=assembly, initial_test=dc())
    # The test was a fair one: its report is accepted.
    verdict = answer["verdict"]
    assert (verdict["outcome"], verdict["acceptance"], verdict["suitable"]) == ("pass", "accepted", False)
    standing = place.standing(assembly)
    assert (standing["status"], *suits(standing)) == ("current", "insufficient", "full", False, ["replace_assembly"])
    for path in ("/standings", "/assemblies"):
        page = place.get(path, protection="insufficient").json()["items"]
        assert [one.get("assembly_id", one.get("id")) for one in page] == [assembly]
    headers = bearer(place.keys["utility"]) | {"Accept": "application/geo+json"}
    path = f"{place.base}/standings?protection=insufficient"
    [feature] = place.world.client.get(path, headers=headers).json()["features"]
    assert (feature["id"], *suits(feature["properties"])) == (assembly, "insufficient", "full", False, ["replace_assembly"])
    sheet = place.world.client.get(path, headers=headers | {"Accept": "text/csv"}).text
    [row] = csv.DictReader(io.StringIO(sheet, newline=""))
    assert (row["protection"], row["suitable"], row["actions"]) == ("insufficient", "false", "replace_assembly")
    year = place.get("/summaries/2026").json()
    assert year["total"]["insufficient"] == 1
    rows = place.get("/summaries/2026/rows", figure="insufficient").json()["items"]
    assert [row["id"] for row in rows] == [assembly]
    assert rebuilt(place) == []


def test_suitability_follows_the_register(place: Place) -> None:
    assembly = registered(place, "dc", "health")
    place.recorded(assembly_id=assembly, initial_test=dc())
    for facts, expected in (
        ({"hazard": "non_health"}, ("full", "full", True, [])),
        ({"hazard": "health"}, ("insufficient", "full", False, ["replace_assembly"])),
        ({"hazard": "unknown"}, ("full", "full", None, ["assess_hazard"])),
    ):
        change(place, assembly, **facts)
        assert suits(place.standing(assembly)) == expected, facts
    changes = place.get("/changes", limit=500).json()["items"]
    assert sum(row["resource"] == "standings" and row["id"] == assembly for row in changes) >= 5
    vacuum_breaker = place.new_assembly("pvb", hazard="non_health")
    place.recorded(assembly_id=vacuum_breaker)
    change(place, vacuum_breaker, backpressure_possible=False)
    assert suits(place.standing(vacuum_breaker)) == ("full", "full", True, [])
    # A vacuum breaker guards against backsiphonage only.
    change(place, vacuum_breaker, backpressure_possible=True)
    assert suits(place.standing(vacuum_breaker)) == ("insufficient", "full", False, ["replace_assembly"])
    assert rebuilt(place) == []


def test_an_rp_at_a_severe_hazard_without_an_in_plant_air_gap_on_record(place: Place) -> None:
    """WAC 246-290-490 (4)(b)(i): an air gap, or an RP together with an in-plant air gap. None on record: none can be relied on."""
    assembly = registered(place, "rp", "severe")
    place.recorded(assembly_id=assembly, initial_test=rp())
    assert suits(place.standing(assembly)) == ("insufficient", "full", False, ["replace_assembly"])
    change(place, assembly, in_plant_air_gap=True)
    assert suits(place.standing(assembly)) == ("full", "full", True, [])
    # The next report is judged with what the register says.
    answer = place.recorded(assembly_id=assembly, initial_test=rp())
    assert (answer["verdict"]["suitable"], answer["standing"]["protection"]) == (True, "full")
    change(place, assembly, in_plant_air_gap=None)
    assert place.standing(assembly)["protection"] == "insufficient"
    assert rebuilt(place) == []


def test_the_deadline_of_a_failure_goes_by_what_the_parts_do(place: Place) -> None:
    assembly = registered(place, "dc", "health")
    standing = place.recorded(assembly_id=assembly, initial_test=dc(0.5, 0.5))["standing"]
    assert (standing["status"], *suits(standing)[:3]) == ("failed", "insufficient", "degraded", False)
    assert standing["due_on"] == "2026-07-01"
    assert standing["actions"] == ["repair_and_retest", "replace_assembly"]


def test_an_unknown_hazard_has_the_deadlines_of_a_health_hazard(place: Place) -> None:
    assembly = place.new_assembly("pvb", hazard="unknown")
    assert place.get(f"/assemblies/{assembly}").json()["hazard"] == "unknown"
    standing = place.recorded(assembly_id=assembly, initial_test=phase(0.0, 0.0))["standing"]
    assert (standing["status"], standing["due_on"]) == ("failed", "2026-06-01")
    assert suits(standing) == ("lost", "lost", None, ["repair_and_retest", "assess_hazard"])
    assert [one["assembly_id"] for one in place.get("/standings", hazard="unknown").json()["items"]] == [assembly]
    assert "unknown" in [group["hazard"] for group in place.get("/summaries/2026").json()["groups"]]
    page = place.world.client.get(f"{place.base}/summaries/2026", headers=bearer(place.keys["utility"]) | {"Accept": "text/html"})
    assert "not assessed</th>" in page.text


def test_the_facts_of_a_place_are_optional_and_reported_as_they_were_registered(place: Place) -> None:
    facts = {"premises_id": place.premises, "kind": "rp", "hazard": "health"}
    bare = place.made("assemblies", **facts)
    assert {"purpose", "backpressure_possible", "in_plant_air_gap"} & bare.keys() == set()
    full = place.made("assemblies", **facts, purpose="premises_isolation", backpressure_possible=False, in_plant_air_gap=True)
    read = place.get(f"/assemblies/{full['id']}").json()
    assert (read["purpose"], read["backpressure_possible"], read["in_plant_air_gap"]) == ("premises_isolation", False, True)
