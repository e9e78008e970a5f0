"""Webhooks sent by processes of their own, killed at any moment: nothing is lost, and no two of them send at once."""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack

import pytest

from service.secrets import Secret
from tests.support.databases import Database
from tests.support.receiver import Receiver
from tests.support.world import World, world_in

pytestmark = pytest.mark.slow

KEY = "a master key of the tests, at least 32 bytes long"
ROUNDS = 6


@pytest.fixture(scope="module")
def world(database: Database) -> Iterator[World]:
    """A world that makes subscriptions and leaves the sending to others."""
    with world_in(database, webhook_key=Secret(KEY.encode()), webhooks_private=True, deliver=False) as made:
        yield made


# As the command does, with a lease of a second instead of a minute, so that the test need not wait so long for a dead process's to end.
SHORT_LEASE = """
import os, sys
from msgspec.structs import replace
from service.cli.commands import deliver
from service.settings import Settings
from service.settings import WebhookPolicy
policy = replace(WebhookPolicy(), lease_seconds=1, look_seconds=0.1)
sys.exit(deliver(replace(Settings.from_environment(os.environ), webhook_policy=policy)))
"""


def started(database: Database, *arguments: str, **environment: str) -> subprocess.Popen[bytes]:
    settings = {"NONRETURN_DSN": database.dsn, "NONRETURN_WEBHOOK_KEY": KEY, "NONRETURN_WEBHOOKS_PRIVATE": "1"}
    return subprocess.Popen([sys.executable, *arguments], env=os.environ | settings | environment, stderr=subprocess.PIPE)


def deliverer(database: Database) -> subprocess.Popen[bytes]:
    return started(database, "-c", SHORT_LEASE)


def test_deliverers_killed_at_any_moment_lose_nothing_and_never_send_at_once(world: World) -> None:
    place = world.place()
    at_random = random.Random(11)  # noqa: S311 - the same every time
    receiver = Receiver()
    receiver.delay = 0.05
    hook = place.made("webhooks", url=receiver.url)
    progress = f"{place.base}/webhooks/{hook['id']}/progress"
    start = world.operator.get(progress).json()["last_sequence"]
    with ExitStack() as stack:
        stack.callback(receiver.close)
        running = [deliverer(world.database) for _ in range(2)]

        def end() -> None:
            for process in running:
                process.kill()
                process.communicate()

        stack.callback(end)
        made = 0
        for turn in range(ROUNDS):
            until = time.monotonic() + 1.2 + at_random.random()
            while time.monotonic() < until:
                place.made("premises", name=f"Plot {made}", address="4 Sluice Lane", connection="irrigation")
                made += 1
                time.sleep(0.02)
            victim = turn % 2
            running[victim].kill()
            running[victim].communicate()
            running[victim] = deliverer(world.database)
        deadline = time.monotonic() + 75
        while world.operator.get(progress).json()["waiting"]:
            assert time.monotonic() < deadline
            time.sleep(0.1)
        feed = place.get("/changes", after=start, limit=500).json()["items"]
        assert made > ROUNDS * 10
        assert len(feed) == made
        assert receiver.once == feed
        assert receiver.most_at_once == 1


def test_without_a_key_the_command_says_what_is_missing(world: World) -> None:
    process = started(world.database, "-m", "service", "deliver", NONRETURN_WEBHOOK_KEY="")
    _, complained = process.communicate(timeout=30)
    assert process.returncode == 2
    assert b"NONRETURN_WEBHOOK_KEY_FILE" in complained


def test_the_command_sends_and_stops_on_a_signal(world: World) -> None:
    place = world.place()
    receiver = Receiver()
    hook = place.made("webhooks", url=receiver.url)
    process = started(world.database, "-m", "service", "deliver")
    try:
        place.recorded()
        deadline = time.monotonic() + 30
        while not receiver.taken:
            assert process.poll() is None, process.communicate()
            assert time.monotonic() < deadline
            time.sleep(0.05)
        process.send_signal(signal.SIGTERM)
        assert process.communicate(timeout=10)[1] == b""
        assert process.returncode == 0
        assert [one["resource"] for one in receiver.changes] == ["standings", "reports"]
    finally:
        process.kill()
        receiver.close()
    # Its lease is given back, so that the next one need not wait.
    rows = world.database.owner("SELECT lease FROM record.webhook_progress WHERE webhook_id = $1::uuid", hook["id"])
    assert [row["lease"] for row in rows] == [None]
