"""The change feed over HTTP: whoever follows it has, at each moment, what the service has."""

import datetime as dt
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import uuid4

import pytest

from tests.support.world import Place, World, bearer


def followed(place: Place, start: str | None = None, **asked: Any) -> tuple[list[dict[str, Any]], str]:
    """Every change from a place in the feed on, and where it goes on."""
    path = start or f"{place.base}/changes"
    items: list[dict[str, Any]] = []
    while True:
        answer = place.world.client.get(path, params=asked or None, headers=bearer(place.keys["regulator"]))
        assert answer.status_code == 200, answer.text
        assert answer.headers["link"] == f'<{answer.json()["next"]}>; rel="next"'
        if not answer.json()["items"]:
            return items, answer.json()["next"]
        items += answer.json()["items"]
        path, asked = answer.json()["next"], {}


def test_what_a_utility_writes_is_reported_in_order_and_numbered_from_one(place: Place) -> None:
    report = place.recorded()["report"]["id"]
    items, _ = followed(place)
    assert [one["sequence"] for one in items] == list(range(1, len(items) + 1))
    assert [(one["resource"], one["id"], one["version"]) for one in items] == [
        ("testers", place.tester, 1),
        ("gauges", place.gauge, 1),
        ("premises", place.premises, 1),
        ("assemblies", place.assembly, 1),
        ("standings", place.assembly, 1),
        ("standings", place.assembly, 2),
        ("reports", report, 1),
    ]
    assert followed(place, limit=2)[0] == items


def test_the_cursor_is_given_when_there_is_nothing_new_and_goes_on_from_there(place: Place) -> None:
    items, end = followed(place)
    assert end == f"{place.base}/changes?after={len(items)}"
    assert followed(place, end) == ([], end)
    place.recorded()
    assert [one["resource"] for one in followed(place, end)[0]] == ["standings", "reports"]


def test_another_utilitys_changes_are_not_reported(place: Place, world: World) -> None:
    before, end = followed(place)
    world.place().recorded()
    assert followed(place, end) == ([], end)
    assert world.client.get(f"{world.place().base}/changes", headers=bearer(place.keys["utility"])).status_code == 404
    assert before


def test_waiting_ends_as_soon_as_something_changes(place: Place) -> None:
    _, end = followed(place)
    writer = threading.Timer(0.5, place.recorded)
    writer.start()
    started = time.monotonic()
    answer = place.world.client.get(end, params={**_asked(end), "wait": 20}, headers=bearer(place.keys["regulator"]))
    took = time.monotonic() - started
    writer.join()
    assert [one["resource"] for one in answer.json()["items"]] == ["standings", "reports"]
    assert 0.4 < took < 5


def test_waiting_ends_with_nothing_when_the_time_is_over(place: Place) -> None:
    _, end = followed(place)
    started = time.monotonic()
    answer = place.world.client.get(end, params={**_asked(end), "wait": 1}, headers=bearer(place.keys["regulator"]))
    assert time.monotonic() - started >= 1
    assert (answer.json()["items"], _asked(answer.json()["next"])) == ([], {**_asked(end), "wait": "1"})


@pytest.mark.parametrize("asked", [{"after": -1}, {"after": "x"}, {"wait": 31}, {"wait": 0.5}, {"limit": 0}, {"since": 3}])
def test_what_cannot_be_asked_is_refused(place: Place, asked: dict[str, Any]) -> None:
    assert place.get("/changes", **asked).status_code == 400


def test_a_mirror_that_follows_while_many_write_misses_and_repeats_nothing(place: Place, world: World) -> None:
    """Eight writers against two followers, one of small pages; afterwards mirror and service agree."""
    assemblies = [place.new_assembly("pvb") for _ in range(8)]
    done = threading.Event()

    def write(assembly: str) -> list[str]:
        now = world.clock.now()
        return [
            place.put(
                str(uuid4()), place.report(assembly_id=assembly, performed_at=(now - dt.timedelta(hours=30 - n)).isoformat())
            ).json()["report"]["id"]
            for n in range(12)
        ]

    def mirror(limit: int) -> list[dict[str, Any]]:
        seen: list[dict[str, Any]] = []
        path, asked = f"{place.base}/changes", {"limit": limit, "wait": 1}
        while True:
            finished = done.is_set()
            answer = world.client.get(path, params=asked or None, headers=bearer(place.keys["utility"])).json()
            seen += answer["items"]
            path, asked = answer["next"], {}
            if finished and not answer["items"]:
                return seen

    with ThreadPoolExecutor(10) as pool:
        mirrors = [pool.submit(mirror, limit) for limit in (3, 500)]
        reports = {one for written in pool.map(write, assemblies) for one in written}
        done.set()
        seen = [one.result() for one in mirrors]
    for changes in seen:
        assert [one["sequence"] for one in changes] == list(range(1, len(changes) + 1))
        assert sorted(one["id"] for one in changes if one["resource"] == "reports") == sorted(reports)
        mirrored = {one["id"]: one["version"] for one in changes if one["resource"] == "standings"}
        kept = world.database.owner("SELECT assembly_id, version FROM record.standing WHERE utility_id = $1", place.code)
        assert mirrored == {str(row["assembly_id"]): row["version"] for row in kept}
    assert seen[0] == seen[1]


def _asked(path: str) -> dict[str, str]:
    """The parameters in a path's query; httpx replaces them where others are given."""
    return dict(part.split("=") for part in path.partition("?")[2].split("&"))
