"""The database's machine loses its power, as near as a process can: Postgres is killed whole while reports are written."""

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import psutil
import pytest

from service.embedded import EmbeddedPostgres
from service.migrate import migrate
from tests.conftest import Database, in_thread, world_in

pytestmark = pytest.mark.slow


# A process that keeps a Postgres in the folder it is told, says where its socket is, and stops it when its input ends.
KEEPER = """
import sys
from pathlib import Path
from service.embedded import EmbeddedPostgres
server = EmbeddedPostgres(Path(sys.argv[1]))
print(server.pid, server.socket_directory, flush=True)
sys.stdin.read()
server.stop()
"""


class Kept(EmbeddedPostgres):
    """A Postgres that another process keeps."""

    def __init__(self, data: Path) -> None:
        self.data = data
        self.keeper = subprocess.Popen(
            [sys.executable, "-c", KEEPER, str(data)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )  # fmt: skip
        pid, self.socket_directory = (self.keeper.stdout.readline() if self.keeper.stdout else "").split()
        self.leader = psutil.Process(int(pid))

    def kill_whole(self) -> None:
        """Kill the keeper, the server and every process of it at once, with no chance to write anything more."""
        self.keeper.kill()
        for one in [self.leader, *self.leader.children(recursive=True)]:
            # It may have ended by itself, its leader being gone.
            with contextlib.suppress(ProcessLookupError):
                os.kill(one.pid, signal.SIGKILL)
        self.keeper.communicate()
        # A killed process that nobody waits for still seems to live, so its locks would hold; after a loss of power they would not.
        for lock in [self.data / "postmaster.pid", *self.data.glob(".s.PGSQL.*")]:
            lock.unlink()

    def stop(self) -> None:
        """End the server and its keeper."""
        self.keeper.communicate(input="", timeout=20)


def test_what_was_answered_outlives_the_database_server(data: Path) -> None:
    server = Kept(data)
    in_thread(lambda: migrate(server.dsn()))
    with world_in(Database(server, "postgres")) as world:
        place = world.place()
        answered: dict[str, Any] = {}
        others: set[int] = set()

        def send() -> None:
            while True:
                report_id = str(uuid4())
                answer = place.put(report_id, place.report())
                if answer.status_code != 201:
                    others.add(answer.status_code)
                    return
                answered[report_id] = answer.json()

        testers = [threading.Thread(target=send) for _ in range(6)]
        for one in testers:
            one.start()
        time.sleep(0.7)
        server.kill_whole()
        for one in testers:
            one.join(40)
        assert others == {503}
        assert len(answered) > 20
        server = Kept(data)
        deadline = time.monotonic() + 30
        while httpx.get(f"{world.url}/readyz", trust_env=False, timeout=20).status_code != 200:
            assert time.monotonic() < deadline
            time.sleep(0.1)
        for report_id, answer in answered.items():
            assert place.get(f"/reports/{report_id}").json()["verdict"] == answer["verdict"]
        assert place.recorded()["report"]["id"]
    server.stop()
