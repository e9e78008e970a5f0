"""Testers at work against one or more services, and the promises that must hold afterwards whatever happened meanwhile.

They send single reports, reports with Idempotency-Keys, and batches, and send again what was not answered, as their programs would. At the
end every answered report is there once and as it was answered, an unanswered one once or not at all, and log, feed, standings, verdicts
and hashes all agree.
"""

import asyncio
import json
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Self
from uuid import UUID, uuid4

import asyncpg
import httpx

from tests.support.databases import Database
from tests.support.world import Place, bearer

TESTERS = 6


def working_in(dsn: str) -> dict[str, str]:
    """The environment of a command that works in that database."""
    ours = {name: value for name, value in os.environ.items() if not name.startswith("NONRETURN")}
    return ours | {"NONRETURN_DSN": dsn, "NONRETURN_LOG": "error"}


class Services:
    """Two service processes, each started again when it is gone."""

    def __init__(self, dsn: str | list[str], ports: list[int]) -> None:
        self.environments = [working_in(one) for one in ([dsn] * len(ports) if isinstance(dsn, str) else dsn)]
        self.environment = self.environments[0]
        self.ports = ports
        self.processes = [self._start(which) for which in range(len(ports))]

    def _start(self, which: int) -> subprocess.Popen[bytes]:
        arguments = [sys.executable, "-m", "service", "serve", "--port", str(self.ports[which])]
        return subprocess.Popen(arguments, env=self.environments[which], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def end(self, which: int, how: signal.Signals) -> None:
        """Signal one, wait until it is gone, and start it again."""
        self.processes[which].send_signal(how)
        self.processes[which].wait(40)
        self.processes[which] = self._start(which)

    def revive(self) -> None:
        """Start what ended by itself: a service that finds no database at its start gives up."""
        for which, process in enumerate(self.processes):
            if process.poll() is not None:
                self.processes[which] = self._start(which)

    def stop(self) -> None:
        """End both."""
        for process in self.processes:
            process.terminate()
        for process in self.processes:
            process.wait(40)


class Load:
    """Testers at work, and what they were answered."""

    def __init__(self, place: Place, urls: list[str]) -> None:
        self.place = place
        self.urls = urls
        self.answered: dict[str, str] = {}
        self.given_up: set[str] = set()
        self.made: Counter[str] = Counter()
        self.strange: list[str] = []
        self._stop = threading.Event()
        self._threads = [threading.Thread(target=self._work, args=(number,)) for number in range(TESTERS)]

    def __enter__(self) -> Self:
        for one in self._threads:
            one.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for one in self._threads:
            one.join(120)

    def _work(self, number: int) -> None:
        chance = random.Random(number)  # noqa: S311 - the same every time
        with httpx.Client(headers=bearer(self.place.keys["testing_company"]), timeout=15, trust_env=False) as client:
            while not self._stop.is_set():
                [self._put, self._post, self._batch][chance.randrange(3)](client, chance)

    def _document(self, chance: random.Random) -> dict[str, Any]:
        return self.place.report(check=round(chance.uniform(0.4, 3), 1), remarks=str(uuid4()))

    def _send(self, client: httpx.Client, chance: random.Random, method: str, path: str, **request: Any) -> httpx.Response | None:
        """The answer, asked for until there is one; None where the tester gave up."""
        while True:
            with suppress(httpx.TransportError):
                answer = client.request(method, f"{chance.choice(self.urls)}{self.place.base}{path}", **request)
                if answer.status_code in (200, 201):
                    return answer
                if answer.status_code != 503:
                    self.strange.append(f"{method} {path}: {answer.status_code} {answer.text[:300]}")
                    return None
            if self._stop.is_set() or chance.random() < 0.1:
                return None
            time.sleep(0.05)

    def _keep(self, report_id: str, verdict: Any) -> None:
        result = json.dumps(verdict, sort_keys=True)
        if self.answered.setdefault(report_id, result) != result:
            self.strange.append(f"{report_id} was answered in two ways")

    def _put(self, client: httpx.Client, chance: random.Random) -> None:
        report_id = str(uuid4())
        answer = self._send(client, chance, "PUT", f"/reports/{report_id}", json=self._document(chance))
        if answer is None:
            self.given_up.add(report_id)
            return
        self._keep(report_id, answer.json()["verdict"])
        if chance.random() < 0.1:
            again = self._send(client, chance, "GET", f"/reports/{report_id}")
            if again is not None:
                self._keep(report_id, again.json()["verdict"])

    def _post(self, client: httpx.Client, chance: random.Random) -> None:
        document, key = self._document(chance), str(uuid4())
        answer = self._send(client, chance, "POST", "/reports", json=document, headers={"Idempotency-Key": key})
        if answer is not None:
            self._keep(answer.json()["report"]["id"], answer.json()["verdict"])
            self.made[document["remarks"]] += 1

    def _batch(self, client: httpx.Client, chance: random.Random) -> None:
        lines = [{**self._document(chance), "id": str(uuid4())} for _ in range(chance.randint(2, 30))]
        body = "\n".join(json.dumps(line) for line in lines)
        headers = {"Content-Type": "application/x-ndjson"}
        left = {str(line["id"]) for line in lines}
        while left and not self._stop.is_set():
            # A stream that breaks off has answered the lines that arrived; the batch is sent again whole.
            with (
                suppress(httpx.TransportError),
                client.stream(
                    "POST", f"{chance.choice(self.urls)}{self.place.base}/reports/batches", content=body, headers=headers
                ) as answer,
            ):
                if answer.status_code == 200:
                    for result in answer.iter_lines():
                        one = json.loads(result)
                        if one["status"] in (200, 201):
                            self._keep(one["id"], one["verdict"])
                            left.discard(one["id"])
                        elif one["status"] != 503:
                            self.strange.append(result[:300])
                # A key has so many batches at once, those whose stream broke a moment ago among them: 429, come again.
                elif answer.status_code not in (429, 503):
                    self.strange.append(f"batch: {answer.status_code}")
            time.sleep(0.02)
        self.given_up |= left


def until(holds: Any, seconds: float = 30) -> None:
    """Wait until that holds."""
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.05)


