"""Notices over HTTP: prepared by the schedule, once each, with their words and states, and nobody reads more of a customer than needed."""

import datetime as dt
import time
from typing import Any
from uuid import uuid4

import httpx
import pytest
from msgspec import to_builtins

from rules import notices
from tests.service.record.changes.test_changes import followed
from tests.service.record.reviews import test_reviews
from tests.support.serving import NOON
from tests.support.world import Place, World, bearer, phase

CONTACT = {"name": "B. Example", "email": "b@example.org", "telephone": "+1 555 0100"}
# The check of a vacuum breaker fell below 1.0 psi: failed, still with a barrier left. With the air inlet stuck as well nothing is left.
DEGRADED = {"initial_test": phase(0.6)}
LOST = {
    "initial_test": {
        "shutoffs": {"inlet": "tight", "outlet": "tight"},
        "readings": [
            {"component": "air_inlet", "opened": False},
            {"component": "check", "closed_tight": False},
        ],
    }
}


def run(place: Place) -> dict[str, Any]:
    """A run, once it is finished."""
    answer = place.world.client.post(f"{place.base}/notices/runs", headers=bearer(place.keys["utility"]))
    assert answer.status_code == 202, answer.text
    assert answer.headers["location"] == f"{place.base}/notices/runs/{answer.json()['id']}"
    deadline = time.monotonic() + 20
    while True:
        body = dict(place.get(f"/notices/runs/{answer.json()['id']}").json())
        if body["state"] != "running":
            assert body["state"] == "finished"
            return body
        assert time.monotonic() < deadline
        time.sleep(0.01)


def listed(place: Place, key: str = "utility", **asked: Any) -> list[dict[str, Any]]:
    """Every notice asked for, page by page."""
    answer = place.get("/notices", key, limit=2, **asked)
    items: list[dict[str, Any]] = []
    while True:
        assert answer.status_code == 200, answer.text
        items += answer.json()["items"]
        if answer.json()["next"] is None:
            return items
        answer = place.world.client.get(answer.json()["next"], headers=bearer(place.keys[key]))


def steps(place: Place, **asked: Any) -> list[tuple[str, str]]:
    return [(one["step"], one["state"]) for one in listed(place, **asked)]


def patch(place: Place, path: str, document: Any, version: int | None, key: str = "utility") -> httpx.Response:
    headers = bearer(place.keys[key]) | ({} if version is None else {"If-Match": f'"{version}"'})
    return place.world.client.patch(f"{place.base}{path}", json=document, headers=headers)


def report_state(place: Place, notice: dict[str, Any], state: str, **more: Any) -> dict[str, Any]:
    answer = patch(place, f"/notices/{notice['id']}", {"state": state, **more}, notice["version"])
    assert answer.status_code == 200, answer.text
    assert answer.headers["etag"] == f'"{answer.json()["version"]}"'
    return dict(answer.json())


def pass_to(place: Place, day: str) -> None:
    """Noon of that day in Los Angeles, where the utility is."""
    place.world.clock.moment = dt.datetime.fromisoformat(f"{day}T19:00:00+00:00")


