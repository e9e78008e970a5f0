"""Reports over HTTP: recorded once, judged with what the registry knows, corrected and never edited."""

import datetime as dt
import json
from uuid import UUID, uuid4

import pytest

from tests.support.world import Place, World, bearer, certificate, phase


def test_a_failing_check_of_a_pvb_is_reported_with_its_clause_its_likely_cause_and_what_to_do(place: Place) -> None:
    recorded = place.recorded(check=0.6)
    verdict = recorded["verdict"]
    judged = {"outcome": "fail", "protection": "degraded", "mechanical_protection": "degraded", "acts_as": "degraded"}
    assert (verdict["outcome"], verdict["initial"], verdict["final"]) == ("fail", judged, None)
    assert verdict["acceptance"] == "accepted"
    [finding] = [one for one in verdict["findings"] if one["outcome"] == "not_met"]
    # The check of a PVB holds at least 1.0 psi: EPA 816-R-03-002, chapter 5.
    assert (finding["rule"], finding["observed"], finding["at_least"], finding["margin"]) == ("pvb.check.held_at", 0.6, 1.0, -0.4)
    assert "chapter 5" in finding["source"]["clause"]
    assert finding["source"]["provenance"] == "published"
    assert {one["component"] for one in verdict["diagnosis"]} == {"check"}
    assert verdict["diagnosis"][0]["likely"] == "fouled disc or seat"
    assert all(one["repair"] for one in verdict["diagnosis"])
    assert [one for one in verdict["actions"] if one["code"] == "repair_and_retest"]
    standing = recorded["standing"]
    assert (standing["status"], standing["protection"], standing["report_id"]) == ("failed", "degraded", recorded["report"]["id"])
    assert place.standing() == standing


def test_the_final_test_after_repair_passes_and_protection_is_full_again(place: Place) -> None:
    recorded = place.recorded(
        initial_test=phase(0.6),
        repairs=[{"component": "check", "part": "disc", "action": "replaced"}],
        final_test=phase(2.1),
        declared="pass",
    )
    verdict = recorded["verdict"]
    assert (verdict["outcome"], verdict["initial"]["outcome"], verdict["final"]) == (
        "pass",
        "fail",
        {"outcome": "pass", "protection": "full", "mechanical_protection": "full", "acts_as": None},
    )
    assert (recorded["standing"]["status"], recorded["standing"]["protection"]) == ("current", "full")
    # Washington tests yearly: WAC 246-290-490(7)(b).
    assert recorded["standing"]["due_on"] == "2027-06-01"


def record(world: World) -> list[object]:
    """Everything that a report changes."""
    return [
        world.database.owner(sql)
        for sql in (
            "SELECT * FROM record.report ORDER BY utility_id, id",
            "SELECT * FROM record.standing ORDER BY utility_id, assembly_id",
            "SELECT * FROM record.change ORDER BY utility_id, sequence",
            "SELECT * FROM record.utility_log ORDER BY utility_id",
        )
    ]


def test_the_same_put_twice_changes_nothing(place: Place, world: World) -> None:
    report_id, document = uuid4(), place.report(check=0.6)
    first = place.put(report_id, document)
    kept = record(world)
    again = place.put(report_id, dict(reversed(document.items())))
    assert (first.status_code, again.status_code) == (201, 200)
    assert record(world) == kept
    assert again.json()["verdict"] == first.json()["verdict"]
    assert again.json()["standing"] == first.json()["standing"]
    assert first.headers["location"] == again.headers["location"] == f"{place.base}/reports/{report_id}"


def test_another_content_under_the_same_id_is_a_conflict_and_changes_nothing(place: Place) -> None:
    report_id = uuid4()
    assert place.put(report_id, place.report(check=0.6)).status_code == 201
    refused = place.put(report_id, place.report(check=1.6))
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/conflict")
    assert place.get(f"/reports/{report_id}").json()["verdict"]["outcome"] == "fail"


