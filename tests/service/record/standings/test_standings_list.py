"""Standings listed and stated for past days: the lists agree with each assembly's own standing, whatever is asked for and in whatever form."""

import asyncio
import csv
import datetime as dt
import io
import json
from typing import Any
from uuid import UUID, uuid4

import httpx
import pytest

from service.db.pool import Pool
from service.http.tables import csv_rows
from service.record.reports.store import ReportStore
from service.record.standings.work_out import rebuild_standings
from service.registry.store import RegistryStore
from tests.support.databases import in_thread
from tests.support.serving import NOON
from tests.support.world import Place, World, bearer, certificate, phase

STATUSES = ("current", "due_soon", "overdue", "failed", "untested", "out_of_service")


@pytest.fixture
def varied(place: Place, world: World) -> dict[str, str]:
    """An assembly for each status, by status; the untested one is the place's own."""
    world.clock.moment = NOON - dt.timedelta(days=800)
    made = {
        "out_of_service": place.new_assembly("pvb", in_service=False),
        "current": place.new_assembly("pvb", serial_number="=1+1"),
        "due_soon": place.new_assembly("pvb"),
        "overdue": place.new_assembly("svb"),
        "failed": place.new_assembly("pvb", hazard="non_health"),
    }
    gauge = place.made(
        "gauges",
        serial_number="G-2",
        units={"pressure": "psi"},
        accuracy=0.2,
        resolution=0.1,
        calibrations=[{"calibrated_on": str(dt.date(2025, 1, 1) + dt.timedelta(days=90 * n))} for n in range(6)],
    )["id"]
    # Washington tests yearly, WAC 246-290-490(7)(b); this utility calls 30 days before the day "soon".
    for status, days_ago in (("overdue", 366), ("due_soon", 360), ("current", 10), ("failed", 3)):
        world.clock.moment = NOON - dt.timedelta(days=days_ago)
        place.recorded(assembly_id=made[status], gauge_id=gauge, initial_test=phase(0.6 if status == "failed" else 1.8))
    world.clock.moment = NOON
    return {**made, "untested": place.assembly}


def listed(place: Place, of: str = "/standings", **asked: Any) -> list[dict[str, Any]]:
    """Every item of a list, page by page."""
    answer = place.get(of, limit=2, **asked)
    items: list[dict[str, Any]] = []
    while True:
        assert answer.status_code == 200, answer.text
        items += answer.json()["items"]
        if answer.json()["next"] is None:
            return items
        answer = place.world.client.get(answer.json()["next"], headers=bearer(place.keys["utility"]))


def test_a_list_states_each_assembly_as_its_own_standing_does(place: Place, varied: dict[str, str]) -> None:
    found = {one["assembly_id"]: one for one in listed(place)}
    assert set(found) == set(varied.values())
    for status, assembly in varied.items():
        own = place.standing(assembly)
        assert own["status"] == status
        assert {name: found[assembly][name] for name in own} == own
        assert found[assembly]["premises"] == "Plot 1"


@pytest.mark.parametrize("status", STATUSES)
@pytest.mark.parametrize("sort", ["assembly_id", "due_on"])
def test_each_status_lists_its_own(place: Place, varied: dict[str, str], status: str, sort: str) -> None:
    assert [one["assembly_id"] for one in listed(place, status=status, sort=sort)] == [varied[status]]


@pytest.mark.parametrize("days", range(-3, 4))
def test_the_status_in_lists_turns_on_the_same_day_as_in_the_rules(
    place: Place, varied: dict[str, str], world: World, days: int
) -> None:
    for status in ("overdue", "due_soon"):
        due = dt.date.fromisoformat(place.standing(varied["due_soon"])["due_on"])
        turning = due + dt.timedelta(days=1) if status == "overdue" else due - dt.timedelta(days=30)
        world.clock.moment = dt.datetime.combine(turning + dt.timedelta(days=days), dt.time(19), dt.UTC)
        for asked in STATUSES:
            there = {one["assembly_id"]: one["status"] for one in listed(place, status=asked)}
            assert set(there.values()) <= {asked}
            assert there == {one: asked for one in varied.values() if place.standing(one)["status"] == asked}