def test_a_year_of_one_assembly(place: Place) -> None:
    place.recorded()
    # Washington tests yearly, WAC 246-290-490(7)(b): due by 1 June 2027. The steps are the default's, common practice.
    expected: list[tuple[str, str]] = []
    for day, step in [
        ("2027-05-01", None),
        ("2027-05-02", "due"),
        ("2027-06-01", None),
        ("2027-06-02", "overdue_first"),
        ("2027-07-01", "overdue_second"),
        ("2027-07-30", None),
        ("2027-07-31", "overdue_final"),
        ("2028-03-01", None),
    ]:
        pass_to(place, day)
        result = run(place)
        assert result["by_step"] == ({} if step is None else {step: 1}), day
        assert (result["on"], result["done"], result["total"]) == (day, int(step is not None), int(step is not None))
        if step is not None:
            expected.append((step, "prepared"))
            report_state(place, listed(place, state="prepared")[0], "sent")
            expected[-1] = (step, "sent")
        assert run(place)["by_step"] == {}
        assert steps(place) == expected
    # A test begins a new cycle, which has notices of its own.
    pass_to(place, "2028-03-02")
    calibrated = place.made(
        "gauges",
        serial_number="G-9",
        units={"pressure": "psi"},
        accuracy=0.2,
        resolution=0.1,
        calibrations=[{"calibrated_on": "2028-01-15"}],
    )["id"]
    tester = place.made(
        "testers",
        name="T",
        certificates=[{"certificate": "T", "kinds": ["pvb"], "valid_from": "2027-01-01", "valid_until": "2030-01-01"}],
    )["id"]
    place.recorded(gauge_id=calibrated, tester_id=tester)
    pass_to(place, "2029-02-01")
    run(place)
    [notice] = listed(place, state="prepared")
    assert (notice["step"], notice["due_on"], notice["scheduled_for"]) == ("due", "2029-03-02", "2029-01-31")


def test_a_run_missed_for_months_prepares_the_one_step_that_is_right_by_now(place: Place) -> None:
    place.recorded()
    pass_to(place, "2027-07-10")
    run(place)
    assert steps(place) == [("overdue_second", "prepared")]


def test_a_step_that_was_never_sent_gives_way_to_the_next(place: Place) -> None:
    place.recorded()
    for day in ("2027-06-02", "2027-07-01"):
        pass_to(place, day)
        run(place)
    assert steps(place) == [("overdue_first", "withdrawn"), ("overdue_second", "prepared")]
    assert listed(place)[0]["states"][-1]["detail"] == "A later step took its place."


def test_an_untested_assembly_is_reported_by_the_day_its_first_test_is_due(place: Place) -> None:
    pass_to(place, "2026-06-01")
    fresh = place.new_assembly("pvb", installed_on="2026-05-20")
    # Washington asks for a test at installation, WAC 246-290-490(7)(b), so it is due on that day.
    due_on = place.standing(fresh)["due_on"]
    assert due_on == "2026-05-20"
    run(place)
    # Nobody knows when the place's own assembly was installed, so that its first test is due from the day it was registered.
    assert {(one["assembly_id"], one["step"], one["due_on"]) for one in listed(place)} == {
        (fresh, "overdue_first", due_on),
        (place.assembly, "due", "2026-06-01"),
    }
    assert [one["assembly_id"] for one in place.get("/standings", due_before="2026-06-02", sort="due_on").json()["items"]] == [
        fresh,
        place.assembly,
    ]


def test_the_first_notice_of_an_assembly_that_came_long_overdue_is_not_the_final_one(place: Place, world: World) -> None:
    """Common practice, no source: the schedule begins when the utility knows of the assembly."""
    pass_to(place, "2026-06-01")
    old = place.new_assembly("pvb", installed_on="2021-03-04")
    later = place.new_assembly("pvb", installed_on="2026-05-20")
    for on, expected in (
        ("2026-06-01", ["overdue_first"]),
        ("2026-06-15", []),
        ("2026-06-29", []),
        ("2026-06-30", ["overdue_second"]),
        ("2026-07-29", []),
        ("2026-07-30", ["overdue_final"]),
        ("2026-09-30", []),
    ):
        pass_to(place, on)
        before = steps(place, assembly_id=old)
        assert {one["step"] for one in place.get("/notices/preview").json()["items"] if one["assembly_id"] == old} == set(
            expected
        )
        run(place)
        assert [step for step, _ in steps(place, assembly_id=old)[len(before) :]] == expected, on
    [first] = [one for one in listed(place) if one["assembly_id"] == old and one["step"] == "overdue_first"]
    assert (first["due_on"], first["scheduled_for"]) == ("2021-03-04", "2026-06-01")
    assert [step for step, _ in steps(place, assembly_id=later)] == ["overdue_first", "overdue_second", "overdue_final"]


