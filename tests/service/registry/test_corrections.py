"""People make mistakes in the register: an assembly that never was, one registered twice, another kind, the same serial number, other premises."""

from typing import Any
from uuid import uuid4

import httpx

from tests.service.registry.test_register_marks import codes, patched, posted
from tests.support.world import Place, bearer


def corrected(place: Place, assembly: str, key: str = "utility", **facts: Any) -> httpx.Response:
    """The answer to a correction of an assembly's register."""
    path = f"{place.base}/assemblies/{assembly}/corrections"
    return place.world.client.post(path, json={"because": "Typed in twice."} | facts, headers=bearer(place.keys[key]))


def void(place: Place, report: str) -> None:
    """Void a report."""
    path = f"{place.base}/reports/{report}/void"
    place.world.client.put(path, json={"because": "Wrong assembly."}, headers=bearer(place.keys["utility"])).raise_for_status()


def assemblies_of_the_year(place: Place) -> int:
    """How many assemblies the year's summary counts."""
    return int(place.get("/summaries/2026").json()["total"]["assemblies"])


def test_an_assembly_that_never_was_is_retired_and_its_history_kept(place: Place) -> None:
    wrong = place.new_assembly("pvb")
    report = place.recorded(assembly_id=wrong)["report"]["id"]
    refused = corrected(place, wrong, correction="registered_in_error")
    assert (refused.status_code, refused.json()["code"]) == (409, "reports_count")
    assert report in refused.json()["detail"]
    void(place, report)
    before = assemblies_of_the_year(place)
    answer = corrected(place, wrong, correction="registered_in_error", because="It was never installed.", decided_by="A. Clerk")
    assert answer.status_code == 201, answer.text
    read = place.get(f"/assemblies/{wrong}").json()
    assert (read["in_service"], read["retired_because"], read["version"]) == (
        False,
        "registered_in_error",
        answer.json()["version"],
    )
    assert (place.standing(wrong)["status"], assemblies_of_the_year(place)) == ("out_of_service", before - 1)
    [kept] = place.get(f"/assemblies/{wrong}/corrections").json()["items"]
    assert (kept["because"], kept["decided_by"], kept["correction"]) == (
        "It was never installed.",
        "A. Clerk",
        "registered_in_error",
    )
    assert [item["id"] for item in place.get(f"/assemblies/{wrong}/reports").json()["items"]] == [report]
    assert codes(patched(place, wrong, in_service=True)) == ["assembly_retired"]
    assert corrected(place, wrong, correction="registered_in_error").json()["code"] == "assembly_retired_already"


def test_a_duplicate_names_the_one_that_counts(place: Place) -> None:
    twice = place.new_assembly("pvb")
    assert codes(corrected(place, twice, correction="duplicate")) == ["correction_member"]
    assert codes(corrected(place, twice, correction="duplicate", duplicate_of=twice)) == ["duplicate_of_itself"]
    for nobody in (str(uuid4()), place.world.place().assembly):
        assert codes(corrected(place, twice, correction="duplicate", duplicate_of=nobody)) == ["not_registered"]
    answer = corrected(place, twice, correction="duplicate", duplicate_of=place.assembly)
    assert (answer.status_code, answer.json()["duplicate_of"]) == (201, place.assembly)
    read = place.get(f"/assemblies/{twice}").json()
    assert (read["replaced_by"], read["retired_because"]) == (place.assembly, "duplicate")
    third = place.new_assembly("pvb")
    assert codes(corrected(place, third, correction="duplicate", duplicate_of=twice)) == ["duplicate_of_retired"]


def test_a_mistyped_kind_is_corrected_and_tests_are_judged_by_the_right_one(place: Place) -> None:
    wrong = place.new_assembly("svb")
    assert codes(corrected(place, wrong, correction="kind", kind="svb")) == ["kind_registered_already"]
    assert codes(corrected(place, wrong, correction="kind")) == ["correction_member"]
    assert codes(corrected(place, wrong, correction="registered_in_error", kind="pvb")) == ["correction_member"]
    answer = corrected(place, wrong, correction="kind", kind="pvb", because="Misread the tag.")
    assert (answer.json()["kind_before"], answer.json()["kind"]) == ("svb", "pvb")
    assert place.get(f"/assemblies/{wrong}").json()["kind"] == "pvb"
    assert place.recorded(assembly_id=wrong)["verdict"]["outcome"] == "pass"
    assert place.standing(wrong)["status"] == "current"
    assert corrected(place, wrong, correction="kind", kind="svb").json()["code"] == "reports_count"


def test_only_the_utility_corrects_its_register(place: Place) -> None:
    facts = {"correction": "registered_in_error"}
    assert {corrected(place, place.assembly, key, **facts).status_code for key in ("testing_company", "regulator")} == {403}
    assert corrected(place, str(uuid4()), **facts).status_code == 404


def test_a_second_assembly_of_one_serial_number_at_the_premises_is_confirmed_or_refused(place: Place) -> None:
    first = posted(place, serial_number="S-1").json()["id"]
    again = posted(place, serial_number="S-1")
    assert (again.status_code, codes(again)) == (409, ["serial_number_taken"])
    assert first in again.json()["detail"]
    elsewhere = place.made("premises", name="P", address="A", connection="fire")["id"]
    other = posted(place, serial_number="S-1", premises_id=elsewhere)
    assert other.status_code == 201
    # Moved there, it is in conflict too.
    assert codes(patched(place, other.json()["id"], premises_id=place.premises)) == ["serial_number_taken"]
    both = posted(place, serial_number="S-1", serial_number_confirmed=True)
    assert (both.status_code, both.json()["serial_number_confirmed"]) == (201, True)
    # What is registered already is left alone.
    assert patched(place, first, position="Basement").status_code == 200
    assert corrected(place, both.json()["id"], correction="duplicate", duplicate_of=first).status_code == 201
    assert corrected(place, first, correction="registered_in_error").status_code == 201
    assert posted(place, serial_number="S-1").status_code == 201


def test_other_premises_are_a_relocation_only_where_that_is_stated(place: Place) -> None:
    place.recorded()
    elsewhere = place.made("premises", name="P", address="A", connection="fire")["id"]
    assert patched(place, place.assembly, premises_id=elsewhere).json()["occurrences"] == []
    assert place.standing()["status"] == "current"
    place.world.clock.pass_by(days=1)
    day = place.world.clock.now().date().isoformat()
    moved = patched(place, place.assembly, premises_id=place.premises, occurrences=[{"event": "relocation", "on": day}])
    assert moved.status_code == 200
    assert place.standing()["status"] != "current"
