"""Several serving processes on one Postgres, reports and webhooks going through all of them: one log, one feed, each message once.

That notices come once whoever prepares them is tested in test_notice_runs.py, and processes killed meanwhile in tests/resilience.
"""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest

from tests.support.receiver import Receiver
from tests.support.testers import Load, free_ports, hold, is_ready, until, working_in
from tests.support.world import Place, World

pytestmark = pytest.mark.faults
KEY = "a master key of the tests, at least 32 bytes long"


@contextmanager
def serving_with(world: World, port: int, workers: int) -> Iterator[str]:
    """A `serve` with so many processes, once it is ready; its address."""
    environment = working_in(world.database.dsn) | {"NONRETURN_WEBHOOK_KEY": KEY, "NONRETURN_WEBHOOKS_PRIVATE": "1"}
    arguments = [sys.executable, "-m", "service", "serve", "--port", str(port), "--workers", str(workers)]
    process = subprocess.Popen(arguments, env=environment, stderr=subprocess.DEVNULL)
    try:
        until(lambda: is_ready(port), 60)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(40)


def test_three_processes_keep_one_log_and_send_each_change_once(world: World, place: Place) -> None:
    with ExitStack() as stack:
        urls = [stack.enter_context(serving_with(world, port, count)) for port, count in zip(free_ports(2), (2, 1), strict=True)]
        receiver = Receiver()
        stack.callback(receiver.close)
        hook = world.operator.post(f"{urls[0]}{place.base}/webhooks", json={"url": receiver.url})
        assert hook.status_code == 201, hook.text
        progress = f"{urls[1]}{place.base}/webhooks/{hook.json()['id']}/progress"
        start = world.operator.get(progress).json()["last_sequence"]
        load = Load(place, urls)
        with load:
            until(lambda: len(load.answered) > 150, 60)
        until(lambda: not world.operator.get(progress).json()["waiting"], 60)
        result = world.database.owner(
            "SELECT sequence FROM record.change WHERE utility_id = $1 AND sequence > $2 ORDER BY sequence", place.code, start
        )
        assert [one["sequence"] for one in receiver.once] == [row["sequence"] for row in result]
        assert [one["sequence"] for one in receiver.changes] == [row["sequence"] for row in result]
        assert receiver.most_at_once == 1
    hold(load, world.database, working_in(world.database.dsn), more_than=150)