def test_failures_are_reported_at_once_and_by_what_is_left(place: Place) -> None:
    place.recorded(**DEGRADED)
    worse = place.new_assembly("pvb")
    lost = place.recorded(assembly_id=worse, **LOST)
    assert lost["standing"]["protection"] == "lost"
    run(place)
    found = {one["step"]: one for one in listed(place)}
    assert {step: one["assembly_id"] for step, one in found.items()} == {"failed": place.assembly, "unprotected": worse}
    assert found["unprotected"]["report_id"] == lost["report"]["id"]
    assert found["unprotected"]["repair_by"] == lost["standing"]["due_on"]
    assert found["unprotected"]["due_on"] is None
    assert "cannot be relied on to stop backflow" in found["unprotected"]["text"]
    # Another failing test is another matter to notify of.
    place.world.clock.pass_by(days=1)
    place.recorded(assembly_id=worse, **LOST)
    run(place)
    assert steps(place, assembly_id=worse) == [("unprotected", "withdrawn"), ("unprotected", "prepared")]


def test_what_no_longer_holds_is_withdrawn_at_once_and_what_was_sent_stays(place: Place, world: World) -> None:
    first = place.recorded(**DEGRADED)["report"]["id"]
    other = place.new_assembly("pvb")
    place.recorded(assembly_id=other, **DEGRADED)
    gone = place.new_assembly("pvb")
    place.recorded(assembly_id=gone, **DEGRADED)
    run(place)
    mine, others, goners = listed(place)
    report_state(place, others, "sent", detail="message 4711")
    report_state(place, mine, "delivery_failed", detail="550 no such mailbox")
    _, end = followed(place)
    # The report was wrong, and somebody has looked: what rests on it and was not sent yet is withdrawn with it, in the same transaction.
    correct = place.recorded(supersedes=first, supersedes_because="readings swapped")["report"]["id"]
    _, end = followed(place, end)
    assert {one["state"] for one in listed(place)} == {"delivery_failed", "sent", "prepared"}
    test_reviews.decide(place, correct, "accepted").raise_for_status()
    assert {(one["resource"], one["id"]) for one in followed(place, end)[0]} == {
        ("reviews", correct),
        ("standings", place.assembly),
        ("notices", mine["id"]),
    }
    place.recorded(assembly_id=other)
    assembly = place.get(f"/assemblies/{gone}").json()
    assert patch(place, f"/assemblies/{gone}", {"in_service": False}, assembly["version"]).status_code == 200
    mine, others, goners = listed(place)
    assert [one["state"] for one in mine["states"]] == ["prepared", "delivery_failed", "withdrawn"]
    assert mine["states"][1]["detail"] == "550 no such mailbox"
    assert "no longer decides" in mine["states"][-1]["detail"]
    assert (others["state"], others["states"][-1]["detail"]) == ("sent", "message 4711")
    assert (goners["state"], goners["states"][-1]["detail"]) == ("withdrawn", "The assembly is out of service.")
    assert run(place)["by_step"] == {}
    # What comes to hold again is notified again, once.
    world.clock.pass_by(hours=2)
    assembly = place.get(f"/assemblies/{gone}").json()
    assert patch(place, f"/assemblies/{gone}", {"in_service": True}, assembly["version"]).status_code == 200
    assert run(place)["by_step"] == {"failed": 1}
    assert run(place)["by_step"] == {}
    assert steps(place, assembly_id=gone) == [("failed", "withdrawn"), ("failed", "prepared")]


