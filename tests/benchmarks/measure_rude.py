"""One rude caller (goal 6): while one address without a key does its worst, another address's PUT is answered within 250 ms at p99.

One worker. The rude caller is `rude.py`; reports come from the address that everybody else here has, on kept connections and on new ones.
"""

import http.client
import json
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import suppress
from typing import Any

from tests.benchmarks.stage import REPOSITORY, Server, Stage, serving, staged
from tests.support import table

GOAL_MS = 250.0
SENDERS = 4
PAUSE = 0.02
"""Each sender waits so long after an answer, in seconds: reports as some portals send them, not a load of its own."""


def measure(*, seconds: float) -> dict[str, Any]:
    """The times of reports, by their names in the answer, in ms."""
    with staged() as stage:
        stage.fill("load-0", assemblies=2_000, years=1)
        # The limits are those of a service as it is set up; only the sender's own address is not held to new connections.
        environment = {"NONRETURN_DSN": stage.dsn, "NONRETURN_OPEN_RATE": "", "NONRETURN_RATE": ""}
        with serving(["service", "serve"], environment) as server:
            calm = times(stage, server, seconds / 2)
            with RudeCaller(server.port, seconds) as seen:
                attacked = times(stage, server, seconds - 1)
            memory = server.memory()
    rows = [
        [name, len(run), run[len(run) // 2], run[len(run) * 99 // 100], run[-1]]
        for name, run in (("by themselves", calm), ("beside a rude caller", attacked))
    ]
    table.show("Reports of one address, one worker, ms", ["", "reports", "p50", "p99", "most"], rows)
    print(f"The rude caller saw: {dict(sorted(seen.items()))}. Worker: {memory:.0f} MB.")
    return {"rude_put_p99_ms": attacked[len(attacked) * 99 // 100], "rude_worker_mb": memory}


def times(stage: Stage, server: Server, seconds: float) -> list[float]:
    """The times to the answers of reports, in ms, in rising order; RuntimeError where one was not recorded."""
    until, found, wrong = time.monotonic() + seconds, list[float](), list[Any]()
    threads = [threading.Thread(target=_send, args=(stage, server.port, seed, until, found, wrong)) for seed in range(SENDERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if wrong or not found:
        raise RuntimeError(f"{len(wrong)} reports were not recorded, such as {wrong[:1]}")
    return sorted(found)


def _send(stage: Stage, port: int, seed: int, until: float, found: list[float], wrong: list[Any]) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    for number, request in enumerate(stage.puts(400, seed)):
        if time.monotonic() >= until:
            break
        if number % 20 == 0:
            connection.close()
        head, _, body = request.partition(b"\r\n\r\n")
        line, *headers = head.decode().split("\r\n")
        method, path, _ = line.split(" ")
        begun = time.perf_counter()
        try:
            connection.request(method, path, body, dict(header.split(": ", 1) for header in headers))
            answer = connection.getresponse()
            result = answer.read()
        except OSError as error:
            wrong.append(repr(error))
            connection.close()
            continue
        found.append((time.perf_counter() - begun) * 1000)
        if answer.status != 201:
            wrong.append((answer.status, result[:500]))
        time.sleep(PAUSE)
    connection.close()


class RudeCaller:
    """A rude caller for as long as the block lasts, at the most for so many seconds."""

    def __init__(self, port: int, seconds: float) -> None:
        self._arguments = [sys.executable, "-m", "tests.benchmarks.rude", str(port), str(seconds)]
        self._seconds = seconds

    def __enter__(self) -> Counter[str]:
        self.seen: Counter[str] = Counter()
        self._process = subprocess.Popen(self._arguments, cwd=REPOSITORY, stdout=subprocess.PIPE)
        time.sleep(0.5)
        return self.seen

    def __exit__(self, *_: object) -> None:
        with suppress(subprocess.TimeoutExpired):
            self.seen.update(json.loads(self._process.communicate(timeout=self._seconds + 30)[0] or b"{}"))
        self._process.kill()
