"""A record on paper brought in over HTTP: what was accepted stands, by its declared result where readings are missing, and is marked so.

That a result which an authority accepted on paper is kept as such, and never passed off as judged, is common practice, no source.
"""

import json
from typing import Any
from uuid import uuid4

from tests.service.imports.test_imports import counts, load, run
from tests.service.record.reviews import test_reviews as reviews
from tests.support.world import Place, World

# The gauge has one calibration and the tester one certificate, both from 2026; the detector's bypass and "opened fully" were never written down.
SHEET = """Account No.,Customer,Service Address,Connection Type,Serial No.,Type,Hazard,Protection,Installed,Test Date,Tester Cert #,Gauge S/N,Check 1 (psid),RV opening point (psid),Check #2 (psid),Air Inlet psi,Check Valve psi,Result
C-1,Café,1 Sluice Lane,Commercial,A-1,RP,High,Containment,2001-05-01,2009-05-12,T-1,G-1,7.4,2.8,2.1,,,Pass
C-1,Café,1 Sluice Lane,Commercial,A-1,RP,High,Containment,2001-05-01,2026-05-10,T-1,G-1,7.2,2.6,2.0,,,Pass
C-2,Lawn,2 Sluice Lane,Irrigation,A-2,PVB,High,Point of use,2001-05-01,2026-04-02,T-1,G-1,,,,1.4,1.8,Pass
C-3,Mill,3 Sluice Lane,Industrial,A-3,DCDA,low,Containment,2001-05-01,2026-04-03,T-1,G-1,1.6,,1.4,,,Pass
C-4,Dairy,4 Sluice Lane,Industrial,A-4,RP,High,Containment,2001-05-01,2026-04-04,T-1,G-1,,,,,,Pass
C-5,Brewery,5 Sluice Lane,Industrial,A-5,RP,High,Containment,2001-05-01,2026-04-05,T-1,G-1,7.0,1.2,2.2,,,Pass
"""
OPTIONS: dict[str, Any] = {"history": True, "pressure": "psi", "held_or_refused_at_most": 0.2}


def serials(place: Place) -> dict[str, str]:
    """The assemblies' ids by serial number."""
    return {str(one.get("serial_number")): one["id"] for one in place.get("/assemblies").json()["items"]}


def test_the_dry_run_says_what_would_become_of_the_tests_and_writes_nothing(place: Place, world: World) -> None:
    before = world.database.count("change")
    result = run(place, SHEET, **OPTIONS)
    assert (result["written"], result["problems"], world.database.count("change")) == (False, [], before)
    assert (result["acceptance"], result["outcomes"]) == ({"accepted": 5, "held": 1}, {"pass": 5, "fail": 1})
    assert result["basis"] == {"judged": 3, "declared": 3}
    assert [one for one in result["flags"] if one["severity"] != "note"] == [
        {"code": "declared_outcome_differs", "severity": "hold", "reports": 1}
    ]
    assert {"code": "missing_reading", "severity": "note", "reports": 3} in result["flags"]


def test_without_history_the_run_stops_before_it_refuses_twenty_years(place: Place, world: World) -> None:
    dated = {"defaults": {"test.time": "12:00", "test.reason": "periodic"}, "pressure": "psi"}
    before = world.database.count("change")
    result = run(place, SHEET, dry_run=False, **dated)
    assert (result["written"], world.database.count("change")) == (False, before)
    assert result["acceptance"].get("held", 0) + result["acceptance"].get("refused", 0) > 1
    assert "`held_or_refused_at_most`" in result["problems"][-1]["detail"]
    assert result["flags"][0]["severity"] == "refuse"


def test_what_was_accepted_on_paper_stands_and_is_marked(place: Place) -> None:
    result = run(place, SHEET, dry_run=False, **OPTIONS)
    assert (result["written"], result["problems"]) == (True, [])
    found = serials(place)
    standings = {serial: place.standing(one) for serial, one in found.items() if serial.startswith("A-")}
    shown = {serial: (one["status"], one["protection"], one["basis"]) for serial, one in standings.items()}
    assert shown == {
        "A-1": ("current", "full", "judged"),
        "A-2": ("current", "unknown", "declared"),
        "A-3": ("current", "unknown", "declared"),
        "A-4": ("current", "unknown", "declared"),
        "A-5": ("failed", "degraded", "judged"),
    }
    assert all(standings[serial]["actions"] == [] for serial in ("A-1", "A-2", "A-3", "A-4"))
    assert standings["A-4"]["due_on"] == "2027-04-04"
    [report] = place.get(f"/assemblies/{found['A-4']}/reports").json()["items"]
    assert (report["outcome"], report["basis"], report["acceptance"]) == ("pass", "declared", "accepted")
    whole = place.get(f"/reports/{report['id']}").json()
    assert (whole["verdict"]["basis"], whole["report"]["accepted_on_paper"], whole["verdict"]["actions"]) == (
        "declared",
        True,
        [],
    )
    assert "not judged here" in whole["verdict"]["summary"]
    assert reviews.rebuilt(place) == []
    assert reviews.rejudged(place) == []