def test_a_post_with_an_idempotency_key_is_recorded_once(place: Place, world: World) -> None:
    headers = bearer(place.keys["testing_company"]) | {"Idempotency-Key": "visit-17"}
    document = place.report()
    answers = [world.client.post(f"{place.base}/reports", json=document, headers=headers) for _ in range(3)]
    assert [one.status_code for one in answers] == [201, 200, 200]
    assert len({one.json()["report"]["id"] for one in answers}) == 1
    assert len({one.headers["location"] for one in answers}) == 1
    other = world.client.post(f"{place.base}/reports", json=place.report(check=1.5), headers=headers)
    assert other.status_code == 409


def test_an_idempotency_key_used_for_another_assembly_is_a_conflict(place: Place, world: World) -> None:
    headers = bearer(place.keys["testing_company"]) | {"Idempotency-Key": "visit-18"}
    assert world.client.post(f"{place.base}/reports", json=place.report(), headers=headers).status_code == 201
    elsewhere = place.report(assembly_id=place.new_assembly("pvb"))
    assert world.client.post(f"{place.base}/reports", json=elsewhere, headers=headers).status_code == 409


def test_an_idempotency_key_belongs_to_the_organisation_that_used_it(place: Place, world: World) -> None:
    ids = {
        world.client.post(
            f"{place.base}/reports", json=place.report(), headers=bearer(place.keys[kind]) | {"Idempotency-Key": "one"}
        ).json()["report"]["id"]
        for kind in ("testing_company", "utility")
    }
    assert len(ids) == 2


@pytest.mark.parametrize("key", ["", "with space", "tab\there", "é".encode(), "x" * 201])
def test_an_idempotency_key_that_is_none_is_refused(place: Place, world: World, key: str | bytes) -> None:
    headers = [*bearer(place.keys["testing_company"]).items(), ("Idempotency-Key", key)]
    answer = world.client.post(f"{place.base}/reports", json=place.report(), headers=headers)  # type: ignore[arg-type]
    assert answer.status_code == 400, answer.text


def test_a_post_without_a_key_makes_a_new_report_each_time(place: Place, world: World) -> None:
    headers = bearer(place.keys["testing_company"])
    ids = {
        world.client.post(f"{place.base}/reports", json=place.report(), headers=headers).json()["report"]["id"] for _ in range(2)
    }
    assert len(ids) == 2


def test_a_correction_supersedes_and_the_standing_follows(place: Place) -> None:
    wrong = place.recorded(check=1.6)["report"]["id"]
    assert place.standing()["status"] == "current"
    right = place.recorded(check=0.6, supersedes=wrong, supersedes_because="The reading was typed into the wrong line.")
    assert (right["standing"]["status"], right["standing"]["report_id"]) == ("failed", right["report"]["id"])
    old = place.get(f"/reports/{wrong}").json()
    assert old["report"]["superseded_by"] == right["report"]["id"]
    assert old["verdict"]["outcome"] == "pass"


def test_a_report_is_superseded_once(place: Place) -> None:
    wrong = place.recorded(check=1.5)["report"]["id"]
    first = place.recorded(check=1.6, supersedes=wrong, supersedes_because="misread")["report"]["id"]
    refused = place.put(uuid4(), place.report(check=1.7, supersedes=wrong, supersedes_because="misread"))
    assert refused.status_code == 409
    assert place.recorded(check=1.7, supersedes=first, supersedes_because="misread")["standing"]["status"] == "current"


def test_what_a_correction_names_must_be_a_report_of_that_assembly(place: Place) -> None:
    elsewhere = place.recorded(assembly_id=place.new_assembly("pvb"))["report"]["id"]
    for named in (str(uuid4()), elsewhere):
        refused = place.put(uuid4(), place.report(supersedes=named, supersedes_because="misread"))
        assert refused.status_code == 422
        assert [one["pointer"] for one in refused.json()["errors"]] == ["/supersedes"]