def test_filters_hold_together(place: Place, varied: dict[str, str]) -> None:
    names = {assembly: status for status, assembly in varied.items()}

    def said(**asked: Any) -> set[str]:
        found = {names[one["assembly_id"]] for one in listed(place, **asked)}
        assert {names[one["id"]] for one in listed(place, of="/assemblies", **asked)} == found
        return found

    assert said(kind="svb") == {"overdue"}
    assert said(hazard="non_health") == {"failed"}
    assert said(hazard="health", kind="pvb") == {"out_of_service", "current", "due_soon", "untested"}
    assert said(premises_id=place.premises) == set(varied)
    assert said(premises_id=uuid4()) == set()
    assert said(protection="full") == {"current", "due_soon", "overdue"}
    assert said(protection="degraded") == {"failed"}
    assert said(protection="unknown") == {"untested", "out_of_service"}
    assert said(protection="lost") == set()
    due = place.standing(varied["due_soon"])["due_on"]
    after = (dt.date.fromisoformat(due) - dt.timedelta(days=1)).isoformat()
    before = (dt.date.fromisoformat(due) + dt.timedelta(days=1)).isoformat()
    assert said(due_after=after, due_before=before) == {"due_soon"}
    # The day itself is neither before nor after itself.
    assert "due_soon" not in said(due_before=due) | said(due_after=due)


def test_by_due_day_the_most_pressing_comes_first_and_what_has_no_day_last(place: Place, varied: dict[str, str]) -> None:
    days = [one["due_on"] for one in listed(place, sort="due_on")]
    with_day = [day for day in days if day is not None]
    assert len(days) == len(varied)
    assert days == sorted(with_day) + [None] * (len(days) - len(with_day))


def test_an_assembly_whose_standing_was_never_kept_is_listed_until_a_rebuild_keeps_it(
    place: Place, varied: dict[str, str], world: World
) -> None:
    world.database.owner("DELETE FROM record.standing WHERE assembly_id = $1", UUID(place.assembly))
    assert place.assembly in {one["assembly_id"] for one in listed(place)}
    assert place.assembly in {one["assembly_id"] for one in listed(place, sort="due_on")}
    assert [one["status"] for one in listed(place) if one["assembly_id"] == place.assembly] == ["untested"]
    # What only a standing says is asked of kept ones only.
    assert listed(place, status="untested") == []
    assert place.assembly not in {one["assembly_id"] for one in listed(place, protection="unknown")}

    async def rebuilt() -> None:
        pool = await Pool.open(world.database.dsn, size=1)
        await rebuild_standings(ReportStore(pool), await RegistryStore(pool).utility(place.code))
        await pool.close()

    in_thread(lambda: asyncio.run(rebuilt()))
    assert [one["assembly_id"] for one in listed(place, status="untested")] == [place.assembly]


# What a value may be at all is the contract's (400); that a cursor or a box leads nowhere is found when it is read (422).
@pytest.mark.parametrize(
    ("parameter", "value", "status", "code"),
    [
        ("status", "good", 400, "unknown_value"),
        ("due_before", "soon", 400, "not_a_date"),
        ("kind", "rpx", 400, "unknown_value"),
        ("limit", 0, 400, "too_small"),
        ("limit", 501, 400, "too_large"),
        ("sort", "kind", 400, "unknown_value"),
        ("colour", "red", 400, "unknown_parameter"),
        ("tester_id", "T", 400, "not_an_id"),
        ("due_after", "null", 400, "not_a_date"),
        ("area", "1,2,3", 422, "invalid_area"),
        ("area", "0,1,0,0", 422, "invalid_area"),
        ("area", "0,0,181,1", 422, "invalid_area"),
        ("area", "nan,0,1,1", 422, "invalid_area"),
        ("area", "0,-91,1,1", 422, "invalid_area"),
        ("after", "x", 422, "invalid_cursor"),
    ],
)
def test_a_parameter_that_cannot_be_read_is_refused_by_name(
    place: Place, parameter: str, value: Any, status: int, code: str
) -> None:
    for of in ("/standings", "/assemblies"):
        refused_for(place.get(of, **{parameter: value}), parameter, status, code)


@pytest.mark.parametrize("cursor", ["2026-01-01~x", f"2026-13-01~{UUID(int=0)}"])
def test_a_cursor_of_the_list_by_due_day_is_a_day_and_an_id(place: Place, cursor: str) -> None:
    for of in ("/standings", "/assemblies"):
        refused_for(place.get(of, after=cursor, sort="due_on"), "after", 422, "invalid_cursor")


