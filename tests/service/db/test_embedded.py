"""The Postgres of the service's own: in any folder, for any user, private, started again whatever its last start left behind."""

import os
import stat
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil
import pytest

from service.db.embedded import EmbeddedPostgres, _runtime_folder
from service.trouble import TroubleError
from tests.support.databases import ask, data_folder

AS_ROOT = os.geteuid() == 0


def answer(postgres: EmbeddedPostgres) -> int:
    return int(ask(postgres.dsn(), lambda connection: connection.fetchval("SELECT 41 + 1")))


@pytest.mark.parametrize("name", ["my water works", "Wässerwerk 水", "x" * 120, """it's a "$HOME" `folder`; %20"""])
def test_it_works_in_any_folder(name: str, data: Path) -> None:
    postgres = EmbeddedPostgres(data.parent / name / "postgres")
    try:
        assert answer(postgres) == 42
        folder = Path(postgres.socket_directory)
        # The system's bound on a socket's path, and nobody else's business.
        assert len(os.fsencode(folder / ".s.PGSQL.5432")) <= 103
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        assert stat.S_IMODE(postgres.data.stat().st_mode) == 0o700
        assert folder.stat().st_uid == postgres.data.stat().st_uid != (0 if AS_ROOT else -1)
        assert ask(postgres.dsn(), lambda connection: connection.fetchval("SHOW listen_addresses")) == ""
    finally:
        postgres.stop()
    assert not folder.exists()
    assert not psutil.pid_exists(postgres.pid)


def test_a_folder_that_somebody_else_made_for_the_socket_is_not_used(data: Path) -> None:
    user = os.geteuid()
    expected = _runtime_folder(data, user)
    try:
        assert _runtime_folder(data, user) == expected
        # It is open to others now; and then a link to somewhere else.
        expected.chmod(0o755)
        other = _runtime_folder(data, user)
        other.rmdir()
        assert other != expected
        expected.rmdir()
        with tempfile.TemporaryDirectory() as elsewhere:
            expected.symlink_to(elsewhere)
            other = _runtime_folder(data, user)
            other.rmdir()
            assert other.name != expected.name
    finally:
        expected.unlink() if expected.is_symlink() else expected.rmdir()


def test_the_last_of_its_users_stops_it_and_one_that_was_killed_does_not_count(data: Path) -> None:
    first = EmbeddedPostgres(data)
    holds = "import sys, pathlib, service.db.embedded as e; p = e.EmbeddedPostgres(pathlib.Path(sys.argv[1])); print(p.pid, flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", holds, data], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as second:
        assert second.stdout is not None
        assert int(second.stdout.readline()) == first.pid
        first.stop()
        assert psutil.pid_exists(first.pid)
        third = EmbeddedPostgres(data)
        second.kill()
        second.wait()
        assert answer(third) == 42
        third.stop()
    assert psutil.Process(first.pid).status() == psutil.STATUS_ZOMBIE if psutil.pid_exists(first.pid) else True


def test_a_start_that_was_ended_while_making_the_data_is_begun_again(data: Path) -> None:
    process = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, pathlib, service.db.embedded as e; e.EmbeddedPostgres(pathlib.Path(sys.argv[1]))",
            data,
        ],
        start_new_session=True,
    )
    deadline = time.monotonic() + 30
    # Postgres names its version early; a folder with that in it would pass for a database.
    while not list(data.parent.glob("*.new-*/PG_VERSION")):
        assert time.monotonic() < deadline
        time.sleep(0.002)
    # What makes the data has a session of its own, and writes on for a moment beside the next start.
    process.kill()
    process.wait()
    assert not (data / "PG_VERSION").exists()
    postgres = EmbeddedPostgres(data)
    try:
        assert answer(postgres) == 42
    finally:
        postgres.stop()


def test_what_a_killed_server_left_is_not_taken_for_a_running_one(data: Path) -> None:
    """Its number may be another process's by now, which in a container it often is."""
    postgres = EmbeddedPostgres(data)
    leader = psutil.Process(postgres.pid)
    lines = (data / "postmaster.pid").read_text(encoding="utf-8").splitlines()
    for process in [leader, *leader.children(recursive=True)]:
        process.kill()
    postgres.stop()
    (data / "postmaster.pid").write_text("\n".join([str(os.getpid()), *lines[1:]]) + "\n", encoding="utf-8")
    postgres = EmbeddedPostgres(data)
    try:
        assert answer(postgres) == 42
    finally:
        postgres.stop()


@pytest.mark.skipif(not AS_ROOT, reason="only root can become another user")
def test_two_users_of_one_machine_do_not_meet() -> None:
    with data_folder() as first, data_folder() as second:
        second.parent.chmod(0o711)
        postgres = EmbeddedPostgres(first)
        try:
            second.mkdir()
            os.chown(second, 65534, 65534)
            # Started by root for another user, it runs as that one, whose folder it is.
            other = EmbeddedPostgres(second)
            try:
                assert psutil.Process(other.pid).uids().real == 65534
                assert psutil.Process(postgres.pid).uids().real not in (0, 65534)
                assert answer(other) == answer(postgres) == 42
                # Another user cannot come in by the socket.
                asked = [
                    str(postgres.programs / "psql"),
                    "-h",
                    str(postgres.socket_directory),
                    "-U",
                    "postgres",
                    "-c",
                    "SELECT 1",
                ]
                done = subprocess.run(
                    asked, user=65534, group=65534, extra_groups=[], cwd="/", capture_output=True, text=True, check=False
                )
                assert done.returncode != 0
                assert "Permission denied" in done.stderr
            finally:
                other.stop()
        finally:
            postgres.stop()


def test_a_server_that_cannot_start_says_why(data: Path) -> None:
    EmbeddedPostgres(data).stop()
    (data / "postgresql.auto.conf").write_text("shared_buffers = 'much'\n", encoding="utf-8")
    with pytest.raises(TroubleError, match=r"Postgres did not start in .*shared_buffers|Postgres did not start in .*errors"):
        EmbeddedPostgres(data)