NO_REASON = "State in `supersedes_because` what was wrong with the superseded record."


def test_a_correction_says_why(place: Place, world: World) -> None:
    wrong = place.recorded(check=0.6)["report"]["id"]
    for reason in ({}, {"supersedes_because": ""}, {"supersedes_because": " \n"}):
        refused = place.put(uuid4(), place.report(check=1.6, supersedes=wrong) | reason)
        assert (refused.status_code, refused.json()["type"]) == (400, "/problems/malformed")
        assert [one["pointer"] for one in refused.json()["errors"]] == ["/supersedes_because"]
    assert place.put(uuid4(), place.report(supersedes=wrong)).json()["errors"][0]["detail"] == NO_REASON
    # It is reported among all other faults, and in a line of a batch as in a single report.
    both = place.put(uuid4(), place.report(supersedes=wrong, line_pressure="much"))
    assert [one["pointer"] for one in both.json()["errors"]] == ["/line_pressure", "/supersedes_because"]
    headers = bearer(place.keys["testing_company"]) | {"Content-Type": "application/x-ndjson"}
    lines = world.client.post(
        f"{place.base}/reports/batches",
        content=json.dumps({**place.report(check=1.6, supersedes=wrong), "id": str(uuid4())}),
        headers=headers,
    ).text.splitlines()
    [listed] = [json.loads(line) for line in lines]
    assert (listed["status"], listed["problem"]["errors"][0]["detail"]) == (400, NO_REASON)
    assert place.standing()["report_id"] == wrong


def test_a_reason_without_a_correction_asks_what_it_corrects(place: Place) -> None:
    refused = place.put(uuid4(), place.report(supersedes_because="The reading was typed into the wrong line."))
    assert (refused.status_code, [one["pointer"] for one in refused.json()["errors"]]) == (400, ["/supersedes"])


def test_a_correction_from_when_none_had_to_say_why_is_still_read(place: Place, world: World) -> None:
    wrong = place.recorded(check=0.6)["report"]["id"]
    later = place.recorded(check=1.6, supersedes=wrong, supersedes_because="misread")["report"]["id"]
    # As such a report was kept then: the same content without its reason.
    world.database.owner("ALTER TABLE record.report DISABLE TRIGGER append_only")
    world.database.owner(
        "UPDATE record.report SET content = (content::jsonb - 'supersedes_because')::text WHERE id = $1", UUID(later)
    )
    world.database.owner("ALTER TABLE record.report ENABLE TRIGGER append_only")
    report = place.get(f"/reports/{later}").json()["report"]
    assert (report["supersedes"], "supersedes_because" in report) == (wrong, False)


def test_a_report_cannot_supersede_itself(place: Place) -> None:
    report_id = uuid4()
    assert place.put(report_id, place.report(supersedes=str(report_id), supersedes_because="misread")).status_code == 422


def test_ids_that_are_not_registered_are_all_reported(place: Place) -> None:
    refused = place.put(
        uuid4(),
        place.report(assembly_id=str(uuid4()), tester_id=str(uuid4()), gauge_id=str(uuid4()), rulebook="us-or"),
    )
    assert (refused.status_code, refused.json()["type"]) == (422, "/problems/not-applicable")
    assert [one["pointer"] for one in refused.json()["errors"]] == ["/assembly_id", "/tester_id", "/gauge_id", "/rulebook"]


def test_things_of_another_utility_are_not_registered_here(place: Place, world: World) -> None:
    other = world.place()
    refused = place.put(uuid4(), place.report(assembly_id=other.assembly, tester_id=other.tester, gauge_id=other.gauge))
    assert [one["pointer"] for one in refused.json()["errors"]] == ["/assembly_id", "/tester_id", "/gauge_id"]