def refused_for(answer: httpx.Response, parameter: str, status: int, code: str) -> None:
    """The answer refuses that parameter and no other."""
    assert answer.status_code == status
    [fault] = answer.json()["errors"]
    assert (fault["parameter"], fault["code"]) == (parameter, code)


def test_the_tester_asked_for_is_who_tested_last(place: Place, varied: dict[str, str], world: World) -> None:
    second = place.made("testers", name="Tester B", certificates=[certificate()])["id"]
    assert {one["assembly_id"] for one in listed(place, tester_id=place.tester)} == {
        varied[status] for status in ("current", "due_soon", "overdue", "failed")
    }
    place.recorded(assembly_id=varied["current"], tester_id=second)
    # An incomplete test decides nothing, so it is not the last that counts.
    place.recorded(assembly_id=varied["overdue"], tester_id=second, initial_test={**phase(), "readings": phase()["readings"][:1]})
    for of, name in (("/standings", "assembly_id"), ("/assemblies", "id")):
        assert [one[name] for one in listed(place, of=of, tester_id=second)] == [varied["current"]]
        assert {one[name] for one in listed(place, of=of, tester_id=place.tester)} == {
            varied[status] for status in ("due_soon", "overdue", "failed")
        }
    assert listed(place, tester_id=place.tester, status="failed", sort="due_on")[0]["assembly_id"] == varied["failed"]
    assert listed(place, tester_id=str(uuid4())) == []


# Places around the antimeridian, where Fiji and Kiribati lie: RFC 7946 section 5.2 gives a box over it as [177.0, -20.0, -178.0, -16.0].
SPOTS = {
    "west": (177.5, -17.0),
    "edge": (180.0, -18.0),
    "edge again": (-180.0, -18.5),
    "east": (-178.5, -19.0),
    "far": (0.0, -17.0),
}


@pytest.mark.parametrize(
    ("area", "there"),
    [
        ("177.0,-20.0,-178.0,-16.0", {"west", "edge", "edge again", "east"}),
        ("177.0,-20.0,180.0,-16.0", {"west", "edge", "edge again"}),
        ("-180,-20.0,-178.0,-16.0", {"edge", "edge again", "east"}),
        ("-178.0,-20.0,177.0,-16.0", {"far"}),
        ("-180,-90,180,90", set(SPOTS)),
        ("177.5,-17,177.5,-17", {"west"}),
        ("177.0,-16.9,-178.0,-16.0", set()),
        ("177.0,-20.0,-178.0,-18.5", {"edge again", "east"}),
    ],
)
def test_an_area_may_cross_the_antimeridian(island: dict[str, str], island_place: Place, area: str, there: set[str]) -> None:
    names = {assembly: name for name, assembly in island.items()}
    for of, name in (("/standings", "assembly_id"), ("/assemblies", "id")):
        assert {names[one[name]] for one in listed(island_place, of=of, area=area)} == there


@pytest.fixture(scope="module")
def island_place(world: World) -> Place:
    """A utility with premises around the antimeridian, and some without a place."""
    return world.place()


@pytest.fixture(scope="module")
def island(island_place: Place) -> dict[str, str]:
    """Its assemblies by the names of their spots."""
    found = {}
    for name, (longitude, latitude) in SPOTS.items():
        spot = island_place.made(
            "premises", name=name, address="-", connection="fire", location={"longitude": longitude, "latitude": latitude}
        )["id"]
        found[name] = island_place.made(
            "assemblies", premises_id=spot, kind="dc", hazard="non_health", purpose="premises_isolation"
        )["id"]
    return found


def test_premises_that_move_are_found_where_they_are_now(island_place: Place, island: dict[str, str], world: World) -> None:
    assembly = island_place.get(f"/assemblies/{island['far']}").json()
    path = f"{island_place.base}/premises/{assembly['premises_id']}"
    for location, there in (({"longitude": 20.0, "latitude": 1.0}, 1), (None, 0), ({"longitude": 0.0, "latitude": -17.0}, 0)):
        tag = world.operator.get(path).headers["etag"]
        headers = {"If-Match": tag, "Content-Type": "application/merge-patch+json"}
        world.operator.patch(path, json={"location": location}, headers=headers).raise_for_status()
        assert len(listed(island_place, area="19,0,21,2")) == there


