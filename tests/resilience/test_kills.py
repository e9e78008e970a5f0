"""Everything is killed at random moments under load, again and again, and the record holds.

Two service processes work in one Postgres under the load of `testers.py`. Meanwhile something is killed: a service, the whole of Postgres,
a connection; or a service is reported to stop (SIGTERM), or Postgres stands still for a while. Then the record is looked at.

`sh deploy/faults [--kills N]` runs it, 200 kills by default; it takes minutes, so the check leaves it out.
"""

import os
import random
import signal
import sys
import time
from collections import Counter
from contextlib import suppress
from pathlib import Path

import psutil
import pytest

from service.db.embedded import SERVICE
from service.db.migrate import migrate
from tests.support.databases import Database, in_thread
from tests.support.keeper import Kept
from tests.support.testers import Load, Services, free_ports, hold, wait_for_postgres
from tests.support.world import Place, world_in

pytestmark = pytest.mark.faults
KILLS = int(os.environ.get("NONRETURN_KILLS", "200"))


def kill_something(chance: random.Random, server: Kept, services: Services, database: Database) -> tuple[str, Kept]:
    """One fault, and the Postgres that lives after it."""
    what = chance.choices(["service", "connection", "postgres", "backend", "drain", "stand_still"], [6, 4, 3, 2, 2, 2])[0]
    match what:
        case "service":
            services.end(chance.randrange(2), signal.SIGKILL)
        case "drain":
            services.end(chance.randrange(2), signal.SIGTERM)
        case "connection":
            # Every connection of the service, cut by the server.
            database.owner("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'nonreturn'")
        case "backend":
            # One server process killed outright: Postgres ends all the others and recovers.
            pids = [row[0] for row in database.owner("SELECT pid FROM pg_stat_activity WHERE application_name = 'nonreturn'")]
            if pids:
                with suppress(ProcessLookupError):
                    os.kill(chance.choice(pids), signal.SIGKILL)
                wait_for_postgres(database)
        case "stand_still":
            with suppress(psutil.NoSuchProcess):
                processes = [server.leader, *server.leader.children(recursive=True)]
                for one in processes:
                    with suppress(psutil.NoSuchProcess):
                        one.suspend()
                time.sleep(chance.uniform(0.2, 1.0))
                for one in processes:
                    with suppress(psutil.NoSuchProcess):
                        one.resume()
        case "postgres":
            server.kill_whole()
            server = Kept(server.data)
            wait_for_postgres(database)
    services.revive()
    return what, server


@pytest.fixture
def server(data: Path) -> Kept:
    made = Kept(data)
    in_thread(lambda: migrate(made.dsn()))
    return made


def test_the_record_holds_whatever_is_killed(server: Kept) -> None:
    database = Database(server, "postgres")
    with world_in(database) as world:
        place: Place = world.place()
    ports = free_ports(2)
    services = Services(server.dsn(SERVICE), ports)
    chance = random.Random(20261125)  # noqa: S311 - the same every time
    done: Counter[str] = Counter()
    load = Load(place, [f"http://127.0.0.1:{port}" for port in ports])
    try:
        with load:
            while done.total() < KILLS:
                time.sleep(chance.uniform(0.1, 1.2))
                what, server = kill_something(chance, server, services, database)
                done[what] += 1
                if sys.stderr.isatty():
                    sys.stderr.write(f"\r{done.total()} of {KILLS} faults, {len(load.answered)} reports answered")
            time.sleep(3)
        hold(load, database, services.environment, more_than=KILLS)
        sys.stderr.write(f"\n{dict(done)}, {len(load.answered)} answered, {len(load.given_up)} given up\n")
    finally:
        services.stop()
        server.stop()