def test_reports_count_in_the_order_in_which_they_were_performed(place: Place, world: World) -> None:
    now = world.clock.now()
    passed = place.recorded(check=1.8, performed_at=(now - dt.timedelta(days=2)).isoformat())
    late = place.recorded(check=0.6, performed_at=(now - dt.timedelta(days=9)).isoformat())
    assert late["verdict"]["outcome"] == "fail"
    assert (late["standing"]["status"], late["standing"]["report_id"]) == ("current", passed["report"]["id"])
    assert [one["log_index"] for one in place.get(f"/assemblies/{place.assembly}/reports").json()["items"]] == [0, 1]


def test_a_standing_grows_old_by_itself(place: Place, world: World) -> None:
    assert place.standing()["status"] == "untested"
    place.recorded()
    seen = []
    for days in (0, 334, 335, 365, 366):
        world.clock.moment = dt.datetime(2026, 6, 1, 19, tzinfo=dt.UTC) + dt.timedelta(days=days)
        seen.append(place.standing()["status"])
    # Due 2027-06-01; the utility counts the 30 days before as due soon.
    assert seen == ["current", "current", "due_soon", "due_soon", "overdue"]


def test_the_day_is_the_day_where_the_utility_is(place: Place, world: World) -> None:
    place.recorded()
    # 06:59 UTC on 2 June is still 1 June in Los Angeles.
    world.clock.moment = dt.datetime(2027, 6, 2, 6, 59, tzinfo=dt.UTC)
    assert place.standing()["status"] == "due_soon"
    world.clock.moment = dt.datetime(2027, 6, 2, 7, 0, tzinfo=dt.UTC)
    assert place.standing()["status"] == "overdue"


def codes(answer: dict[str, dict[str, list[dict[str, str]]]]) -> set[str]:
    return {one["code"] for one in answer["verdict"]["flags"]}


def test_the_registry_states_the_gauge_and_an_expired_calibration_refuses(place: Place) -> None:
    gauge = place.made(
        "gauges",
        serial_number="G-2",
        units={"pressure": "psi"},
        accuracy=0.2,
        resolution=0.1,
        calibrations=[{"calibrated_on": "2025-05-31"}],
    )["id"]
    recorded = place.recorded(gauge_id=gauge)
    # Calibrated at least yearly: WAC 246-292-034.
    assert "gauge_calibration_expired" in codes(recorded)
    assert (recorded["verdict"]["outcome"], recorded["verdict"]["acceptance"]) == ("pass", "refused")
    assert recorded["standing"]["status"] == "untested"


def test_a_gauge_never_calibrated_and_one_too_coarse_are_flagged(place: Place) -> None:
    gauge = place.made("gauges", serial_number="G-3", units={"pressure": "kPa"}, accuracy=3.5, resolution=1, calibrations=[])[
        "id"
    ]
    assert {"gauge_calibration_unknown", "gauge_too_coarse"} <= codes(place.recorded(gauge_id=gauge))


@pytest.mark.parametrize(
    ("held", "flag"),
    [
        ([], "tester_unknown"),
        ([certificate(valid_until="2026-05-31")], "tester_not_certified"),
        ([certificate(valid_from="2026-06-02")], "tester_not_certified"),
        ([certificate(kinds=["rp", "dc"])], "tester_wrong_kind"),
    ],
)
def test_the_registry_states_the_tester(place: Place, held: list[dict[str, object]], flag: str) -> None:
    tester = place.made("testers", name="Tester B", certificates=held)["id"]
    recorded = place.recorded(tester_id=tester)
    assert flag in codes(recorded)
    assert recorded["verdict"]["acceptance"] != "accepted"
    assert recorded["standing"]["status"] == "untested"


def test_the_certificate_that_fits_best_is_taken(place: Place) -> None:
    held = [certificate(kinds=["rp"]), certificate(certificate="T-2", valid_until="2026-01-01"), certificate(certificate="T-3")]
    tester = place.made("testers", name="Tester C", certificates=held)["id"]
    recorded = place.recorded(tester_id=tester)
    assert recorded["verdict"]["acceptance"] == "accepted"


