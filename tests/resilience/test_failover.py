"""The primary is lost under load, again and again, and what is lost where its replica is not a synchronous one.

`sh deploy/faults` runs it. The short version is tests/resilience/test_replica.py.
"""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.db.embedded import SERVICE
from tests.support.databases import Database
from tests.support.replicas import Pair, fail_over_under_load, world_of
from tests.support.testers import until

pytestmark = pytest.mark.faults
ROUNDS = 5


@pytest.fixture
def pair(data: Path) -> Iterator[Pair]:
    """A primary and a replica of it."""
    made = Pair(data)
    yield made
    made.stop()


def test_one_primary_after_the_other_is_lost_and_nothing_that_was_answered(pair: Pair) -> None:
    for turn in range(ROUNDS):
        pair.synchronous()
        fail_over_under_load(pair, seconds=3 + turn)
        pair.follow_on(f"replica_{turn + 2}")


def test_a_replica_that_stands_still_is_left_for_the_primary_and_taken_up_again(pair: Pair) -> None:
    with world_of(pair.database(), reader_dsn=pair.reader_dsn, reader_behind=60) as world:
        place = world.place()
        until(lambda: pair.of_replica().owner("SELECT FROM record.utility"))
        until(lambda: world.client.get("/metrics").text.count("nonreturn_replica_behind_seconds NaN") == 0)
        stopped = pair.stand_still()
        report_id = place.recorded()["report"]["id"]
        began = time.monotonic()
        listed = place.get("/reports")
        assert [one["id"] for one in listed.json()["items"]] == [report_id]
        assert time.monotonic() - began < 15
        began = time.monotonic()
        assert place.get("/reports").status_code == 200
        assert time.monotonic() - began < 2
        pair.go_on(stopped)
        until(lambda: world.client.get("/metrics").text.count("nonreturn_replica_behind_seconds NaN") == 0, 60)
        stopped = pair.stand_still()
        began = time.monotonic()
    # The service ends, though the replica does not answer.
    assert time.monotonic() - began < 20
    pair.go_on(stopped)


def test_a_replica_that_still_follows_a_lost_primarys_history_is_not_read(pair: Pair) -> None:
    """Its place in its own history may lie beyond the new primary's, so that places alone would let it pass for one that has everything."""
    straggler = pair.primary.replica("straggler")
    try:
        with world_of(pair.database(), reader_dsn=straggler.dsn(SERVICE), reader_behind=60) as world:
            place = world.place()
            kept = str(place.recorded()["report"]["id"])
            until(lambda: world.client.get("/metrics").text.count("nonreturn_replica_behind_seconds NaN") == 0)
            until(lambda: pair.of_replica().count("report") == 1)
            with pair.nothing_sent():
                lost = [str(place.recorded()["report"]["id"]) for _ in range(20)]
                until(lambda: Database(straggler, "postgres").count("report") == 21)
                pair.fail_over()
            until(lambda: place.get(f"/reports/{kept}").status_code == 200)
            until(lambda: world.client.get("/metrics").text.count("nonreturn_replica_behind_seconds NaN") == 1)
            time.sleep(2)
            listed = {one["id"] for one in place.get("/reports").json()["items"]}
            assert listed == {kept}
            assert not listed & set(lost)
    finally:
        straggler.stop()


def test_without_synchronous_replication_what_the_replica_had_not_got_is_lost(pair: Pair) -> None:
    """So the test above can fail: here an answered report is gone, and it is the last ones that are."""
    with world_of(pair.database()) as world:
        place = world.place()
        kept = str(place.recorded()["report"]["id"])
        until(lambda: pair.of_replica().count("report") == 1)
        with pair.nothing_sent():
            lost = str(place.recorded()["report"]["id"])
            pair.fail_over()
        until(lambda: place.get(f"/reports/{kept}").status_code == 200)
        assert place.get(f"/reports/{lost}").status_code == 404
