"""Backups tried: a dump restored, and a point in time taken back to, with nothing lost that they should hold and the service going on.

What pg_dump, pg_basebackup and `recovery_target_time` do is PostgreSQL's own documentation, chapters "Backup and Restore" and
"Continuous Archiving and Point-in-Time Recovery (PITR)".
"""

import datetime as dt
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.db.embedded import SERVICE
from service.db.migrate import migrate
from tests.support.databases import Database, in_thread
from tests.support.keeper import Kept, copied
from tests.support.replicas import world_of
from tests.support.testers import Load, command, hold, until, working_in
from tests.support.world import SIGNING_KEYS, Place, World, bearer

pytestmark = pytest.mark.faults


@pytest.fixture
def server(data: Path) -> Iterator[Kept]:
    """A Postgres of this test's own, migrated."""
    made = Kept(data)
    in_thread(lambda: migrate(made.dsn()))
    yield made
    if made.keeper.poll() is None:
        made.stop()


def goes_on(database: Database, place: Place, reports: int) -> None:
    """The record in that database is whole, and the service goes on in it: the next report has the next number, and so has its change."""
    environment = working_in(database.dsn) | {"NONRETURN_ADMIN_DSN": database.owner_dsn, "NONRETURN_SIGNING_KEYS": SIGNING_KEYS}
    for asked in (["audit", "--utility", place.code, "--rejudge", "--standings"], ["rebuild", place.code]):
        done = command(environment, *asked)
        assert done.returncode == 0, (asked, done.stdout[-1000:], done.stderr[-1000:])
    with world_of(database, signing_keys=SIGNING_KEYS) as world:
        there = _same_place(place, world)
        before = [one["sequence"] for one in _feed(there)]
        assert before == list(range(1, len(before) + 1))
        new = there.recorded()["report"]["id"]
        after = _feed(there)
        assert [one["sequence"] for one in after] == list(range(1, len(after) + 1))
        assert [one["id"] for one in after[len(before) :] if one["resource"] == "reports"] == [new]
        rows = database.owner("SELECT log_index FROM record.report WHERE utility_id = $1 ORDER BY log_index", place.code)
        assert [row["log_index"] for row in rows] == list(range(reports + 1))


def _feed(place: Place) -> list[dict[str, int | str]]:
    found: list[dict[str, int | str]] = []
    while items := place.get("/changes", after=len(found), limit=500).json()["items"]:
        found += items
    return found


def _same_place(place: Place, world: World) -> Place:
    """The same utility, met in another world: its keys were restored with it."""
    there = object.__new__(Place)
    there.__dict__ = place.__dict__ | {"world": world}
    assert world.client.get(f"{place.base}/reports", headers=bearer(place.keys["utility"])).status_code == 200
    return there


def count(database: Database, place: Place) -> int:
    return int(database.owner("SELECT count(*) FROM record.report WHERE utility_id = $1", place.code)[0][0])


def test_a_dump_taken_under_load_is_restored_as_of_one_moment_and_goes_on(server: Kept) -> None:
    database = Database(server, "postgres")
    dump = server.room("dump") / "record.dump"
    with world_of(database, signing_keys=SIGNING_KEYS) as world:
        place = world.place()
        with Load(place, [world.url]) as load:
            until(lambda: len(load.answered) > 30)
            place.get("/log/head", key="regulator").raise_for_status()
            sure = set(load.answered)
            server.run("pg_dump", "--format=custom", f"--file={dump}", server.dsn())
            until(lambda: len(load.answered) > len(sure) + 10)
        hold(load, database, working_in(database.dsn) | {"NONRETURN_SIGNING_KEYS": SIGNING_KEYS}, more_than=30)
    database.owner("CREATE DATABASE restored")
    server.run("pg_restore", "--exit-on-error", f"--dbname={server.dsn(database='restored')}", str(dump))
    restored = Database(server, "restored")
    ids = {str(row["id"]) for row in restored.owner("SELECT id FROM record.report WHERE utility_id = $1", place.code)}
    # What was answered before the dump began is in it; what came after it, is not.
    assert sure <= ids
    assert len(ids) < count(database, place)
    goes_on(restored, place, len(ids))


def test_the_record_is_taken_back_to_a_point_in_time_and_goes_on(server: Kept) -> None:
    archive = server.room("archive")
    database = Database(server, "postgres")
    for name, value in (("archive_mode", "on"), ("archive_command", f"cp %p {archive}/%f")):
        database.owner(f"ALTER SYSTEM SET {name} = '{value}'")
    server.stop()
    server = Kept(server.data)
    base = server.room("base")
    server.run("pg_basebackup", "-D", str(base), "-d", f"host={server.socket_directory} user=postgres", "-c", "fast")
    with world_of(database, signing_keys=SIGNING_KEYS) as world:
        place = world.place()
        kept = [place.recorded()["report"]["id"] for _ in range(5)]
        [(moment,)] = database.owner("SELECT clock_timestamp()")
        time.sleep(0.05)
        # From here on somebody does harm, or a program does; a head that a regulator keeps knows of it.
        undone = [place.recorded(check=0.2)["report"]["id"] for _ in range(3)]
        head = place.get("/log/head", key="regulator").json()["head"]
    [(segment,)] = database.owner("SELECT pg_walfile_name(pg_switch_wal())")
    until((archive / segment).exists)
    server.stop()
    with (base / "postgresql.auto.conf").open("a") as settings:
        settings.write(
            f"archive_mode = off\nrestore_command = 'cp {archive}/%f %p'\nrecovery_target_action = promote\n"
            f"recovery_target_time = '{moment.astimezone(dt.UTC).isoformat()}'\n"
        )
    (base / "recovery.signal").touch()
    back = copied(base)
    try:
        there = Database(back, "postgres")
        until(lambda: not there.owner("SELECT pg_is_in_recovery()")[0][0])
        ids = {str(row["id"]) for row in there.owner("SELECT id FROM record.report WHERE utility_id = $1", place.code)}
        assert ids == set(kept)
        assert not ids & set(undone)
        # Nobody can take a record back unseen: who kept a head sees it.
        heads = base.parent / "heads"
        heads.write_text(head)
        environment = working_in(back.dsn(SERVICE)) | {"NONRETURN_SIGNING_KEYS": SIGNING_KEYS}
        result = command(environment, "audit", "--utility", place.code, "--heads", str(heads))
        assert (result.returncode, "A kept head covers 8 reports; the log has 5." in result.stdout) == (1, True), result.stdout
        goes_on(there, place, len(kept))
    finally:
        back.stop()
