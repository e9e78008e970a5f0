"""A primary and its streaming replica, and a service that knows both: what the tests of replicas begin with."""

import datetime as dt
import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import psutil

from service.db.embedded import SERVICE
from service.db.migrate import migrate
from tests.support.databases import Database, in_thread
from tests.support.keeper import Kept
from tests.support.serving import NOON, SettableClock, serving
from tests.support.testers import Load, hold, until, working_in
from tests.support.world import World, bearer

FIRST = "replica_1"


class TickingClock(SettableClock):
    """A clock that begins where every test world does, and goes on."""

    def __init__(self) -> None:
        self._began = time.monotonic()

    def now(self) -> dt.datetime:
        """The moment now."""
        return NOON + dt.timedelta(seconds=time.monotonic() - self._began)


class Pair:
    """A primary and a replica of it."""

    def __init__(self, data: Path) -> None:
        self.primary = Kept(data)
        try:
            in_thread(lambda: migrate(self.primary.dsn()))
            self.replica = self.primary.replica(FIRST)
        except BaseException:
            self.primary.stop()
            raise

    @property
    def writer_dsn(self) -> str:
        """Whichever of the two takes writes."""
        hosts = f"{self.primary.socket_directory},{self.replica.socket_directory}"
        return f"postgresql://{SERVICE}@/postgres?host={hosts}&target_session_attrs=read-write"

    @property
    def reader_dsn(self) -> str:
        """The replica."""
        return self.replica.dsn(SERVICE)

    def database(self) -> Database:
        """The primary's database, for looking at it; the service reaches it by the address of both."""
        found = Database(self.primary, "postgres")
        found.dsn = self.writer_dsn
        return found

    def of_replica(self) -> Database:
        """The replica's database."""
        return Database(self.replica, "postgres")

    def set_on_primary(self, setting: str, value: str) -> None:
        """Change a setting of the primary's."""
        database = Database(self.primary, "postgres")
        database.owner(f"ALTER SYSTEM SET {setting} = '{value}'")
        database.owner("SELECT pg_reload_conf()")

    def synchronous(self) -> None:
        """From here on a commit waits for the replica, and the replica has caught up."""
        self.set_on_primary("synchronous_standby_names", self.replica.data.name)
        until(lambda: self._state() == "sync")

    def _state(self) -> str | None:
        rows = Database(self.primary, "postgres").owner("SELECT sync_state FROM pg_stat_replication")
        return rows[0][0] if rows else None

    @contextmanager
    def nothing_sent(self) -> Iterator[None]:
        """The process of the primary's that feeds the replica stands still for a while, or for ever if it is killed meanwhile."""
        name = self.replica.data.name
        [(sender,)] = Database(self.primary, "postgres").owner(
            "SELECT pid FROM pg_stat_replication WHERE application_name = $1", name
        )
        os.kill(sender, signal.SIGSTOP)
        try:
            yield
        finally:
            with suppress(ProcessLookupError):
                os.kill(sender, signal.SIGCONT)

    def stand_still(self) -> list[psutil.Process]:
        """The replica answers nothing more, and refuses nothing, until it may go on."""
        stopped = [self.replica.leader, *self.replica.leader.children(recursive=True)]
        for one in stopped:
            one.suspend()
        return stopped

    @staticmethod
    def go_on(stopped: list[psutil.Process]) -> None:
        """The replica goes on."""
        for one in stopped:
            with suppress(psutil.NoSuchProcess):
                one.resume()

    def lose_the_replica(self) -> None:
        """The replica is gone at once, whole."""
        self.replica.kill_whole()

    def start_the_replica(self) -> None:
        """The replica is back."""
        self.replica = Kept(self.replica.data)

    def fail_over(self) -> None:
        """The primary is gone at once, whole; the replica takes over."""
        self.primary.kill_whole()
        self.of_replica().owner("SELECT pg_promote()")

    def follow_on(self, name: str) -> None:
        """The replica that took over is the primary now, and gets a replica of its own."""
        self.primary = self.replica
        self.replica = self.primary.replica(name)

    def stop(self) -> None:
        """End what still runs."""
        for one in (self.replica, self.primary):
            if one.keeper.poll() is None:
                one.stop()


@contextmanager
def world_of(database: Database, **settings: Any) -> Iterator[World]:
    """A world whose clock goes on, served from that database."""
    clock = TickingClock()
    with serving(database, clock, **settings) as url:
        made = World(url, database, clock)
        try:
            yield made
        finally:
            made.close()


def fail_over_under_load(pair: Pair, *, seconds: float) -> None:
    """With synchronous replication, kill the primary while reports come; the same service goes on with the replica."""
    with world_of(pair.database(), reader_dsn=pair.reader_dsn) as world:
        place = world.place()
        with Load(place, [world.url]) as load:
            time.sleep(seconds)
            before = len(load.answered)
            assert before > 10
            pair.fail_over()
            after = len(load.answered)
            until(lambda: len(load.answered) > after + 20, 60)
        database = pair.of_replica()
        hold(load, database, working_in(database.dsn), more_than=before)
        # What was a replica is none any more: lists are read where is written.
        listed = world.client.get(f"{place.base}/reports?limit=500", headers=bearer(place.keys["utility"]))
        assert listed.status_code == 200
        recorded = database.owner("SELECT count(*) FROM record.report WHERE utility_id = $1", place.code)[0][0]
        assert len(listed.json()["items"]) == min(500, recorded)
