"""An import reads all that the register holds: the marks of an assembly, replacements, contacts, calibrations; and who was a contact when."""

from typing import Any

import httpx

from tests.service.imports.test_imports import counts, load, run
from tests.support.world import Place, bearer

SHEET = """Account,Customer,Address,Connection,Owner,Email,Phone,Mailing address,Serial,Assembly #,Make,Model,Approved,Meter,Assembly lat,Assembly lon,Type,Hazard,Installed,Replaces
C-1,Mill,1 Sluice Lane,Commercial,R. Rowan,rowan@mill.example,555-0101,PO Box 3,NEW-1,7,Wren & Lock,M-9,Yes,MTR-1,47.5,-122.5,RP,High,2026-05-20,OLD-1
C-1,Mill,1 Sluice Lane,Commercial,R. Rowan,rowan@mill.example,555-0101,PO Box 3,OLD-1,6,Wren & Lock,M-8,no longer approved,MTR-1,,,RP,High,2010-05-20,
"""


def only(place: Place, plural: str, **wanted: str) -> dict[str, Any]:
    """The one thing of the utility's list that has those members."""
    items = place.get(f"/{plural}", limit="500").json()["items"]
    found = [item for item in items if all(item.get(name) == value for name, value in wanted.items())]
    assert len(found) == 1, found
    return dict(found[0])


def changed(place: Place, premises: dict[str, Any], **changes: Any) -> httpx.Response:
    """The answer to a merge patch of those premises."""
    path = f"{place.base}/premises/{premises['id']}"
    etag = place.get(f"/premises/{premises['id']}").headers["ETag"]
    headers = bearer(place.keys["utility"]) | {"If-Match": etag, "Content-Type": "application/merge-patch+json"}
    return place.world.client.patch(path, json=changes, headers=headers)


def test_a_sheet_gives_every_mark_the_contact_and_what_replaced_what(place: Place) -> None:
    result = run(place, SHEET, dry_run=False)
    assert (result["problems"], result["written"]) == ([], True)
    assert [column["heading"] for sheet in result["sheets"] for column in sheet["columns"] if column["field"] is None] == []
    premises = only(place, "premises", reference="C-1")
    contact = {"name": "R. Rowan", "email": "rowan@mill.example", "telephone": "555-0101", "postal_address": "PO Box 3"}
    assert premises["contact"] == contact
    new, old = only(place, "assemblies", serial_number="NEW-1"), only(place, "assemblies", serial_number="OLD-1")
    marks = {"manufacturer": "Wren & Lock", "model": "M-9", "approval": "approved", "assembly_number": "7", "meter": "MTR-1"}
    assert {name: new[name] for name in marks} == marks
    assert new["location"] == {"latitude": 47.5, "longitude": -122.5}
    assert (new["replaces"], old["replaced_by"], old["retired_on"]) == (old["id"], new["id"], "2026-05-20")
    assert (old["approval"], place.standing(old["id"])["status"]) == ("formerly_approved", "out_of_service")
    again = run(place, SHEET.replace("Yes,MTR-1", "Yes,MTR-2"), dry_run=False)
    # The one that was retired is not put back by the file that says nothing of it.
    assert counts(again) == {"premises": (0, 0, 1, 0), "assemblies": (0, 1, 1, 0)}
    assert only(place, "assemblies", serial_number="NEW-1")["meter"] == "MTR-2"


def test_a_sheet_that_replaces_an_unknown_assembly_or_names_no_serial_is_refused_by_row(place: Place) -> None:
    for wrong, part in (("OLD-1\n", "OLD-9\n"), ("NEW-1", "unk"), ("NEW-1", "?"), ("2026-05-20", "")):
        result = run(place, SHEET.replace(wrong, part), dry_run=False)
        assert (result["written"], [problem["row"] for problem in result["problems"]][:1]) == (False, [2]), (
            part,
            result["problems"],
        )
    assert load(place, SHEET.replace("PO Box 3", "")).status_code == 200


def test_what_nobody_knows_is_no_serial_number(place: Place) -> None:
    for writing in ("none", "Unknown", "UNK", "?", "N/A", "0000", "tbd"):
        facts = {"premises_id": place.premises, "kind": "rp", "hazard": "health", "serial_number": writing}
        answer = place.world.client.post(f"{place.base}/assemblies", json=facts, headers=bearer(place.keys["utility"]))
        assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "not_a_serial_number")
    assert place.new_assembly("rp", serial_number="UNK-7")


def test_a_calibration_is_read_with_its_certificate_laboratory_and_error(place: Place) -> None:
    sheet = "Gauge S/N,Accuracy,Resolution,Calibrated on,Calibration certificate,Laboratory,As found error\nG-9,0.2 psi,0.1 psi,2026-02-01,C-77,Fen Laboratory,-0.3 psi\n"
    result = run(place, sheet, dry_run=False, make_testers_and_gauges=True)
    assert result["problems"] == []
    known = {"calibrated_on": "2026-02-01", "certificate": "C-77", "laboratory": "Fen Laboratory", "as_found_error": -0.3}
    assert only(place, "gauges", serial_number="G-9")["calibrations"] == [known]
    # A later file that lacks the details leaves them.
    short = "Gauge S/N,Accuracy,Resolution,Calibrated on\nG-9,0.2 psi,0.1 psi,2026-02-01\n"
    assert counts(run(place, short, dry_run=False)) == {"gauges": (0, 0, 1, 0)}


def test_a_change_of_owner_is_kept_and_read_by_the_utility_alone(place: Place) -> None:
    run(place, SHEET, dry_run=False)
    premises = only(place, "premises", reference="C-1")
    before = premises["contact"]
    after = {"name": "T. Tamarack", "telephone": "555-0199"}
    assert changed(place, premises, name="Mill, renamed").status_code == 200
    assert changed(place, premises, contact={**after, "email": None, "postal_address": None}).status_code == 200
    assert changed(place, premises, contact=None).status_code == 200
    path = f"/premises/{premises['id']}/contact-changes"
    items = place.get(path).json()["items"]
    assert [(item["version"], item["contact_before"], item["contact"]) for item in items] == [
        (3, before, after),
        (4, after, None),
    ]
    assert [item["version"] for item in place.get(path, after="3").json()["items"]] == [4]
    # A contact that an import changes is kept in the same way.
    run(place, SHEET.replace("R. Rowan", "S. Spruce"), dry_run=False)
    assert place.get(path, after="4").json()["items"][0]["contact"]["name"] == "S. Spruce"
    assert {place.get(path, key).status_code for key in ("testing_company", "regulator")} == {403}
    assert place.get("/premises/00000000-0000-7000-8000-000000000000/contact-changes").status_code == 404
