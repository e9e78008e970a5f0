"""A Postgres that another process keeps, so that it can be killed whole, as near to a loss of power as a process can come."""

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import psutil

from service.embedded import EmbeddedPostgres

# Keeps a Postgres in the folder it is told, says where its socket is, and stops it when its input ends.
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
            lock.unlink(missing_ok=True)

    def stop(self) -> None:
        """End the server and its keeper."""
        self.keeper.communicate(input="", timeout=20)
