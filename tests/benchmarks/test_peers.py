"""The peers that the service is measured against do the same work: the same verdict, the same standing, the same rows and changes."""

import random
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import msgspec
import pytest
from msgspec.structs import replace

from tests.benchmarks.measure_reports import PEERS, US
from tests.benchmarks.peers import copy, pgbench
from tests.benchmarks.stage import Stage, serving, staged
from tests.support.databases import ask
from tests.support.fill import sample

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def stage() -> Iterator[Stage]:
    with staged() as made:
        made.fill("load-0", assemblies=40, years=2)
        yield made


def rows(stage: Stage, sql: str, *arguments: Any) -> list[Any]:
    """What the owner sees."""
    return list(ask(stage.owner_dsn, lambda connection: connection.fetch(sql, *arguments)))


def put(stage: Stage, port: int, document: dict[str, object]) -> tuple[str, dict[str, Any]]:
    report_id = str(uuid4())
    asked = urllib.request.Request(
        f"http://127.0.0.1:{port}/v1/utilities/load-0/reports/{report_id}",
        msgspec.json.encode(document),
        method="PUT",
        headers={"Authorization": f"Bearer {stage.key}", "Content-Type": "application/json"},
    )
    with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(asked, timeout=20) as answer:
        assert answer.status == 201
        return report_id, msgspec.json.decode(answer.read())


def test_every_peer_records_what_the_service_records(stage: Stage) -> None:
    source = random.Random(3)  # noqa: S311 - reproducible on purpose
    found: dict[str, tuple[Any, ...]] = {}
    # One report of each, on an assembly of its own kind and with the same readings; a passing test repeated is flagged, so days differ not.
    document = stage.report("load-0", source)
    for name in (US, *PEERS):
        arguments = ["service", "serve"] if name == US else ["uvicorn", f"tests.benchmarks.peers.{name}:app"]
        before = rows(stage, "SELECT changes, reports FROM record.utility_log WHERE utility_id = 'load-0'")[0]
        with serving(arguments, {"NONRETURN_DSN": stage.dsn}) as server:
            report_id, answer = put(stage, server.port, document)
        after = rows(stage, "SELECT changes, reports FROM record.utility_log WHERE utility_id = 'load-0'")[0]
        [row] = rows(
            stage, "SELECT verdict, outcome, protection, acceptance, leaf_hash FROM record.report WHERE id = $1", report_id
        )
        [kept] = rows(stage, "SELECT basis FROM record.standing WHERE assembly_id = $1", document["assembly_id"])
        assert (after["changes"] - before["changes"], after["reports"] - before["reports"]) == (2, 1)
        assert msgspec.json.decode(row["verdict"]) == answer["verdict"]
        assert len(row["leaf_hash"]) == 32
        # Whichever of the same reports comes last is the one that the standing names.
        standing = {member: value for member, value in answer["standing"].items() if member != "report_id"}
        basis = {
            member: value
            for member, value in msgspec.json.decode(kept["basis"]).items()
            if member not in ("report_id", "status", "since")
        }
        found[name] = (answer["verdict"]["findings"], row["outcome"], row["protection"], standing, basis)
    assert all(one == found[US] for one in found.values())


def test_the_limits_write_rows_too(stage: Stage) -> None:
    before = rows(stage, "SELECT count(*) FROM record.report")[0][0]
    text = pgbench.script("load-0", 40, *sample(stage.clock.now()))
    rate = pgbench.rate(stage.postgres.programs, stage.postgres.socket_directory, {"load-0": text}, connections=2, seconds=1)
    between = rows(stage, "SELECT count(*) FROM record.report")[0][0]
    assert rate > 0
    assert between > before
    row, standing = sample(stage.clock.now())
    assert copy.rate(stage.owner_dsn, {"load-0": [(replace(row, id=uuid4()), standing)]}) > 0
    assert rows(stage, "SELECT count(*) FROM record.report")[0][0] == between + 1


def test_measure_says_what_it_can(repository: Any) -> None:
    asked = [sys.executable, "-m", "tests.benchmarks", "--help"]
    result = subprocess.run(asked, cwd=repository, capture_output=True, text=True, check=True).stdout
    assert all(name in result for name in ("report", "batch", "verdict", "scale", "summary", "cold", "--json"))