@contextmanager
def locked(database: Database, statement: str) -> Iterator[None]:
    """Something locked, so that whoever needs it waits: what a slow database looks like from outside."""
    ready, done = threading.Event(), threading.Event()

    async def held() -> None:
        connection = await asyncpg.connect(database.owner_dsn)
        async with connection.transaction():
            await connection.execute(statement)
            ready.set()
            await asyncio.to_thread(done.wait)
        await connection.close()

    thread = threading.Thread(target=lambda: asyncio.run(held()))
    thread.start()
    assert ready.wait(20)
    try:
        yield
    finally:
        done.set()
        thread.join()


def is_ready(port: int) -> bool:
    """Whether the service at that port is ready."""
    try:
        return httpx.get(f"http://127.0.0.1:{port}/readyz", trust_env=False).status_code == 200
    except httpx.TransportError:
        return False


def free_ports(count: int) -> list[int]:
    sockets = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    ports = [one.getsockname()[1] for one in sockets]
    for one in sockets:
        one.close()
    return ports


def wait_for_postgres(database: Database) -> None:
    deadline = time.monotonic() + 60
    while True:
        try:
            database.owner("SELECT 1")
        except Exception:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.05)
        else:
            return


def command(environment: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "service", *arguments], env=environment, capture_output=True, text=True, check=False
    )


def hold(load: Load, database: Database, environment: dict[str, str], *, more_than: int) -> None:
    """Every promise, one after another."""
    assert load.strange == [], load.strange[:3]
    assert len(load.answered) > more_than
    place = load.place
    rows = database.owner(
        "SELECT id, log_index, verdict, content::jsonb ->> 'remarks' AS remarks FROM record.report WHERE utility_id = $1 ORDER BY log_index",
        place.code,
    )
    stored = {str(row["id"]): row for row in rows}
    # Answered: there, once, as it was answered. A primary key makes an id once; a retried POST is known by what it said.
    assert set(load.answered) <= set(stored)
    for report_id, result in load.answered.items():
        assert json.dumps(json.loads(stored[report_id]["verdict"]), sort_keys=True) == result
    said = Counter(row["remarks"] for row in rows)
    assert set(said.values()) == {1}
    # Nothing is there that nobody sent: what is neither answered nor given up was a POST whose sender gave up.
    others = [one for one in stored if one not in load.answered and one not in load.given_up]
    assert all(UUID(one).version == 7 for one in others)
    # The log and the feed have no gaps, and list each report once.
    assert [row["log_index"] for row in rows] == list(range(len(rows)))
    feed = database.owner("SELECT sequence, resource, id FROM record.change WHERE utility_id = $1 ORDER BY sequence", place.code)
    assert [row["sequence"] for row in feed] == list(range(1, len(feed) + 1))
    assert sorted(row["id"] for row in feed if row["resource"] == "reports") == sorted(stored)
    # Standings, verdicts and hashes follow from the reports.
    for arguments in (["rebuild", place.code], ["rejudge", place.code], ["audit", "--utility", place.code]):
        done = command({**environment, "NONRETURN_ADMIN_DSN": database.owner_dsn}, *arguments)
        assert done.returncode == 0, (arguments, done.stdout[-1000:], done.stderr[-1000:])
