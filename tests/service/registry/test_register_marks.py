"""What the law asks of the register and of a report (WAC 246-292-036 (3), (4)), and one assembly in place of another."""

import datetime as dt
from typing import Any
from uuid import uuid4

import httpx
import pytest

from tests.support.world import Place, bearer

# WAC 246-292-036 (3): manufacturer, model, serial number, size, whether approved, and whether new, existing or a replacement with the replaced
# assembly's serial number; (4): correct installation and the air gap of an RP's relief valve. Read in a law school's copy.
MARKS: dict[str, Any] = {
    "manufacturer": "Wren & Lock",
    "model": "M-900",
    "approval": "approved",
    "assembly_number": "A-17",
    "meter": "MTR-88",
    "location": {"latitude": 47.6, "longitude": -122.3},
}


def patched(place: Place, assembly: str, key: str = "utility", **changes: Any) -> httpx.Response:
    """The answer to a merge patch of the assembly as it is now."""
    path = f"{place.base}/assemblies/{assembly}"
    headers = bearer(place.keys[key]) | {
        "If-Match": place.get(f"/assemblies/{assembly}").headers["ETag"],
        "Content-Type": "application/merge-patch+json",
    }
    return place.world.client.patch(path, json=changes, headers=headers)


def codes(answer: httpx.Response) -> list[str]:
    """The faults that a problem lists."""
    return [fault["code"] for fault in answer.json()["errors"]]


def posted(place: Place, **document: Any) -> httpx.Response:
    """The answer to a new assembly."""
    facts = {"premises_id": place.premises, "kind": "rp", "hazard": "health"} | document
    return place.world.client.post(f"{place.base}/assemblies", json=facts, headers=bearer(place.keys["utility"]))


def test_what_the_law_asks_of_an_assembly_is_registered_and_read(place: Place) -> None:
    made = place.made("assemblies", premises_id=place.premises, kind="rp", hazard="health", serial_number="S-1", **MARKS)
    for key in ("utility", "testing_company"):
        read = place.get(f"/assemblies/{made['id']}", key).json()
        assert {name: read[name] for name in MARKS} == MARKS
    assert patched(place, made["id"], approval="formerly_approved").json()["approval"] == "formerly_approved"
    assert posted(place, approval="perhaps").status_code == 400


def test_an_assembly_is_found_by_its_own_place_before_that_of_its_premises(place: Place) -> None:
    premises = place.made("premises", name="P", address="A", connection="fire", location={"latitude": 10, "longitude": 20})["id"]
    own = place.made("assemblies", premises_id=premises, kind="rp", hazard="health", **MARKS)["id"]
    other = place.made("assemblies", premises_id=premises, kind="rp", hazard="health")["id"]
    for sort in ("assembly_id", "due_on"):
        found = {
            area: [item["id"] for item in place.get("/assemblies", area=area, sort=sort).json()["items"]]
            for area in ("-123,47,-122,48", "19,9,21,11", "179,-89,-178,89")
        }
        assert found == {"-123,47,-122,48": [own], "19,9,21,11": [other], "179,-89,-178,89": []}
    pages = place.get("/assemblies", area="-180,-90,180,90", limit="1").json()
    assert len(pages["items"]) == 1
    rest = place.world.client.get(pages["next"], headers=bearer(place.keys["utility"])).json()
    assert sorted(item["id"] for item in [*pages["items"], *rest["items"]]) == sorted([own, other])
    assert rest["next"] is None


@pytest.mark.parametrize("stated", ["when registered", "later"])
def test_a_replacement_retires_the_old_one_from_its_installation_and_both_ways_are_read(place: Place, stated: str) -> None:
    old = place.new_assembly("pvb", serial_number="OLD")
    report = place.recorded(assembly_id=old)["report"]["id"]
    assert place.standing(old)["status"] == "current"
    place.world.clock.pass_by(days=10)
    day = place.world.clock.now().date() - dt.timedelta(days=2)
    facts = {"replaces": old, "installed_on": day.isoformat()}
    if stated == "later":
        new = place.new_assembly("pvb")
        answer = patched(place, new, **facts)
    else:
        answer = posted(place, kind="pvb", **facts)
        new = answer.json()["id"]
    assert answer.status_code in (200, 201), answer.text
    assert answer.json()["replaces"] == old
    retired = place.get(f"/assemblies/{old}").json()
    assert (retired["replaced_by"], retired["retired_on"], retired["retired_because"]) == (new, day.isoformat(), "replaced")
    assert retired["in_service"] is False
    assert place.standing(old)["status"] == "out_of_service"
    assert place.standing(new)["status"] == "untested"
    # Its history stays, and so does what it was like before.
    assert [item["id"] for item in place.get(f"/assemblies/{old}/reports").json()["items"]] == [report]
    before = place.get(f"/assemblies/{old}/standing", as_of=(day - dt.timedelta(days=1)).isoformat()).json()
    on_the_day = place.get(f"/assemblies/{old}/standing", as_of=day.isoformat()).json()
    assert (before["status"], on_the_day["status"]) == ("current", "out_of_service")


