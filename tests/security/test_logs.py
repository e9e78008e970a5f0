"""What a real process logs, at its most talkative: never a key, wherever in a request it stood, nor a query, nor a body."""

import json
import subprocess
import sys
from uuid import uuid4

import httpx
import pytest

from tests.support.testers import free_ports, is_ready, until, working_in
from tests.support.world import Place, World, bearer

pytestmark = pytest.mark.slow
PRIVATE = "Nobody else's business 7731"
MARK = "MarkThatOpensAPage7731"


def test_no_key_and_no_mark_is_in_the_logs_of_a_real_process(world: World, place: Place) -> None:
    [port] = free_ports(1)
    environment = working_in(world.database.dsn) | {"NONRETURN_LOG": "debug", "PYTHONASYNCIODEBUG": "1"}
    arguments = [sys.executable, "-m", "service", "serve", "--port", str(port)]
    process = subprocess.Popen(arguments, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    until(lambda: is_ready(port))
    key = place.keys["testing_company"]
    made = world.made(f"/v1/organisations/{place.organisations['regulator']}/keys", label="new")["key"]
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=30, trust_env=False) as client:
        report = place.report(remarks=PRIVATE)
        assert client.put(f"{place.base}/reports/{uuid4()}", json=report, headers=bearer(key)).status_code == 201
        assert client.get(f"{place.base}/reports", headers=bearer(made)).status_code == 200
        # Refused, malformed, in the wrong place, and in the midst of failures.
        client.put(
            f"{place.base}/reports/{uuid4()}",
            content=f'{{"{PRIVATE}'.encode(),
            headers=bearer(key) | {"Content-Type": "application/json"},
        )
        client.get(f"{place.base}/reports", params={"key": key, "q": PRIVATE}, headers=bearer(key))
        client.get(f"{place.base}/reports", headers={"X-Api-Key": key, "Authorization": f"Basic {key}"})
        client.get(f"{place.base}/reports", headers=bearer(key + "x") | {"X-Request-Id": key})
        client.get(f"{place.base}/reports", headers={"Cookie": f"key={key}", "Referer": f"https://x.example/?{key}"})
        client.post(
            f"{place.base}/reports/batches", content=b"{\n", headers=bearer(key) | {"Content-Type": "application/x-ndjson"}
        )
        # Whoever has a mark may look, so it is as good as a key.
        mark = f"{uuid4()}.{MARK}"
        for path in (mark, f"{mark}/report.pdf", f"{mark}/receipt.jws", f"/{mark}", f"%2f{mark}"):
            client.get(f"/receipts/{place.code}/{path}")
        # A fault that nobody foresaw is logged with its trace.
        world.database.owner("ALTER TABLE record.gauge RENAME TO gauge_away")
        world.database.owner("ALTER TABLE record.report RENAME TO report_away")
        try:
            assert client.get(f"/receipts/{place.code}/{mark}").status_code == 500
            assert client.get(f"{place.base}/gauges", headers=bearer(key)).status_code == 500
        finally:
            world.database.owner("ALTER TABLE record.gauge_away RENAME TO gauge")
            world.database.owner("ALTER TABLE record.report_away RENAME TO report")
    process.terminate()
    logged, _ = process.communicate(timeout=40)
    # Where it serves is said in plain words besides.
    lines = [json.loads(line) for line in logged.splitlines() if line.startswith("{")]
    assert sum(line["message"] == "answered" for line in lines) >= 9
    assert any("trace" in line for line in lines)
    for secret in (key.split("_", 2)[2], made.split("_", 2)[2], PRIVATE, MARK, world.operator_key.split("_", 2)[2]):
        assert secret not in logged
