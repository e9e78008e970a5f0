"""A database that is full, slow, or has no connection free: answered 503 with `Retry-After`, nothing answered is lost, and it passes."""

import asyncio
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest

from service.db import pool
from service.db.embedded import SERVICE
from service.db.migrate import migrate
from service.record.reports import submit as records
from tests.support.databases import Database, data_folder, in_thread
from tests.support.keeper import Kept
from tests.support.replicas import world_of
from tests.support.testers import Load, hold, locked, until, working_in
from tests.support.world import Place, World, bearer

pytestmark = pytest.mark.slow
DISK_MB = 160


@contextmanager
def small_disk() -> Iterator[Path]:
    """A file system of its own for a Postgres's data; skipped where none may be mounted."""
    with data_folder() as data:
        data.mkdir(parents=True)
        mount = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(data)]
        if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
            pytest.skip("No file system may be mounted here.")
        try:
            yield data / "postgres"
        finally:
            subprocess.run(["umount", "-l", str(data)], check=True)


def fill(folder: Path) -> Path:
    """A file that takes all the room there is."""
    filler = folder / "filler"
    # Unbuffered, or closing it would write what is left over and fail once more.
    with filler.open("wb", buffering=0) as file, pytest.raises(OSError, match="No space"):  # noqa: PT012 - until it is full
        while True:
            file.write(bytes(1 << 16))
    return filler


def test_a_full_disk_is_reported_and_once_there_is_room_reports_go_on() -> None:
    with small_disk() as data:
        server = Kept(data)
        try:
            in_thread(lambda: migrate(server.dsn()))
            database = Database(server, "postgres")
            with world_of(database) as world:
                place = world.place()
                with Load(place, [world.url]) as load:
                    until(lambda: len(load.answered) > 20)
                    filler = fill(data.parent)
                    until(lambda: _refuses(place, load), 60)
                    filler.unlink()
                    # Postgres ends itself where it cannot write its log; then somebody has to start it again.
                    time.sleep(1)
                    if not server.leader.is_running() or server.leader.status() == "zombie":
                        server.kill_whole()
                        server = Kept(data)
                    answered = len(load.answered)
                    until(lambda: len(load.answered) > answered + 20, 60)
                hold(load, database, working_in(server.dsn(SERVICE)), more_than=answered)
        finally:
            server.stop()


def _refuses(place: Place, load: Load) -> bool:
    """Whether a report cannot be recorded just now; the answer is a problem with `Retry-After`."""
    report_id = uuid4()
    # One of those that may be there or not: it is not sent again.
    load.given_up.add(str(report_id))
    answer = place.put(report_id, place.report(remarks=str(uuid4())))
    if answer.status_code == 201:
        return False
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/unavailable"), answer.text
    assert int(answer.headers["retry-after"]) >= 1
    return True


def waiting(world: World) -> float:
    """How many reports wait to be written."""
    [line] = [one for one in world.client.get("/metrics").text.splitlines() if one.startswith("nonreturn_reports_waiting ")]
    return float(line.split()[1])


async def test_reports_that_a_slow_database_cannot_take_are_turned_away_and_the_others_recorded(
    world: World, place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    most, sent = 30, 150
    monkeypatch.setattr(records, "MOST_WAITING", most)
    documents = {str(uuid4()): place.report(remarks=str(n)) for n in range(sent)}
    headers = bearer(place.keys["testing_company"])
    async with httpx.AsyncClient(base_url=world.url, timeout=60, headers=headers, trust_env=False) as client:

        async def put(report_id: str) -> tuple[str, httpx.Response]:
            return report_id, await client.put(f"{place.base}/reports/{report_id}", json=documents[report_id])

        with locked(world.database, "SELECT FROM record.utility_log FOR UPDATE"):
            tasks = [asyncio.create_task(put(one)) for one in documents]
            # Whoever is turned away is answered at once, while the rest wait, no more of them than the bound says.
            at_once = sent - most - records.MOST_TOGETHER
            deadline = time.monotonic() + 20
            while sum(task.done() for task in tasks) < at_once:
                assert time.monotonic() < deadline
                await asyncio.sleep(0.05)
            assert await asyncio.to_thread(waiting, world) <= most
        answers = dict(await asyncio.gather(*tasks))
        refused = [one for one, answer in answers.items() if answer.status_code == 503]
        assert len(refused) >= at_once
        assert {answers[one].headers["retry-after"] for one in refused} == {"1"}
        assert {answer.status_code for one, answer in answers.items() if one not in refused} == {201}
        stored = {
            str(row["id"]) for row in world.database.owner("SELECT id FROM record.report WHERE utility_id = $1", place.code)
        }
        assert stored == set(answers) - set(refused)
        for one in refused:
            answer = (await put(one))[1]
            assert answer.status_code == 201, answer.text


async def test_where_no_connection_is_free_callers_are_refused_and_the_rest_of_the_service_lives(
    world: World, place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pool, "LOAN_SECONDS", 1.0)
    headers = bearer(place.keys["utility"])
    async with httpx.AsyncClient(base_url=world.url, timeout=60, headers=headers, trust_env=False) as client:

        async def get() -> httpx.Response:
            return await client.get(f"{place.base}/premises")

        assert (await get()).status_code == 200
        with locked(world.database, "LOCK TABLE record.premises IN ACCESS EXCLUSIVE MODE"):
            held = [asyncio.create_task(get()) for _ in range(8)]
            await asyncio.sleep(0.5)
            answers = await asyncio.gather(*(get() for _ in range(5)), client.get("/readyz"))
            assert {one.status_code for one in answers} == {503}
            assert {one.headers["retry-after"] for one in answers} == {"2"}
            assert (await client.get("/healthz")).status_code == 200
            # The rules need no database.
            assert (await client.get("/v1/rulebooks")).status_code == 200
        freed: list[Any] = await asyncio.gather(*held)
        assert {one.status_code for one in freed} == {200}
        assert (await client.get("/readyz")).status_code == 200