def test_a_retired_assembly_is_not_put_back_by_hand_and_a_mistaken_replacement_is_taken_back(place: Place) -> None:
    old, other = place.new_assembly("pvb"), place.new_assembly("pvb")
    place.recorded(assembly_id=old)
    new = posted(place, kind="pvb", replaces=old, installed_on="2026-05-30").json()["id"]
    assert codes(patched(place, old, in_service=True)) == ["assembly_retired"]
    # It was the other one: the first is as it was, without a test being due for a return that there was not.
    assert patched(place, new, replaces=other).status_code == 200
    assert place.standing(old)["status"] == "current"
    back = place.get(f"/assemblies/{old}").json()
    assert (back["in_service"], back.get("replaced_by"), back.get("retired_on"), back["occurrences"]) == (True, None, None, [])
    assert place.get(f"/assemblies/{other}").json()["replaced_by"] == new
    assert patched(place, new, installed_on="2026-05-29").status_code == 200
    assert place.get(f"/assemblies/{other}").json()["retired_on"] == "2026-05-29"


def test_one_out_of_service_stays_so_when_its_replacement_is_taken_back(place: Place) -> None:
    old = place.new_assembly("pvb", in_service=False)
    new = posted(place, kind="pvb", replaces=old, installed_on="2026-05-30").json()["id"]
    assert patched(place, new, replaces=None).status_code == 200
    back = place.get(f"/assemblies/{old}").json()
    assert (back["in_service"], back.get("replaced_by")) == (False, None)


def test_a_replacement_that_cannot_be_is_refused(place: Place) -> None:
    elsewhere = place.made("premises", name="P", address="A", connection="fire")["id"]
    away = place.made("assemblies", premises_id=elsewhere, kind="rp", hazard="health")["id"]
    old, mine = place.new_assembly("pvb"), place.new_assembly("pvb", installed_on="2026-05-30")
    foreign = place.world.place().assembly
    assert codes(posted(place, replaces=old)) == ["replacement_without_day"]
    assert codes(posted(place, replaces=old, installed_on="2026-06-20")) == ["replacement_in_future"]
    assert codes(posted(place, replaces=away, installed_on="2026-05-30")) == ["replaces_elsewhere"]
    assert codes(posted(place, replaces=str(uuid4()), installed_on="2026-05-30")) == ["not_registered"]
    assert codes(posted(place, replaces=foreign, installed_on="2026-05-30")) == ["not_registered"]
    assert codes(patched(place, mine, replaces=mine)) == ["replaces_itself"]
    first = posted(place, replaces=old, installed_on="2026-05-30")
    again = posted(place, replaces=old, installed_on="2026-05-30")
    assert (again.status_code, codes(again)) == (409, ["replaced_already"])
    assert first.json()["id"] in again.json()["detail"]


def test_a_year_counts_an_assembly_until_it_was_replaced(place: Place) -> None:
    old = place.assembly
    place.recorded(assembly_id=old)
    place.world.clock.moment = dt.datetime(2027, 3, 1, 19, tzinfo=dt.UTC)
    assert posted(place, kind="pvb", replaces=old, installed_on="2027-02-01").status_code == 201
    figures = {year: place.get(f"/summaries/{year}").json() for year in (2026, 2027)}
    assert [figures[year]["total"]["assemblies"] for year in (2026, 2027)] == [1, 1], figures


def test_a_report_states_what_the_law_asks_and_is_judged_as_without_it(signed_place: Place) -> None:
    place = signed_place
    facts = {
        "installed_correctly": False,
        "relief_air_gap": True,
        "installed_as": "replacement",
        "replaced_serial_number": "OLD-9",
    }
    plain, stated = place.recorded(), place.recorded(performed_at="2026-06-01T10:00:00-07:00", **facts)
    assert {name: stated["report"][name] for name in facts} == facts
    assert (stated["verdict"]["outcome"], stated["verdict"]["acceptance"]) == ("pass", plain["verdict"]["acceptance"])
    assert not set(facts) & set(plain["report"])
    receipt = place.get(f"/reports/{stated['report']['id']}/receipt").json()
    page = place.world.client.get(receipt["page"])
    for label in ("Installed correctly", "Relief valve air gap", "Replaced serial number", "OLD-9"):
        assert label in page.text
