"""A service that gets SIGTERM takes in nothing new, answers what it has begun, and ends."""

import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from uuid import uuid4

import httpx
import pytest

from tests.support.testers import free_ports, is_ready, locked, until, working_in
from tests.support.world import Place, World, bearer

pytestmark = pytest.mark.slow


@contextmanager
def serving_at(world: World, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """A service process, once it is ready."""
    arguments = [sys.executable, "-m", "service", "serve", "--port", str(port)]
    process = subprocess.Popen(arguments, env=working_in(world.database.dsn), stderr=subprocess.PIPE)
    try:
        until(lambda: is_ready(port))
        yield process
    finally:
        process.kill()
        process.communicate()


def test_what_was_begun_is_answered_and_nothing_new_is_taken(world: World, place: Place) -> None:
    [port] = free_ports(1)
    url = f"http://127.0.0.1:{port}{place.base}/reports"
    headers = bearer(place.keys["testing_company"])
    document = place.report()
    answers: list[httpx.Response] = []

    def put() -> None:
        answers.append(httpx.put(f"{url}/{uuid4()}", json=document, headers=headers, timeout=60, trust_env=False))

    with serving_at(world, port) as process:
        senders = [threading.Thread(target=put) for _ in range(20)]
        with locked(world.database, "SELECT FROM record.utility_log FOR UPDATE"):
            for one in senders:
                one.start()
            time.sleep(1.5)
            process.send_signal(signal.SIGTERM)

            def refused() -> bool:
                try:
                    httpx.get(f"http://127.0.0.1:{port}/healthz", trust_env=False, timeout=5)
                except httpx.ConnectError:
                    return True
                return False

            until(refused)
            assert answers == []
            assert process.poll() is None
        for one in senders:
            one.join(30)
        assert [one.status_code for one in answers] == [201] * 20
        assert process.wait(25) == 0
    stored = world.database.owner("SELECT id FROM record.report WHERE utility_id = $1", place.code)
    assert {one.json()["report"]["id"] for one in answers} == {str(row["id"]) for row in stored}
