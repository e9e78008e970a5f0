"""The database's machine loses its power, as near as a process can: Postgres is killed whole while reports are written."""

import threading
import time
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest

from service.db.migrate import migrate
from tests.support.databases import Database, in_thread
from tests.support.keeper import Kept
from tests.support.world import world_in

pytestmark = pytest.mark.slow


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