def test_who_is_excepted_from_testing_is_not_asked_to_test_but_is_notified_of_a_failure(place: Place) -> None:
    place.recorded()
    failing = place.new_assembly("pvb")
    place.recorded(assembly_id=failing, **DEGRADED)
    for assembly in (place.assembly, failing):
        place.made(
            "exceptions",
            assembly_id=assembly,
            since="2026-06-01",
            until="2027-06-30",
            reason="premises_empty",
            because="Empty.",
            granted_by="Office",
        )
    pass_to(place, "2027-06-30")
    assert run(place)["by_step"] == {"failed": 1}
    pass_to(place, "2027-07-01")
    assert run(place)["by_step"] == {"overdue_second": 1}


def test_days_are_the_utilitys_own(place: Place) -> None:
    place.recorded()
    # 30 days before 1 June 2027 is 2 May; in Los Angeles that day begins at 07:00 in UTC.
    place.world.clock.moment = dt.datetime(2027, 5, 2, 6, 59, tzinfo=dt.UTC)
    assert run(place)["by_step"] == {}
    place.world.clock.moment = dt.datetime(2027, 5, 2, 7, 0, tzinfo=dt.UTC)
    assert run(place)["by_step"] == {"due": 1}


def test_a_preview_says_what_a_run_of_that_day_prepares_and_writes_nothing(place: Place) -> None:
    place.recorded()
    for n in range(2):
        place.recorded(assembly_id=place.new_assembly("pvb", serial_number=f"S-{n}"))
    place.recorded(assembly_id=place.new_assembly("pvb"), **LOST)
    _, end = followed(place)
    before = {table: place.world.database.count(table) for table in ("notice", "notice_run", "change")}
    answer = place.get("/notices/preview", on="2027-05-10", limit=2)
    promised = answer.json()["items"]
    while answer.json()["next"]:
        answer = place.world.client.get(answer.json()["next"], headers=bearer(place.keys["utility"]))
        assert answer.status_code == 200, answer.text
        promised += answer.json()["items"]
    assert [one["step"] for one in promised] == ["due", "due", "due", "unprotected"]
    assert {table: place.world.database.count(table) for table in before} == before
    assert followed(place, end)[0] == []
    pass_to(place, "2027-05-10")
    run(place)

    def said(items: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
        return sorted((one["step"], one["assembly_id"], one["text"], one["subject"], one["scheduled_for"]) for one in items)

    assert said(listed(place)) == said(promised)
    assert place.get("/notices/preview").json()["items"] == []
    past = place.get("/notices/preview", on="2027-05-09")
    assert (past.status_code, past.json()["errors"][0]["parameter"]) == (422, "on")
    for wrong in ("x", "0~2027-05-10~x", "1~2027-13-10~00000000-0000-0000-0000-000000000000"):
        assert place.get("/notices/preview", after=wrong).json()["errors"][0]["parameter"] == "after"


def test_a_utility_sets_its_own_schedule_and_goes_back_to_the_common_one(place: Place) -> None:
    answer = place.get("/notices/schedule")
    assert answer.headers["etag"] == '"0"'
    common = answer.json()
    assert (common["own"], common["provenance"]) == (False, "common_practice")
    own = [
        {
            "step": "early",
            "occasion": "due",
            "days": -60,
            "to": "customer",
            "subject": "Test by {due_on}",
            "text": "{premises}\n{caution}",
        },
        {
            "step": "crew",
            "occasion": "unprotected",
            "days": 0,
            "to": "utility",
            "subject": "Go to {address}",
            "text": "{caution}",
        },
    ]
    assert patch(place, "/notices/schedule", {"steps": own}, None).status_code == 428
    assert patch(place, "/notices/schedule", {"steps": own}, 1).status_code == 412
    changed = patch(place, "/notices/schedule", {"steps": own}, 0)
    assert changed.status_code == 200, changed.text
    assert (changed.json()["steps"], changed.json()["own"], changed.headers["etag"]) == (own, True, '"1"')
    assert patch(place, "/notices/schedule", {"steps": own}, 0).status_code == 412
    place.recorded()
    lost = place.new_assembly("pvb")
    place.recorded(assembly_id=lost, **LOST)
    pass_to(place, "2027-04-02")
    run(place)
    found = {one["step"]: one for one in listed(place)}
    assert set(found) == {"early", "crew"}
    assert found["early"]["text"] == f"Plot 1\n{notices.fill('{caution}', None)}"  # type: ignore[arg-type]
    assert (found["crew"]["subject"], found["crew"]["addressee"]["missing"]) == ("Go to 1 Sluice Lane", False)
    back = patch(place, "/notices/schedule", {"steps": None}, 1)
    assert (back.json()["own"], back.json()["steps"], back.headers["etag"]) == (False, common["steps"], '"2"')
    assert patch(place, "/notices/schedule", {}, 2).json()["own"] is False
    items = [one for one in followed(place)[0] if one["resource"] == "notice_schedule"]
    assert [(one["id"], one["version"]) for one in items] == [(place.code, 1), (place.code, 2), (place.code, 3)]


def test_a_schedule_that_cannot_be_followed_is_refused_with_all_its_faults(place: Place) -> None:
    bad = to_builtins(notices.default_steps())
    bad[0]["text"] += "{due_on.__class__.__init__} {owner}"
    bad[1]["step"] = "due"
    bad[4]["days"] = -3
    bad[5]["text"] = "Call us."
    refused = patch(place, "/notices/schedule", {"steps": bad}, 0)
    assert refused.status_code == 422
    assert [one["pointer"] for one in refused.json()["errors"]] == [
        "/steps/0/text",
        "/steps/0/text",
        "/steps/1/step",
        "/steps/4/days",
        "/steps/5/text",
    ]
    bad[0]["colour"] = "red"
    assert patch(place, "/notices/schedule", {"steps": bad}, 0).json()["errors"][0]["pointer"] == "/steps/0/colour"
    assert place.get("/notices/schedule").headers["etag"] == '"0"'


def test_a_schedule_changed_meanwhile_never_goes_back_a_step(place: Place) -> None:
    place.recorded()
    pass_to(place, "2027-07-31")
    run(place)
    assert steps(place) == [("overdue_final", "prepared")]
    later = to_builtins(notices.default_steps())
    later[3]["days"] = 90
    patch(place, "/notices/schedule", {"steps": later}, 0).raise_for_status()
    assert run(place)["by_step"] == {}
    pass_to(place, "2027-09-01")
    assert run(place)["by_step"] == {}


def test_states_follow_one_another_and_each_keeps_its_time(place: Place) -> None:
    place.recorded(**DEGRADED)
    run(place)
    [notice] = listed(place)
    path = f"/notices/{notice['id']}"
    assert patch(place, path, {"state": "sent"}, None).status_code == 428
    assert patch(place, path, {"state": "sent"}, 9).status_code == 412
    for wrong in ({"state": "prepared"}, {"state": "withdrawn"}, {"state": "sent", "by": "x"}, {}):
        assert patch(place, path, wrong, 1).status_code == 400
    place.world.clock.pass_by(hours=1)
    notice = report_state(place, notice, "delivery_failed", detail="bounced")
    notice = report_state(place, notice, "sent")
    assert patch(place, path, {"state": "sent"}, 2).status_code == 412
    refused = patch(place, path, {"state": "cancelled"}, 3)
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/state")
    notice = report_state(place, notice, "delivery_failed")
    notice = report_state(place, notice, "cancelled")
    assert patch(place, path, {"state": "sent"}, notice["version"]).status_code == 422
    result = [(one["state"], dt.datetime.fromisoformat(one["at"]), one.get("detail")) for one in notice["states"]]
    later = NOON + dt.timedelta(hours=1)
    assert result == [
        ("prepared", NOON, None),
        ("delivery_failed", later, "bounced"),
        ("sent", later, None),
        ("delivery_failed", later, None),
        ("cancelled", later, None),
    ]
    assert [one["version"] for one in followed(place)[0] if one["id"] == notice["id"]] == [1, 2, 3, 4, 5]
    # The utility has decided; the next run does not prepare it again.
    assert run(place)["by_step"] == {}


def test_lists_give_what_is_asked(place: Place) -> None:
    place.recorded(**DEGRADED)
    other = place.new_assembly("pvb")
    place.recorded(assembly_id=other, **LOST)
    made = run(place)
    assert steps(place, step="failed") == [("failed", "prepared")]
    assert steps(place, assembly_id=other, state="prepared") == [("unprotected", "prepared")]
    assert len(listed(place, run_id=made["id"])) == 2
    assert listed(place, state="sent") == listed(place, run_id=str(uuid4())) == listed(place, step="none") == []
    assert place.get("/notices", state="lost").status_code == 400
    [one] = listed(place, step="failed")
    answer = place.get(f"/notices/{one['id']}")
    assert (answer.json(), answer.headers["etag"]) == (one, '"1"')
    assert place.get(f"/notices/{uuid4()}").status_code == place.get(f"/notices/runs/{uuid4()}").status_code == 404
    assert [run["id"] for run in place.get("/notices/runs").json()["items"]] == [made["id"]]


def test_a_notice_without_an_addressee_is_prepared_and_says_so(place: Place) -> None:
    place.recorded(**DEGRADED)
    assert run(place)["without_addressee"] == 1
    [notice] = listed(place)
    assert notice["addressee"] == {"to": "customer", "premises_id": place.premises, "missing": True}
    premises = place.get(f"/premises/{place.premises}").json()
    # A name alone reaches nobody.
    for contact, missing in (({"name": "B. Example"}, True), (CONTACT, False)):
        premises = patch(place, f"/premises/{place.premises}", {"contact": None}, premises["version"]).json()
        premises = patch(place, f"/premises/{place.premises}", {"contact": contact}, premises["version"]).json()
        assert premises["contact"] == contact
        assert listed(place)[0]["addressee"] == notice["addressee"] | {"missing": missing, "contact": contact}


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"name": "B", "email": "b@example.org\r\nBcc: all@example.org"}, "/contact/email"),
        ({"name": "B", "email": "b"}, "/contact/email"),
        ({"name": "B", "telephone": "call me"}, "/contact/telephone"),
        ({"email": "b@example.org"}, "/contact/name"),
        ({"name": "B", "born_on": "1970-01-01"}, "/contact/born_on"),
    ],
)
def test_a_contact_is_no_more_than_needed_and_fit_for_its_use(place: Place, wrong: dict[str, Any], pointer: str) -> None:
    refused = patch(place, f"/premises/{place.premises}", {"contact": wrong}, 1)
    # A patch may leave out a name that the record has; this record has none, so it cannot be applied.
    status = 422 if "name" not in wrong else 400
    assert (refused.status_code, [one["pointer"] for one in refused.json()["errors"]]) == (status, [pointer])


