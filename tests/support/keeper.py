"""A Postgres that another process keeps, so that it can be killed whole, as near to a loss of power as a process can come."""

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import psutil

from service.db.embedded import OWNER, EmbeddedPostgres

# Keeps a Postgres in the folder that it is given, says where its socket is, and stops it when its input ends.
KEEPER = """
import sys
from pathlib import Path
from service.db.embedded import EmbeddedPostgres
server = EmbeddedPostgres(Path(sys.argv[1]))
print(server.pid, server.socket_directory, server.programs, flush=True)
sys.stdin.read()
server.stop()
"""


def copied(data: Path) -> "Kept":
    """The server of a folder that is a copy of another's."""
    return Kept(data)


class Kept(EmbeddedPostgres):
    """A Postgres that another process keeps."""

    def __init__(self, data: Path) -> None:
        self.data = data
        self.keeper = subprocess.Popen(
            [sys.executable, "-c", KEEPER, str(data)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self.keeper.stdout is not None
        started = self.keeper.stdout.readline().strip().split(maxsplit=2)
        if not started:
            # Its pipes, left open, would fail whichever test runs while they are collected.
            self.keeper.communicate()
            raise RuntimeError(f"No Postgres started in {data}.")
        pid, self.socket_directory, programs = started
        self._programs = Path(programs)
        self.leader = psutil.Process(int(pid))

    @property
    def programs(self) -> Path:
        """Where the server's own programs are."""
        return self._programs

    def run(self, program: str, *arguments: str) -> None:
        """Run one of the server's own programs as the user that the server runs as."""
        owner = self.data.stat()
        account: dict[str, Any] = {"user": owner.st_uid, "group": owner.st_gid, "extra_groups": []} if os.geteuid() == 0 else {}
        done = subprocess.run(
            [self.programs / program, *arguments], cwd="/", capture_output=True, text=True, check=False, **account
        )
        assert done.returncode == 0, (program, done.stderr)

    def room(self, name: str) -> Path:
        """An empty folder beside the server's own, which the server may write to."""
        made = self.data.parent / name
        made.mkdir(mode=0o700)
        os.chown(made, self.data.stat().st_uid, self.data.stat().st_gid)
        return made

    def replica(self, name: str) -> "Kept":
        """A streaming replica of this server (pg_basebackup), running; it calls itself by that name."""
        data = self.room(name)
        source = f"host={self.socket_directory} user={OWNER} application_name={name}"
        self.run("pg_basebackup", "-D", str(data), "-d", source, "-R", "-X", "stream", "-c", "fast", "-C", "-S", f"for_{name}")
        return copied(data)

    def kill_whole(self) -> None:
        """Kill the keeper, the server and every process of it at once, with no chance to write anything more."""
        self.keeper.kill()
        for one in [self.leader, *self.leader.children(recursive=True)]:
            # It may have ended by itself, its leader being gone.
            with contextlib.suppress(ProcessLookupError):
                os.kill(one.pid, signal.SIGKILL)
        self.keeper.communicate()
        # A killed process that nobody waits for still seems to live, so its locks would hold; after a loss of power they would not.
        for lock in [self.data / "postmaster.pid", *Path(self.socket_directory).glob(".s.PGSQL.*")]:
            lock.unlink(missing_ok=True)

    def stop(self) -> None:
        """End the server and its keeper."""
        self.keeper.communicate(input="", timeout=20)
