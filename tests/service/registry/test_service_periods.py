"""When an assembly was in service: the day and the reason of each change, and what is refused."""

from typing import Any

import httpx
import pytest

from tests.support.world import Place


def change(place: Place, **facts: Any) -> httpx.Response:
    """The answer to a change of the assembly."""
    version = place.get(f"/assemblies/{place.assembly}").json()["version"]
    return place.world.operator.patch(
        f"{place.base}/assemblies/{place.assembly}", json=facts, headers={"If-Match": f'"{version}"'}
    )


def periods(place: Place) -> list[tuple[bool, str | None, str | None, str | None]]:
    """The periods, as tuples."""
    found = place.get(f"/assemblies/{place.assembly}/service-periods").json()["periods"]
    return [(period["in_service"], period["since"], period["until"], period["because"]) for period in found]


def test_each_change_is_kept_with_its_day_and_reason(place: Place) -> None:
    assert periods(place) == [(True, None, None, None)]
    assert change(place, in_service=False, service_since="2026-03-01", service_because="Premises empty").status_code == 200
    back = change(place, in_service=True).json()
    # Without a day it is the day of the change; the reason of the change before is not that of this one.
    assert (back["service_since"], "service_because" in back) == ("2026-06-01", False)
    assert periods(place) == [
        (True, None, "2026-02-28", None),
        (False, "2026-03-01", "2026-05-31", "Premises empty"),
        (True, "2026-06-01", None, None),
    ]
    # A return to service is an occurrence after which a test may be due.
    assert {"event": "return_to_service", "on": "2026-06-01"} in back["occurrences"]


@pytest.mark.parametrize("day", ["2026-02-01", "2026-05-01"])
def test_the_last_change_can_be_put_right_on_an_earlier_and_on_a_later_day(place: Place, day: str) -> None:
    change(place, in_service=False, service_since="2026-03-01", service_because="Moved")
    assert change(place, service_since=day, service_because="Sold").status_code == 200
    [before, after] = periods(place)
    assert (before[0], after) == (True, (False, day, None, "Sold"))


@pytest.mark.parametrize(("day", "code"), [("2026-06-02", "in_the_future"), ("2026-01-31", "service_before_last_change")])
def test_a_day_that_cannot_be_is_refused(place: Place, day: str, code: str) -> None:
    change(place, in_service=False, service_since="2026-02-01")
    refused = change(place, in_service=True, service_since=day)
    assert (refused.status_code, refused.json()["errors"][0]["code"]) == (422, code)
    assert len(periods(place)) == 2


def test_a_past_day_counts_what_was_so_then(place: Place) -> None:
    place.world.clock.pass_by(days=30)
    change(place, in_service=False, service_since="2026-06-20")

    def status(day: str) -> str:
        return str(place.get(f"/assemblies/{place.assembly}/standing", as_of=day).json()["status"])

    assert (status("2026-06-19"), status("2026-06-20")) == ("untested", "out_of_service")


def test_a_replacement_taken_back_leaves_no_gap(place: Place) -> None:
    new = place.made(
        "assemblies", premises_id=place.premises, kind="pvb", hazard="health", replaces=place.assembly, installed_on="2026-05-01"
    )
    assert periods(place)[1:] == [(False, "2026-05-01", None, "replaced")]
    refused = change(place, service_since="2026-05-02")
    assert (refused.status_code, refused.json()["errors"][0]["code"]) == (422, "assembly_retired")
    taken_back = place.world.operator.patch(
        f"{place.base}/assemblies/{new['id']}", json={"replaces": None}, headers={"If-Match": f'"{new["version"]}"'}
    )
    assert taken_back.status_code == 200
    assert periods(place) == [(True, None, None, None)]
