"""An import is undone whole until somebody seals it; nothing is deleted, and what later reports rest on stays registered."""

from typing import Any

import httpx
import pytest

from tests.service.imports.test_imports import SHEET, run
from tests.support.world import Place, World, bearer

WHY = {"because": "The file was last year's.", "decided_by": "The superintendent"}


def undo(place: Place, import_id: str, *, key: str = "utility", **more: Any) -> httpx.Response:
    return place.world.client.put(f"{place.base}/imports/{import_id}/undo", json=WHY | more, headers=bearer(place.keys[key]))


def seal(place: Place, import_id: str) -> httpx.Response:
    return place.world.client.put(f"{place.base}/imports/{import_id}/seal", json=WHY, headers=bearer(place.keys["utility"]))


def assemblies(place: Place) -> dict[str, Any]:
    return {one.get("serial_number"): one for one in place.get("/assemblies").json()["items"]}


def reports_in_log(world: World) -> list[int]:
    return [row["reports"] for row in world.database.owner("SELECT reports FROM record.utility_log ORDER BY utility_id")]


def figures(place: Place) -> Any:
    """The figures of the year, less those of connections: premises stay registered."""
    return {
        name: value
        for name, value in place.get("/summaries/2026").json().items()
        if isinstance(value, dict | list) and name != "connections"
    }


def reports_of(place: Place, serial: str) -> list[dict[str, Any]]:
    return list(place.get(f"/assemblies/{assemblies(place)[serial]['id']}/reports").json()["items"])


def test_an_import_is_undone_whole_and_nothing_is_deleted(place: Place, world: World) -> None:
    before = figures(place)
    result = run(place, SHEET, dry_run=False)
    assert figures(place) != before
    kept = place.get(f"/imports/{result['id']}").json()
    assert (kept["state"], kept["totals"]) == ("written", {"registered": 6, "reports": 3})
    reports, log = world.database.count("report"), reports_in_log(world)
    sequence = place.get("/changes", limit=500).json()["items"][-1]["sequence"]

    done = undo(place, result["id"])
    assert done.status_code == 200, done.text
    assert (done.json()["state"], done.json()["because"], done.json()["decided_by"]) == (
        "undone",
        WHY["because"],
        WHY["decided_by"],
    )
    assert done.json()["totals"] == {"registered": 6, "reports": 3, "voided": 3, "retired": 3}
    # Reports and their places in the log stay; each is void, with the reason.
    assert (world.database.count("report"), reports_in_log(world)) == (reports, log)
    for serial in ("A-100", "A-200", "A-300"):
        assembly = assemblies(place)[serial]
        assert (assembly["in_service"], assembly["retired_because"]) == (False, "registered_in_error")
        assert place.standing(assembly["id"])["status"] == "out_of_service"
    for report in (*reports_of(place, "A-100"), *reports_of(place, "A-200")):
        review = place.get(f"/reviews/{report['id']}").json()
        assert (review["state"], review["decision"]["because"]) == (
            "void",
            f"The import that brought it was undone: {WHY['because']}",
        )
    assert figures(place) == before
    # The feed names each void, each standing, and the import itself: begun, finished, being undone, undone.
    feed = place.get("/changes", after=sequence, limit=500).json()["items"]
    assert [one["resource"] for one in feed].count("reviews") == 3
    assert [(one["id"], one["version"]) for one in feed if one["resource"] == "imports"] == [(result["id"], 3), (result["id"], 4)]
    # The same call again changes nothing.
    again = undo(place, result["id"])
    assert (again.status_code, again.json()["version"]) == (200, done.json()["version"])
    assert place.get("/changes", after=feed[-1]["sequence"]).json()["items"] == []


def test_the_right_file_is_imported_after_the_wrong_one_was_undone(place: Place) -> None:
    first = run(place, SHEET, dry_run=False)
    undo(place, first["id"]).raise_for_status()
    second = run(place, SHEET, dry_run=False)
    assert (second["written"], second["problems"], second["counts"]["reports"]["new"]) == (True, [], 3)
    assert second["counts"]["assemblies"]["changed"] == 3
    found = assemblies(place)
    assert {one["in_service"] for serial, one in found.items() if serial and serial.startswith("A-")} == {True}
    # Being put back after a mistake is no return to service, after which a test would be due.
    assert not found["A-100"].get("occurrences")
    assert (place.standing(found["A-100"]["id"])["status"], place.standing(found["A-300"]["id"])["status"]) == (
        "failed",
        "untested",
    )
    assert [one.get("decision") for one in reports_of(place, "A-100")] == ["void", "void", None, None]
    # And that one can be undone too.
    done = undo(place, second["id"]).json()
    assert (done["state"], done["totals"]["voided"], done["totals"]["retired"]) == ("undone", 3, 3)
    assert place.standing(found["A-100"]["id"])["status"] == "out_of_service"