def test_declared_results_are_in_no_figure_of_judged_ones(place: Place) -> None:
    run(place, SHEET, dry_run=False, **OPTIONS)
    total = place.get("/summaries/2026").json()["total"]
    named = {
        name: total[name]
        for name in ("tests", "passed", "failed", "declared", "undecided", "tested", "failures", "unprotected_days")
    }
    assert named == {
        "tests": 5,
        "passed": 1,
        "failed": 1,
        "declared": 3,
        "undecided": 0,
        "tested": 5,
        "failures": 1,
        "unprotected_days": 0,
    }
    assert total["rates"]["failed"] == 0.5
    rows = place.get("/summaries/2026/rows", figure="declared").json()["items"]
    assert {row["assembly_id"] for row in rows} == {serials(place)[serial] for serial in ("A-2", "A-3", "A-4")}
    assert len(place.get("/summaries/2026/rows", figure="passed").json()["items"]) == 1


def test_nobody_gets_a_letter_for_what_the_sheet_shows_as_passed(place: Place) -> None:
    run(place, SHEET, dry_run=False, **OPTIONS)
    answer = place.world.client.post(
        f"{place.base}/notices/runs", json={}, headers={"Authorization": f"Bearer {place.keys['utility']}"}
    )
    assert answer.status_code in (200, 202), answer.text
    found = serials(place)
    prepared = {one["assembly_id"] for one in place.get("/notices").json()["items"]}
    assert prepared.isdisjoint({found[serial] for serial in ("A-1", "A-2", "A-3", "A-4")})


def test_loading_the_paper_again_changes_nothing_and_a_judged_test_takes_over(place: Place, world: World) -> None:
    run(place, SHEET, dry_run=False, **OPTIONS)
    kept = world.database.count("change")
    again = run(place, SHEET, dry_run=False, **OPTIONS)
    assert counts(again)["reports"] == (0, 0, 6, 0)
    assert world.database.count("change") == kept
    pvb = serials(place)["A-2"]
    judged = place.recorded(assembly_id=pvb)
    assert (judged["standing"]["protection"], judged["standing"]["basis"]) == ("full", "judged")
    assert reviews.rebuilt(place) == []


def test_a_declared_failure_stays_one(place: Place) -> None:
    run(place, SHEET.replace("G-1,,,,,,Pass", "G-1,,,,,,Fail"), dry_run=False, **OPTIONS)
    standing = place.standing(serials(place)["A-4"])
    assert (standing["status"], standing["protection"], standing["basis"]) == ("failed", "unknown", "declared")
    total = place.get("/summaries/2026").json()["total"]
    assert (total["failed"], total["declared"], total["failures"]) == (1, 3, 1)


def test_only_the_utility_says_that_a_report_was_accepted_on_paper(place: Place) -> None:
    document = place.report(accepted_on_paper=True, declared="pass", performed_at="2026-04-14T09:20:00-07:00")
    answer = place.put(uuid4(), document)
    assert (answer.status_code, answer.json()["code"]) == (403, "right_missing")
    answer = place.put(uuid4(), document, "utility")
    assert (answer.status_code, answer.json()["verdict"]["basis"]) == (201, "judged")
    lines = json.dumps(document | {"id": str(uuid4())}) + "\n"
    batch = place.world.client.post(
        f"{place.base}/reports/batches",
        content=lines,
        headers={"Authorization": f"Bearer {place.keys['testing_company']}", "Content-Type": "application/x-ndjson"},
    )
    assert json.loads(batch.text)["problem"]["code"] == "right_missing"


def test_receipt_and_page_say_that_the_result_is_declared(signed_place: Place) -> None:
    run(signed_place, SHEET, dry_run=False, **OPTIONS)
    [report] = signed_place.get(f"/assemblies/{serials(signed_place)['A-4']}/reports").json()["items"]
    receipt = signed_place.get(f"/reports/{report['id']}/receipt").json()
    page = signed_place.world.client.get(receipt["page"]).text
    assert "Passed, as declared on paper; not judged here" in page
    checked = signed_place.world.client.post("/v1/receipts/verify", json={"receipt": receipt["receipt"]}).json()
    assert (checked["valid"], checked["content"]["verdict"]["basis"]) == (True, "declared")


def test_a_share_beyond_zero_to_one_is_refused(place: Place) -> None:
    answer = load(place, SHEET, held_or_refused_at_most=2)
    assert answer.status_code == 400