@pytest.mark.parametrize(("key", "reads"), [("utility", True), ("testing_company", False), ("regulator", False)])
def test_only_the_utility_reads_contacts(place: Place, world: World, key: str, reads: bool) -> None:  # noqa: FBT001
    made = place.made("premises", name="P", address="A", connection="fire", contact=CONTACT)["id"]
    assembly = place.made("assemblies", premises_id=made, kind="pvb", hazard="health", purpose="point_of_use")["id"]
    place.recorded(assembly_id=assembly, **DEGRADED)
    place.recorded()
    previewed = place.get("/notices/preview", key).text
    run(place)
    notices = [previewed, place.get("/notices", key).text, place.get(f"/notices/{listed(place)[0]['id']}", key).text]
    # A testing company sees no notice at all.
    assert all("/problems/forbidden" in text for text in notices) == (key == "testing_company")
    result = [place.get(f"/premises/{made}", key).text, place.get("/premises", key).text]
    for text in result if key == "testing_company" else [*notices, *result]:
        assert assembly in text or made in text
        assert ("b@example.org" in text, "B. Example" in text) == (reads, reads)
    # Nor does anything else under the utility show them.
    for path in ("/assemblies", "/standings", "/changes", "/reports", "/notices/runs"):
        assert "b@example.org" not in place.get(path, key).text
    headers = bearer(place.keys[key])
    started = world.client.post(f"{place.base}/notices/runs", headers=headers)
    assert started.status_code == (202 if reads else 403)
    assert patch(place, f"/notices/{listed(place)[0]['id']}", {"state": "sent"}, 1, key).status_code == (200 if reads else 403)
    assert patch(place, "/notices/schedule", {"steps": None}, 0, key).status_code == (200 if reads else 403)