def test_what_the_import_changed_is_put_back_unless_somebody_changed_it_since(place: Place) -> None:
    run(place, SHEET, dry_run=False)
    changed = SHEET.replace("3 Sluice Lane", "33 Sluice Lane").replace("Fenside Café", "Fenside Inn")
    result = run(place, changed, dry_run=False)
    premises = {one.get("reference"): one for one in place.get("/premises").json()["items"]}
    assert (premises["C-1"]["name"], premises["C-3"]["address"]) == ("Fenside Inn", "33 Sluice Lane")
    place.world.client.patch(
        f"{place.base}/premises/{premises['C-1']['id']}",
        json={"name": "Fenside Hotel"},
        headers=bearer(place.keys["utility"])
        | {"If-Match": f'"{premises["C-1"]["version"]}"', "Content-Type": "application/merge-patch+json"},
    ).raise_for_status()
    done = undo(place, result["id"]).json()
    assert done["totals"] == {"changed": 2, "restored": 1, "kept_changes": 1}
    premises = {one.get("reference"): one for one in place.get("/premises").json()["items"]}
    assert (premises["C-1"]["name"], premises["C-3"]["address"]) == ("Fenside Hotel", "3 Sluice Lane")


def test_what_a_wrong_import_replaced_is_back_in_service(place: Place) -> None:
    run(place, SHEET, dry_run=False)
    sheet = (
        "Account No.,Serial No.,Type,Hazard,Protection,Installed,Replaces\n"
        "C-1,A-101,RP,High,Containment,2026-05-01,A-100\nC-3,A-301,DC,low,containment,2026-05-02,A-302\n"
        "C-3,A-302,DC,low,containment,2026-05-01,A-300\n"
    )
    result = run(place, sheet, dry_run=False, columns={"Replaces": "assembly.replaces"})
    found = assemblies(place)
    assert [found[serial]["in_service"] for serial in ("A-100", "A-101", "A-300", "A-301", "A-302")] == [
        False,
        True,
        False,
        True,
        False,
    ]
    done = undo(place, result["id"]).json()
    assert (done["state"], done["totals"]) == ("undone", {"registered": 3, "retired": 3})
    found = assemblies(place)
    assert [found[serial]["in_service"] for serial in ("A-100", "A-101", "A-300", "A-301", "A-302")] == [
        True,
        False,
        True,
        False,
        False,
    ]
    assert [found[serial].get("retired_because") for serial in ("A-100", "A-101", "A-302")] == [
        None,
        "registered_in_error",
        "registered_in_error",
    ]
    assert place.standing(found["A-100"]["id"])["status"] == "failed"


def test_later_reports_are_listed_and_confirmed_and_their_assemblies_stay(place: Place) -> None:
    result = run(place, SHEET, dry_run=False)
    found = assemblies(place)
    later = place.recorded(assembly_id=found["A-200"]["id"])["report"]["id"]
    listed = place.get(f"/imports/{result['id']}/later-reports").json()["items"]
    assert [one["id"] for one in listed] == [later]
    refused = undo(place, result["id"])
    assert refused.status_code == 409
    assert "rest on this import (1)" in refused.json()["detail"]
    assert place.get(f"/imports/{result['id']}").json()["state"] == "written"
    assert undo(place, result["id"], later_reports=2).status_code == 409
    done = undo(place, result["id"], later_reports=1)
    assert (done.status_code, done.json()["totals"]["kept"], done.json()["totals"]["retired"]) == (200, 1, 2)
    found = assemblies(place)
    assert (found["A-200"]["in_service"], found["A-100"]["in_service"]) == (True, False)
    standing = place.standing(found["A-200"]["id"])
    assert (standing["status"], standing["report_id"]) == ("current", later)
    assert [one.get("decision") for one in reports_of(place, "A-200")] == ["void", None]


def test_a_sealed_import_stays(place: Place) -> None:
    result = run(place, SHEET, dry_run=False)
    sealed = seal(place, result["id"])
    assert (sealed.status_code, sealed.json()["state"]) == (200, "sealed")
    assert seal(place, result["id"]).json() == sealed.json()
    refused = undo(place, result["id"])
    assert (refused.status_code, refused.json()["type"].rpartition("/")[2]) == (409, "conflict")
    assert assemblies(place)["A-100"]["in_service"]


def test_an_undone_import_is_not_sealed_and_a_dry_run_leaves_nothing_to_undo(place: Place) -> None:
    assert "id" not in run(place, SHEET)
    assert place.get("/imports").json()["items"] == []
    result = run(place, SHEET, dry_run=False)
    # The same file again writes nothing, so there is nothing to undo.
    assert "id" not in run(place, SHEET, dry_run=False)
    undo(place, result["id"]).raise_for_status()
    assert seal(place, result["id"]).status_code == 409
    assert [one["state"] for one in place.get("/imports").json()["items"]] == ["undone"]


def test_an_undo_that_was_cut_short_goes_on(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    from service.imports import undo as undoing  # noqa: PLC0415 - what is cut short

    result = run(place, SHEET, dry_run=False)
    whole = undoing.Undoing._retire

    async def cut(*_: Any) -> None:
        raise RuntimeError("cut short")

    monkeypatch.setattr(undoing.Undoing, "_retire", cut)
    with pytest.raises(Exception):  # noqa: B017, PT011 - however the client says it
        undo(place, result["id"]).raise_for_status()
    assert place.get(f"/imports/{result['id']}").json()["state"] == "undoing"
    monkeypatch.setattr(undoing.Undoing, "_retire", whole)
    done = undo(place, result["id"]).json()
    assert (done["state"], done["totals"]["voided"], done["totals"]["retired"]) == ("undone", 3, 3)