def as_file(place: Place, media_type: str, of: str = "/standings", **asked: Any) -> httpx.Response:
    headers = bearer(place.keys["utility"]) | {"Accept": media_type}
    answer = place.world.client.get(f"{place.base}{of}", params=asked, headers=headers)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith(media_type)
    return answer


def test_csv_holds_what_the_list_holds_and_no_formula(place: Place, varied: dict[str, str]) -> None:
    place.made("premises", name="unused", address="-", connection="irrigation")
    # RFC 4180: lines end in CRLF, a heading first, a cell with a quote or comma is quoted.
    text = as_file(place, "text/csv").text
    assert text.count("\r\n") == len(varied) + 1
    rows = {row["assembly_id"]: row for row in csv.DictReader(io.StringIO(text, newline=""))}
    for one in listed(place):
        row = rows[one["assembly_id"]]
        assert (row["status"], row["due_on"], row["protection"], row["because"]) == (
            one["status"],
            one["due_on"] or "",
            one["protection"],
            one["because"],
        )
    assert rows[varied["current"]]["serial_number"] == "'=1+1"
    registered = as_file(place, "text/csv", of="/assemblies").text
    facts = {row["id"]: row for row in csv.DictReader(io.StringIO(registered, newline=""))}
    assert {one: row["serial_number"] for one, row in facts.items() if row["serial_number"]} == {varied["current"]: "'=1+1"}


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\n", "\uff1d"])
def test_no_text_of_a_stranger_begins_a_formula(sign: str) -> None:
    # OWASP, CSV injection: cells that begin with =, +, -, @, tab, CR, LF, or a full-width form of the signs; from memory.
    [[text, number]] = csv.reader(io.StringIO(csv_rows([[f"{sign}cmd|'/c calc'!A0", -1.5]]).decode(), newline=""))
    assert text == f"'{sign}cmd|'/c calc'!A0"
    assert float(number) == -1.5


def test_ndjson_holds_the_very_items(place: Place, varied: dict[str, str]) -> None:
    lines = as_file(place, "application/x-ndjson").text.splitlines()
    assert [json.loads(line) for line in lines] == listed(place)
    assert len(as_file(place, "application/x-ndjson", limit=4).text.splitlines()) == 4
    lines = as_file(place, "application/x-ndjson", of="/assemblies", kind="pvb").text.splitlines()
    assert [json.loads(line) for line in lines] == listed(place, of="/assemblies", kind="pvb")
    assert json.loads(lines[0]) == place.get(f"/assemblies/{json.loads(lines[0])['id']}").json()


def test_geojson_is_a_feature_collection_with_longitude_first(place: Place, varied: dict[str, str]) -> None:
    spot = place.made(
        "premises", name="Hall", address="2 Weir Road", connection="fire", location={"latitude": 47.5, "longitude": -122.25}
    )["id"]
    hall = place.made("assemblies", premises_id=spot, kind="dc", hazard="non_health", purpose="premises_isolation")["id"]
    # RFC 7946: 3.1.1 longitude before latitude; 3.2 an unlocated feature has a null geometry; 3.3 a collection of features.
    body = as_file(place, "application/geo+json").json()
    assert body["type"] == "FeatureCollection"
    features = {one["id"]: one for one in body["features"]}
    assert {one["type"] for one in features.values()} == {"Feature"}
    assert features[hall]["geometry"] == {"type": "Point", "coordinates": [-122.25, 47.5]}
    assert features[place.assembly]["geometry"] is None
    assert features[hall]["properties"]["status"] == "untested"
    [registered] = as_file(place, "application/geo+json", of="/assemblies", kind="dc").json()["features"]
    assert (registered["id"], registered["geometry"]) == (hall, features[hall]["geometry"])
    assert registered["properties"]["premises_id"] == spot
    assert as_file(place, "application/geo+json", status="overdue", kind="dc").json()["features"] == []


def test_a_file_of_more_than_a_chunk_is_whole(place: Place, world: World) -> None:
    world.database.owner(
        "INSERT INTO record.assembly (utility_id, id, version, created_at, changed_at, premises_id, kind, hazard, purpose, in_service) "
        "SELECT $1, gen_random_uuid(), 1, now(), now(), $2, 'rp', 'health', 'point_of_use', true FROM generate_series(1, 1200)",
        place.code,
        UUID(place.premises),
    )
    ids = [json.loads(line)["assembly_id"] for line in as_file(place, "application/x-ndjson").text.splitlines()]
    assert len(ids) == len(set(ids)) == 1201
    assert ids == sorted(ids)