# California, Cross-Connection Control Policy Handbook 3.3.3(e) [from memory: as others quote it]: 30 days of notification of the failure.
def test_where_the_days_run_from_the_notice_they_run_from_the_day_it_was_sent(place: Place, world: World) -> None:
    place = world.place("us-ca")  # the fixture's other place sets the clock back
    failed = place.recorded(**DEGRADED)
    repair = next(action for action in failed["verdict"]["actions"] if action["code"] == "repair_and_retest")
    assert (repair["within_days"], repair["counts_from"]) == (30, "notice")
    # None is on record as sent: from the test, 1 June, the earliest that it can be.
    standing = place.standing()
    assert (standing["due_on"], standing["counts_from"], "notified_on" in standing) == ("2026-07-01", "notice", False)
    assert "No notice is on record as sent, so the due day here runs from the test" in standing["because"]
    # The notice says the day that follows from itself.
    pass_to(place, "2026-06-03")
    run(place)
    [notice] = listed(place)
    assert (notice["step"], notice["repair_by"]) == ("failed", "2026-07-03")
    assert "3 July 2026" in notice["text"]
    assert place.standing() == standing
    pass_to(place, "2026-06-04")
    notice = report_state(place, notice, "sent")
    sent = place.standing()
    assert (sent["due_on"], sent["notified_on"]) == ("2026-07-04", "2026-06-04")
    assert "sent on 2026-06-04" in sent["because"]
    assert [one["due_on"] for one in place.get("/standings").json()["items"]] == ["2026-07-04"]
    # A day before it was sent is answered by what was on record then.
    assert place.get(f"/assemblies/{place.assembly}/standing", as_of="2026-06-03").json()["due_on"] == "2026-07-01"
    # What did not arrive has notified nobody; sent again, it counts from then.
    notice = report_state(place, notice, "delivery_failed")
    assert place.standing()["due_on"] == "2026-07-01"
    pass_to(place, "2026-06-08")
    report_state(place, notice, "sent")
    assert place.standing()["due_on"] == "2026-07-08"
    assert test_reviews.rejudged(place) == []
    # Another failing test is another matter; its days run from the test until its own notice is sent.
    place.recorded(**DEGRADED)
    again = place.standing()
    assert (again["due_on"], "notified_on" in again) == ("2026-07-08", False)
    run(place)
    report_state(place, listed(place, state="prepared")[0], "sent")
    assert place.standing()["notified_on"] == "2026-06-08"
    # A report after it rests on what was notified, and a repair ends it.
    pass_to(place, "2026-06-20")
    held = place.recorded(initial_test={"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": []})
    assert held["standing"]["due_on"] == "2026-07-08"
    assert place.recorded()["standing"]["status"] == "current"
    assert "counts_from" not in place.standing()
    assert test_reviews.rejudged(place) == []


def test_where_the_days_run_from_the_test_a_notice_moves_nothing(place: Place) -> None:
    # Washington's 30 days are common practice, from the test.
    place.recorded(**DEGRADED)
    before = place.standing()
    pass_to(place, "2026-06-04")
    run(place)
    [notice] = listed(place)
    report_state(place, notice, "sent")
    assert (notice["repair_by"], place.standing()) == (before["due_on"], before)
    assert test_reviews.rejudged(place) == []
