"""Reads from a streaming replica, as far behind as stated; and the primary lost, with synchronous replication.

The replica is a real one, made with pg_basebackup, and the primary is killed whole. That a commit waits for a synchronous replica is
PostgreSQL's own documentation, "Synchronous Replication". Without one, answered reports are lost: tests/resilience/test_failover.py.
"""

import datetime as dt
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from uuid import uuid4

import httpx
import pytest

from tests.support.databases import Database, data_folder
from tests.support.replicas import Pair, fail_over_under_load, world_of
from tests.support.testers import until
from tests.support.world import Place, World, bearer

pytestmark = pytest.mark.slow
BEHIND = 3.0


@pytest.fixture(scope="module")
def pair() -> Iterator[Pair]:
    """A primary and a replica of it, for all of this module; the last test ends the primary."""
    with data_folder() as data:
        made = Pair(data)
        yield made
        made.stop()


def as_of(answer: httpx.Response) -> dt.datetime:
    assert answer.status_code == 200, answer.text
    return dt.datetime.fromisoformat(answer.headers["record-as-of"])


def listed(place: Place, **headers: str) -> tuple[set[str], dt.datetime]:
    """The reports a list states, and the moment it states."""
    answer = place.world.client.get(
        f"{place.base}/reports", params={"limit": 500}, headers=bearer(place.keys["utility"]) | headers
    )
    return {one["id"] for one in answer.json()["items"]}, as_of(answer)


def recorded(place: Place) -> str:
    return str(place.recorded()["report"]["id"])


def reads_from_the_replica(world: World) -> bool:
    text = world.client.get("/metrics").text
    [line] = [line for line in text.splitlines() if line.startswith("nonreturn_replica_behind_seconds ")]
    return not line.endswith("NaN")


@contextmanager
def held_back(pair: Pair) -> Iterator[None]:
    """The replica takes in no more for a while."""
    pair.of_replica().owner("SELECT pg_wal_replay_pause()")
    until(lambda: pair.of_replica().owner("SELECT pg_get_wal_replay_pause_state()")[0][0] == "paused")
    try:
        yield
    finally:
        pair.of_replica().owner("SELECT pg_wal_replay_resume()")


def test_lists_come_from_the_replica_and_say_how_old_they_are_and_never_too_old(pair: Pair) -> None:
    with world_of(pair.database(), reader_dsn=pair.reader_dsn, reader_behind=BEHIND) as world:
        place, other = world.place(), world.place()
        first = recorded(place)
        until(lambda: reads_from_the_replica(world))
        until(lambda: first in listed(place)[0])
        registered = world.clock.now()
        until(lambda: listed(place)[1] > registered)
        with held_back(pair):
            until(lambda: reads_from_the_replica(world))
            second = recorded(place)
            answered = world.clock.now()
            ids, moment = listed(place)
            # Read at the replica, which has not got it, and answered so; nobody who asks for it by its id, or for the record as it is now, misses it.
            assert (ids, moment < answered) == ({first}, True)
            assert answered - moment < dt.timedelta(seconds=BEHIND + 1)
            assert place.get(f"/reports/{second}").status_code == 200
            assert place.standing()["report_id"] == second
            for asked in ("no-cache", "max-age=0"):
                ids, moment = listed(place, **{"Cache-Control": asked})
                assert (ids, moment > answered) == ({first, second}, True)
            # Once the replica is further behind than it may be, the primary is read.
            time.sleep(BEHIND)
            ids, moment = listed(place)
            assert (ids, moment > answered) == ({first, second}, True)
            day = world.clock.now().date()
            assert as_of(place.get(f"/summaries/{day.year}")) > answered
        until(lambda: reads_from_the_replica(world))
        assert listed(place)[0] == {first, second}
        # Every call that may lag, at the replica: the same as at the primary.
        for path in (
            "/standings",
            "/assemblies",
            "/reports",
            f"/assemblies/{place.assembly}/reports",
            f"/summaries/{day.year}",
            "/export",
            f"/assemblies/{place.assembly}/standing?as_of={day - dt.timedelta(days=1)}",
        ):
            for kind in ("utility", "testing_company"):
                here, there = (
                    world.client.get(place.base + path, headers=bearer(place.keys[kind]) | more)
                    for more in ({}, {"Cache-Control": "no-cache"})
                )
                assert (here.status_code, here.content) == (there.status_code, there.content), (path, kind)
                assert here.status_code in (403, 422) or as_of(here) < as_of(there)
        # Row security binds the replica's sessions as well: nothing of another utility, and nothing where none is named.
        assert listed(other)[0] == set()
        assert world.client.get(f"{place.base}/reports", headers=bearer(other.keys["utility"])).status_code == 404
        # The replica goes away: the next read is answered all the same.
        pair.lose_the_replica()
        third = recorded(place)
        ids, moment = listed(place)
        assert third in ids
        assert moment > answered
        # It comes back, and is read from again without a restart of the service.
        pair.start_the_replica()
        until(lambda: reads_from_the_replica(world))


def test_a_report_that_waits_for_the_replica_is_not_answered_before_by_sending_it_again(pair: Pair) -> None:
    pair.synchronous()
    with world_of(pair.database()) as world:
        place = world.place()
        report_id, document = str(uuid4()), place.report()

        def is_in(database: Database) -> bool:
            return bool(database.owner("SELECT FROM record.report WHERE id = $1::text::uuid", report_id))

        def put(seconds: float) -> int:
            return httpx.put(
                f"{world.url}{place.base}/reports/{report_id}",
                json=document,
                headers=bearer(place.keys["testing_company"]),
                timeout=seconds,
                trust_env=False,
            ).status_code

        with pair.nothing_sent():
            sent = threading.Thread(target=lambda: place.put(report_id, document))
            sent.start()
            # Written, and waiting for the replica; then its connection is lost, so that it shows though the replica lacks it.
            cut_off = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE wait_event = 'SyncRep'"
            until(lambda: pair.database().owner(cut_off))
            sent.join()
            until(lambda: is_in(pair.database()))
            with pytest.raises(httpx.ReadTimeout):
                put(2)
            assert not is_in(pair.of_replica())
        assert put(30) == 200
        assert is_in(pair.of_replica())


def test_the_primary_lost_under_load_loses_nothing_that_was_answered(pair: Pair) -> None:
    fail_over_under_load(pair, seconds=2)


def test_without_a_primary_the_replica_is_read_within_its_bound_and_once_promoted_it_is_let_go() -> None:
    bound = 4.0
    with data_folder() as data:
        pair = Pair(data)
        try:
            with world_of(pair.database(), reader_dsn=pair.reader_dsn, reader_behind=bound) as world:
                place = world.place()
                report = recorded(place)
                until(lambda: reads_from_the_replica(world) and report in listed(place)[0])
                pair.primary.kill_whole()
                gone = time.monotonic()
                while time.monotonic() - gone < bound / 2:
                    assert listed(place)[0] == {report}
                    time.sleep(0.1)
                # Beyond the bound nothing is read of it.
                until(lambda: not within(world, place))
                pair.of_replica().owner("SELECT pg_promote()")
                ours = "SELECT count(*) FROM pg_stat_activity WHERE application_name = 'nonreturn' AND backend_start < now() - interval '3 s'"
                # Nobody holds on to a node that is no replica any more; each look takes sessions of its own.
                until(lambda: pair.of_replica().owner(ours)[0][0] == 0)
        finally:
            pair.stop()


def within(world: World, place: Place) -> bool:
    """Whether a list is answered."""
    return world.client.get(f"{place.base}/reports", headers=bearer(place.keys["utility"])).status_code == 200