def test_a_past_day_is_reported_from_the_record_of_that_day(place: Place, world: World) -> None:
    first = place.recorded(check=1.8)["report"]["id"]
    then = place.get(f"/assemblies/{place.assembly}/standing", as_of="2026-06-01").json()
    assert (then["status"], then["report_id"], then["as_of"], then["later_corrections"]) == ("current", first, "2026-06-01", [])
    world.clock.pass_by(days=2)
    failing = place.recorded(check=0.6, performed_at=(NOON - dt.timedelta(minutes=30)).isoformat())
    assert failing["standing"]["status"] == "failed"
    # A report that came later corrects nothing: on that day it was not known.
    again = place.get(f"/assemblies/{place.assembly}/standing", as_of="2026-06-01").json()
    assert again == then
    later = place.get(f"/assemblies/{place.assembly}/standing", as_of="2026-06-03").json()
    assert (later["status"], later["later_corrections"]) == ("failed", [])
    assert place.standing()["status"] == "failed"


def test_a_past_day_says_which_corrections_have_changed_it_since(place: Place, world: World) -> None:
    wrong = place.recorded(check=1.8)
    performed_at = wrong["report"]["performed_at"]
    world.clock.pass_by(days=2)
    same = place.recorded(
        check=1.7, performed_at=performed_at, supersedes=wrong["report"]["id"], supersedes_because="a digit misread"
    )["report"]["id"]
    path = f"/assemblies/{place.assembly}/standing"
    # The correction changes a reading and not what follows from it.
    assert place.get(path, as_of="2026-06-01").json()["later_corrections"] == []
    world.clock.pass_by(days=2)
    right = place.recorded(check=0.6, performed_at=performed_at, supersedes=same, supersedes_because="another assembly's reading")
    first = place.get(path, as_of="2026-06-01").json()
    assert (first["status"], first["report_id"]) == ("current", wrong["report"]["id"])
    assert first["later_corrections"] == [same, right["report"]["id"]]
    second = place.get(path, as_of="2026-06-03").json()
    assert (second["status"], second["report_id"], second["later_corrections"]) == ("current", same, [right["report"]["id"]])
    third = place.get(path, as_of="2026-06-05").json()
    assert (third["status"], third["later_corrections"]) == ("failed", [])


def test_the_day_ends_at_midnight_where_the_utility_is(place: Place, world: World) -> None:
    # 06:30 UTC on 2 June is still 1 June in Los Angeles (UTC−7 in summer); 07:30 UTC is 2 June.
    world.clock.moment = dt.datetime(2026, 6, 2, 6, 30, tzinfo=dt.UTC)
    place.recorded()
    world.clock.moment = dt.datetime(2026, 6, 2, 7, 30, tzinfo=dt.UTC)
    place.recorded(check=0.6)
    path = f"/assemblies/{place.assembly}/standing"
    assert [place.get(path, as_of=day).json()["status"] for day in ("2026-06-01", "2026-06-02")] == ["current", "failed"]


def test_a_past_day_counts_time_as_of_that_day(place: Place, world: World) -> None:
    place.recorded()
    world.clock.pass_by(days=400)
    path = f"/assemblies/{place.assembly}/standing"
    facts = {
        day: place.get(path, as_of=day).json()["status"]
        for day in ("2026-06-01", "2027-05-01", "2027-05-02", "2027-06-01", "2027-06-02")
    }
    # Due on 1 June 2027, and soon from 30 days before.
    assert list(facts.values()) == ["current", "current", "due_soon", "due_soon", "overdue"]


@pytest.mark.parametrize("day", ["2026-06-02", "2026-05-31", "9999-12-31", "0001-01-01"])
def test_a_day_that_the_record_cannot_know_is_refused(place: Place, day: str) -> None:
    answer = place.get(f"/assemblies/{place.assembly}/standing", as_of=day)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["parameter"] == "as_of"
    assert place.get(f"/assemblies/{uuid4()}/standing", as_of="2026-06-01").status_code == 404