def test_a_test_dated_in_the_future_does_not_stand(place: Place, world: World) -> None:
    recorded = place.recorded(performed_at=(world.clock.now() + dt.timedelta(hours=25)).isoformat())
    assert "performed_in_future" in codes(recorded)
    assert recorded["verdict"]["acceptance"] == "refused"


def test_what_is_declared_is_held_against_what_was_read(place: Place) -> None:
    recorded = place.recorded(check=0.6, declared="pass")
    assert "declared_outcome_differs" in codes(recorded)
    # A fair failing test is accepted; one that says otherwise of itself is looked at, and fails all the same.
    assert recorded["standing"]["status"] == "failed"


def test_a_report_is_read_back_as_it_was_sent(place: Place) -> None:
    sent = place.report(check=1.0, remarks="Fänd a wasp's nest – removed.\n", declared="pass")
    answer = place.put(report_id := uuid4(), sent)
    read = place.get(f"/reports/{report_id}", key="regulator").json()
    assert read["verdict"] == answer.json()["verdict"]
    assert {name: read["report"][name] for name in sent if name != "performed_at"} == {
        name: value for name, value in sent.items() if name != "performed_at"
    }
    assert dt.datetime.fromisoformat(read["report"]["performed_at"]) == dt.datetime.fromisoformat(sent["performed_at"])
    assert read["report"]["log_index"] == 0


def test_reports_are_listed_in_pages_that_miss_and_repeat_nothing(place: Place) -> None:
    made = [place.recorded()["report"]["id"] for _ in range(5)]
    page, seen = place.get("/reports", limit=2), []
    while True:
        seen += [one["id"] for one in page.json()["items"]]
        if page.json()["next"] is None:
            assert "link" not in page.headers
            break
        assert page.headers["link"] == f'<{page.json()["next"]}>; rel="next"'
        place.recorded()
        page = place.world.client.get(page.json()["next"], headers=bearer(place.keys["utility"]))
    assert seen[:5] == made
    assert len(seen) == len(set(seen))


def test_a_detector_assembly_is_judged_by_its_worse_line(place: Place) -> None:
    assembly = place.new_assembly("dcda", hazard="non_health")

    def readings(bypass: float) -> dict[str, object]:
        both = [
            {"component": component, "closed_tight": True, "held_at": held, "line": line}
            for line, held in (("main", 2.0), ("bypass", bypass))
            for component in ("check_1", "check_2")
        ]
        return {"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": both}

    sound = place.recorded(assembly_id=assembly, initial_test=readings(1.0))
    assert (sound["verdict"]["outcome"], sound["standing"]["protection"]) == ("pass", "full")
    place.world.clock.pass_by(minutes=1)
    weak = place.recorded(assembly_id=assembly, initial_test=readings(0.9))
    # Both checks of the bypass hold less than they should, and still are barriers.
    assert (weak["verdict"]["outcome"], weak["standing"]["protection"]) == ("fail", "degraded")
    place.world.clock.pass_by(minutes=1)
    failed = place.recorded(assembly_id=assembly, initial_test=readings(0.0))
    # The bypass is at least as good as the main: OAR 333-061-0071(3). Both its checks failed, so water passes there.
    assert (failed["verdict"]["outcome"], failed["standing"]["protection"]) == ("fail", "lost")


@pytest.mark.parametrize("moment", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-12:00", "1066-10-14T09:00:00Z"])
def test_a_day_far_out_of_this_age_is_answered_not_stumbled_over(place: Place, moment: str) -> None:
    assert place.put(uuid4(), place.report(performed_at=moment)).status_code in {201, 400, 422}


def test_retiring_an_assembly_changes_its_standing_at_once(place: Place, world: World) -> None:
    place.recorded()
    path = f"{place.base}/assemblies/{place.assembly}"
    version = world.operator.get(path).headers["etag"]
    world.operator.patch(path, json={"in_service": False}, headers={"If-Match": version}).raise_for_status()
    assert place.standing()["status"] == "out_of_service"