# Cells as people write them: a month alone, a two-digit year beside a month's name, a day that only one order has, `#`, DN, and two units in a row.
CELLS = """Account No.,Customer,Service Address,Connection Type,Serial No.,Type,Hazard,Protection,Size,Test Date,Tester Cert #,Gauge S/N,Line pressure (kPa),Check 1,Check #2,Result
C-1,Café,1 Sluice Lane,Commercial,A-1,DC,Low,Containment,DN100,Mar 2011,T-1,G-1,427,2.2#,1.8 psi,Pass
C-1,Café,1 Sluice Lane,Commercial,A-1,DC,Low,Containment,DN100,05-Jan-24,T-1,G-1,427,2.4#,1.9#,Pass
C-1,Café,1 Sluice Lane,Commercial,A-1,DC,Low,Containment,DN100,8/15/2022,T-1,G-1,427,2.1#,2.0#,Pass
"""


def test_cells_are_read_as_people_write_them(place: Place) -> None:
    """427 kPa are 61.9 psi (1 psi is 6.894757 kPa, NIST SP 811, appendix B.8; from memory)."""
    result = run(place, CELLS, dry_run=False, history=True)
    assert (result["written"], result["problems"]) == (True, [])
    found = serials(place)["A-1"]
    reports = [place.get(f"/reports/{one['id']}").json() for one in place.get(f"/assemblies/{found}/reports").json()["items"]]
    assert sorted(one["report"]["performed_at"][:10] for one in reports) == ["2011-03-01", "2022-08-15", "2024-01-05"]
    assert {one["report"]["units"]["pressure"] for one in reports} == {"psi"}
    assert {round(one["report"]["line_pressure"], 1) for one in reports} == {61.9}
    assembly = place.get(f"/assemblies/{found}").json()
    assert assembly["nominal_size"] == {"size": 100.0, "units": {"length": "mm"}}


def test_what_is_still_unclear_is_asked_for_and_grouped(place: Place) -> None:
    rows = "".join(f"C-1,A-1,0{n}/0{n + 1}/2022,T-1,G-1,2.2#,1.8#,Pass\n" for n in range(1, 6))
    result = run(place, f"Account No.,Serial No.,Test Date,Tester Cert #,Gauge S/N,Check 1,Check #2,Result\n{rows}", history=True)
    assert result["problem_count"] >= 5
    first = result["groups"][0]
    assert (first["problems"], first["heading"], first["first_row"]) == (5, "Test Date", 2)
    assert "Which part is the month is unclear" in first["detail"]
    lone = run(place, CELLS, pressure="psi", defaults={"test.time": "12:00", "test.reason": "periodic"})
    assert [one["detail"][:36] for one in lone["groups"]][:1] == ["The day of the month is missing. Wri"]


REGISTER = """Account No.,Customer,Service Address,Connection Type,Serial No.,Type,Hazard,Protection,Backpressure possible,In-plant air gap
C-1,Mill,1 Sluice Lane,Industrial,A-1,RP,unknown,,yes,no
C-2,Dairy,2 Sluice Lane,Industrial,A-2,RP,High,Point of use,no,yes
"""


def test_what_suitability_rests_on_is_imported_and_exported(place: Place) -> None:
    result = run(place, REGISTER, dry_run=False)
    assert (result["written"], result["problems"]) == (True, [])
    found = {one.get("serial_number"): one for one in place.get("/assemblies").json()["items"]}
    first, second = found["A-1"], found["A-2"]
    assert (first["hazard"], first.get("purpose"), first["backpressure_possible"], first["in_plant_air_gap"]) == (
        "unknown",
        None,
        True,
        False,
    )
    named = ("hazard", "purpose", "backpressure_possible", "in_plant_air_gap")
    assert tuple(second[name] for name in named) == ("health", "point_of_use", False, True)
    lines = [json.loads(line) for line in place.get("/export").text.splitlines()]
    told_again = [part for line in lines for part in json.dumps(line).split('"A-2"')]
    assert any('"point_of_use"' in part for part in told_again)
    again = run(place, REGISTER, dry_run=False)
    assert counts(again)["assemblies"] == (0, 0, 2, 0)


def test_what_was_tested_since_the_record_began_is_judged(place: Place) -> None:
    """The utility of this test is registered at noon of the clock's day: from that day on nothing was accepted on paper instead."""
    began = place.get("").json()["created_at"]
    refused = place.put(uuid4(), place.report(accepted_on_paper=True, declared="pass", performed_at=began), "utility")
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/accepted_on_paper")
    assert "when the utility's record began here" in refused.json()["errors"][0]["detail"]
    sheet = SHEET.replace("2026-05-10", began[:10])
    result = run(place, sheet, **OPTIONS, defaults={"test.time": "00:05"})
    [problem] = result["problems"]
    assert (problem["row"], "without `history`" in problem["detail"]) == (3, True)
    assert not run(place, sheet, **OPTIONS, defaults={"test.time": "00:05"}, dry_run=False)["written"]
