"""The commands as processes of their own: killed at any moment nothing answered is lost, and the demo starts, serves and stops."""

import asyncio
import json
import os
import random
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import asyncpg
import httpx
import pytest

from service.db.embedded import SERVICE
from service.db.pool import Pool
from service.record.reports.rejudging import rejudge_reports
from service.record.reports.store import ReportStore
from service.record.standings.work_out import rebuild_standings
from service.registry.store import RegistryStore
from tests.support.databases import ask, in_thread
from tests.support.world import Place, World, bearer

pytestmark = pytest.mark.slow

ROUNDS = 10


def command(*arguments: str) -> list[str]:
    """The `nonreturn` command line, by this Python."""
    return [sys.executable, "-m", "service", *arguments]


@contextmanager
def started(arguments: list[str], environment: dict[str, str]) -> Iterator[subprocess.Popen[bytes]]:
    """A process for as long as it is needed; it is killed if it still runs at the end."""
    process = subprocess.Popen(arguments, env=os.environ | environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def wait_until_ready(url: str, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        assert process.poll() is None, process.communicate()
        try:
            if httpx.get(f"{url}/readyz", trust_env=False).status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.02)
    raise AssertionError("The service did not become ready.")


async def send_until_killed(
    url: str, place: Place, process: subprocess.Popen[bytes], after: int, wait: float
) -> tuple[dict[UUID, Any], dict[UUID, Any]]:
    """Reports sent by several at once until the service is killed, some seconds after so many answers: those answered with 201, and all sent."""
    answered: dict[UUID, Any] = {}
    sent: dict[UUID, Any] = {}

    async def tester(client: httpx.AsyncClient, number: int) -> None:
        turn = 0
        while True:
            report_id, document = uuid4(), place.report(check=1.0 + number / 10 + turn / 1000, remarks=f"{number}.{turn}")
            sent[report_id] = document
            turn += 1
            try:
                answer = await client.put(f"{place.base}/reports/{report_id}", json=document)
            except httpx.TransportError:
                return
            assert answer.status_code == 201, answer.text
            answered[report_id] = answer.json()

    headers = bearer(place.keys["testing_company"])
    async with httpx.AsyncClient(base_url=url, headers=headers, timeout=20, trust_env=False) as client:
        testers = [asyncio.create_task(tester(client, number)) for number in range(8)]
        while len(answered) < after and not any(one.done() for one in testers):  # noqa: ASYNC110 - each counts for itself
            await asyncio.sleep(0.005)
        await asyncio.sleep(wait)
        process.kill()
        await asyncio.gather(*testers)
    return answered, sent


async def test_a_service_killed_while_it_writes_loses_nothing_that_was_answered(place: Place, world: World) -> None:
    at_random = random.Random(7)  # noqa: S311 - the same every time
    answered: dict[UUID, Any] = {}
    sent: dict[UUID, Any] = {}
    for _ in range(ROUNDS):
        port = free_port()
        url = f"http://127.0.0.1:{port}"
        with started(command("serve", "--port", str(port)), {"NONRETURN_DSN": world.database.dsn}) as process:
            wait_until_ready(url, process)
            more, tried = await send_until_killed(url, place, process, at_random.randrange(9, 60), at_random.random() / 20)
            answered |= more
            sent |= tried
            assert process.wait(10) == -signal.SIGKILL
    assert len(answered) > ROUNDS * 8
    rows = world.database.owner("SELECT id, log_index FROM record.report WHERE utility_id = $1 ORDER BY log_index", place.code)
    stored = {row["id"] for row in rows}
    assert set(answered) <= stored <= set(sent)
    assert [row["log_index"] for row in rows] == list(range(len(rows)))
    for report_id, answer in random.Random(1).sample(sorted(answered.items(), key=str), 20):  # noqa: S311 - a sample
        assert place.get(f"/reports/{report_id}").json()["verdict"] == answer["verdict"]
    # Whoever got no answer sends the same again: recorded before (200) or now (201), once in any case.
    unanswered = [one for one in sent if one not in answered]
    for report_id in unanswered:
        assert place.put(report_id, sent[report_id]).status_code == (200 if report_id in stored else 201)
    assert world.database.count("report") == len(sent)
    feed = world.database.owner("SELECT sequence FROM record.change WHERE utility_id = $1 ORDER BY sequence", place.code)
    assert [row["sequence"] for row in feed] == list(range(1, len(feed) + 1))
    pool = await Pool.open(world.database.dsn, size=2)
    assert await rebuild_standings(ReportStore(pool), await RegistryStore(pool).utility(place.code)) == []
    await pool.close()


def demo(data: Path, ready: Path, **environment: str) -> tuple[subprocess.Popen[bytes], dict[str, Any], float]:
    """The demo, once it serves: its process, what it writes for a program, and how long it took."""
    ready.unlink(missing_ok=True)
    began = time.monotonic()
    process = subprocess.Popen(
        command("demo", "--port", "0", "--data", str(data), "--ready", str(ready)),
        env={name: value for name, value in os.environ.items() if not name.startswith("NONRETURN")} | environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    while not ready.exists():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() - began < 60
        time.sleep(0.01)
    return process, json.loads(ready.read_text()), time.monotonic() - began


def stop(process: subprocess.Popen[bytes], data: Path) -> str:
    """Ctrl-C; what it had printed. Its Postgres is gone with it."""
    process.send_signal(signal.SIGINT)
    printed, complained = process.communicate(timeout=20)
    assert process.returncode == 0, complained
    assert not (data / "postmaster.pid").exists()
    return printed.decode()


async def everything_agrees(dsn: str, utility_code: str) -> int:
    """How many reports there are, once standings and verdicts have been found to agree with them."""
    pool = await Pool.open(dsn, size=2)
    try:
        utility = await RegistryStore(pool).utility(utility_code)
        assert await rebuild_standings(ReportStore(pool), utility) == []
        judged, differing = await rejudge_reports(ReportStore(pool), utility_code)
        assert differing == []
        return judged
    finally:
        await pool.close()


def test_the_demo_starts_serves_stops_and_starts_again(data: Path, tmp_path: Path) -> None:
    ready = tmp_path / "ready.json"
    process, result, first = demo(data, ready)
    try:
        assert set(result) == {"url", "utility", "keys", "assemblies", "testers", "gauges"}
        assert set(result["keys"]) == {"utility", "tester", "regulator"}
        assert set(result["assemblies"]) == {"rp", "rpda", "dc", "dcda", "pvb", "svb"}
        base = f"{result['url']}/v1/utilities/{result['utility']}"
        report = {
            "assembly_id": result["assemblies"]["pvb"],
            "tester_id": result["testers"][0],
            "gauge_id": result["gauges"][0],
            "performed_at": "2026-11-20T09:00:00-08:00",
            "reason": "periodic",
            "units": {"pressure": "psi"},
            "initial_test": {
                "shutoffs": {"inlet": "tight", "outlet": "tight"},
                "readings": [
                    {"component": "air_inlet", "opened": True, "opened_at": 1.4, "opened_fully": True},
                    {"component": "check", "closed_tight": True, "held_at": 0.6},
                ],
            },
        }
        with httpx.Client(trust_env=False, timeout=20) as client:
            listed = client.get(f"{base}/reports?limit=500", headers=bearer(result["keys"]["regulator"])).json()["items"]
            # Later than any test of the scenario, and not in the future.
            report["performed_at"] = listed[-1]["received_at"]
            answer = client.put(f"{base}/reports/{uuid4()}", json=report, headers=bearer(result["keys"]["tester"]))
            assert answer.status_code == 201, answer.text
            assert (answer.json()["verdict"]["outcome"], answer.json()["standing"]["protection"]) == ("fail", "degraded")
            premises = client.get(f"{base}/premises?limit=500", headers=bearer(result["keys"]["regulator"])).json()["items"]
            assert len(premises) == 40
            reported_to = client.get(f"{base}/notices/preview?limit=500", headers=bearer(result["keys"]["utility"])).json()[
                "items"
            ]
            assert reported_to
            assert not any(one["addressee"]["missing"] for one in reported_to)
            refused = client.put(f"{base}/reports/{uuid4()}", json=report, headers=bearer(result["keys"]["regulator"]))
            assert refused.status_code == 403
            receipt = client.get(
                f"{result['url']}{answer.headers['location']}/receipt", headers=bearer(result["keys"]["utility"])
            ).json()["receipt"]
        socket_directory = (data / "postmaster.pid").read_text().splitlines()[4]
        dsn = f"postgresql://{SERVICE}@/postgres?host={socket_directory}"
        assert in_thread(lambda: asyncio.run(everything_agrees(dsn, result["utility"]))) > 60
    finally:
        printed = stop(process, data)
    assert result["url"] in printed
    assert printed.count("curl ") >= 3
    with pytest.raises((OSError, asyncpg.PostgresError)):
        ask(dsn, lambda connection: connection.execute("SELECT 1"))

    process, again, seconds = demo(data, ready)
    try:
        # Nothing is made or filled in again; how many seconds that takes, `sh deploy/measure cold` states.
        assert seconds < 0.75 * first
        assert {name: again[name] for name in ("utility", "assemblies", "testers", "gauges")} == {
            name: result[name] for name in ("utility", "assemblies", "testers", "gauges")
        }
        url = f"{again['url']}/v1/utilities/{again['utility']}/assemblies/{again['assemblies']['pvb']}/standing"
        with httpx.Client(trust_env=False) as client:
            standing = client.get(url, headers=bearer(again["keys"]["utility"])).json()
            assert (standing["status"], standing["report_id"]) == ("failed", answer.json()["report"]["id"])
            # What signs outlives a start, for its owner alone.
            checked = client.post(f"{again['url']}/v1/receipts/verify", json={"receipt": receipt}).json()
            assert (checked["valid"], checked["on_record"]) == (True, "as_signed")
            [keys] = data.parent.glob("*-signing-keys.json")
            assert stat.S_IMODE(keys.stat().st_mode) == 0o600
            # The first start's keys ended with it.
            assert client.get(url, headers=bearer(result["keys"]["utility"])).status_code == 401
    finally:
        stop(process, data)


def test_a_key_is_made_by_the_command_and_serves(world: World, place: Place) -> None:
    environment = {"NONRETURN_DSN": world.database.dsn, "NONRETURN_ADMIN_DSN": world.database.owner_dsn}
    made = subprocess.run(
        command("key", "--kind", "regulator", "--name", "Office", "--utility", place.code),
        env=os.environ | environment,
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    assert world.client.get(f"{place.base}/reports", headers=bearer(made)).status_code == 200
    place.recorded()
    for asked in (
        ("rebuild", place.code),
        ("rejudge",),
        ("screen", place.code),
        ("audit", "--utility", place.code, "--rejudge", "--standings"),
    ):
        done = subprocess.run(command(*asked), env=os.environ | environment, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


def test_serving_says_where_in_a_line(world: World) -> None:
    with started(command("serve", "--port", "0"), {"NONRETURN_DSN": world.database.dsn}) as process:
        assert process.stdout is not None
        line = process.stdout.readline().decode()
        assert line.startswith("Nonreturn serves http://127.0.0.1:")
        url = line.split()[2]
        assert httpx.get(f"{url}/healthz", trust_env=False).status_code == 200
        process.terminate()
        assert process.wait(20) in (0, -signal.SIGTERM)
