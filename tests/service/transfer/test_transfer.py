"""Export and restore: what comes out of one database goes into another and comes out of it the same, to the byte."""

import asyncio
import hashlib
import json
import os
import random
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest

from service.db.embedded import EmbeddedPostgres
from service.db.pool import Pool
from service.ledger.audit import Audited, audit
from service.ledger.store import LogStore
from service.problems import ProblemError
from service.record.reports.rejudging import rejudge_reports
from service.record.reports.store import ReportStore
from service.signing import KeyRing
from service.transfer.export_restore import Restored, restore
from service.transfer.store import OWNED
from tests.fuzzing.fuzz import changed_json
from tests.service.notices import test_notices
from tests.service.record.incidents import test_exceptions, test_incidents
from tests.service.record.inspections import test_inspections as inspections
from tests.service.record.reviews import test_reviews
from tests.support.databases import Database, fresh_database, in_thread
from tests.support.world import SIGNING_KEYS, Place, World, bearer, world_in


@pytest.fixture
def world(signed_world: World) -> World:
    """A world that signs, for the heads of the log go with an export."""
    return signed_world


@pytest.fixture
def place(signed_place: Place) -> Place:
    """A utility of this test's own."""
    return signed_place


COUNT = "SELECT count(*) FROM record.{} WHERE utility_id = $1"

FILLED = (
    "utility",
    "premises",
    "assembly",
    "tester",
    "gauge",
    "report",
    "review",
    "hazard_assessment",
    "report_request",
    "standing",
    "incident",
    "incident_version",
    "incident_reach",
    "exception",
)


def filled(place: Place) -> None:
    """Give a utility one of everything that the record knows: odd letters, a correction, a repeated request, a failing test."""
    place.made(
        "premises",
        name="Ünter “den” Linden \\ 😀",
        address="2 Lock\nLane",
        connection="fire",
        reference="C-1",
        location={"latitude": 47.123456789012345, "longitude": -122.1},
    )
    place.new_assembly("rp", nominal_size={"size": 0.1, "units": {"length": "ft"}}, installed_on="2020-02-29", in_service=False)
    old = place.new_assembly("pvb")
    marks: dict[str, Any] = {"manufacturer": "Wren", "approval": "approved", "location": {"latitude": 1, "longitude": 2}}
    place.new_assembly("pvb", replaces=old, installed_on="2026-05-30", **marks)
    wrong = place.recorded(check=0.6, remarks="Ärger\t\u2028 with the \\ valve")["report"]["id"]
    corrected = place.recorded(check=1.7, supersedes=wrong, supersedes_because="misread")["report"]["id"]
    test_reviews.decide(place, corrected, "accepted").raise_for_status()
    assessed = {"premises_id": place.premises, "assessed_on": "2026-05-01", "assessed_by": "Office", "hazard": "health"}
    wrong = place.made("hazard-assessments", **assessed)["id"]
    place.made("hazard-assessments", **assessed | {"hazard": "severe", "supersedes": wrong, "supersedes_because": "misread"})
    again = {**bearer(place.keys["utility"]), "Idempotency-Key": "monday-7"}
    for status in (201, 200):
        answer = place.world.client.post(f"{place.base}/reports", json=place.report(check=1.3), headers=again)
        assert answer.status_code == status
    place.world.clock.pass_by(days=3, microseconds=123457)
    place.recorded(check=0.4)
    gap = place.new_assembly("air_gap")
    short = inspections.recorded(place, gap, installation=inspections.SHORT)["inspection"]["id"]
    inspections.recorded(place, gap, supersedes=short, supersedes_because="misread", tester_id=None, inspected_by="Office")
    test_incidents.put(place, str(uuid4()), test_incidents.incident(place)).raise_for_status()
    test_exceptions.put(place, str(uuid4()), test_exceptions.exception(place)).raise_for_status()
    test_notices.run(place)
    place.get("/log/head").raise_for_status()
    place.made(
        "incidents", occurred_at="2026-06-02T01:00:00Z", status="suspected", description="Brown water", premises=[place.premises]
    )
    place.made(
        "exceptions",
        assembly_id=place.assembly,
        since="2026-06-02",
        until="2026-12-31",
        reason="premises_empty",
        because="Empty",
        granted_by="Office",
    )


def exported(place: Place, key: str = "utility") -> bytes:
    answer = place.get("/export", key)
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/x-ndjson"), answer.text
    return answer.content


def restored(database: Database, export: bytes) -> Restored:
    async def act() -> Restored:
        pool = await Pool.open(database.dsn, size=2)
        try:
            return await restore(pool, export.splitlines(keepends=True))
        finally:
            await pool.close()

    return in_thread(lambda: asyncio.run(act()))  # type: ignore[no-any-return]


def test_a_restored_utility_is_the_same_to_the_byte_and_lives_on(
    place: Place, world: World, postgres: EmbeddedPostgres, template: str
) -> None:
    filled(place)
    first = exported(place)
    lines = [json.loads(line) for line in first.splitlines()]
    rows = {owned.table: world.database.owner(COUNT.format(owned.table), place.code)[0][0] for owned in OWNED}
    assert lines[-1]["rows"] == {table: count for table, count in rows.items() if count}
    assert all(rows[table] > 0 for table in FILLED)
    assert lines[-1]["sha256"] == hashlib.sha256(b"".join(first.splitlines(keepends=True)[:-1])).hexdigest()
    with fresh_database(postgres, template) as other:
        result = restored(other, first)
        assert (result.utility, result.rows, result.differing) == (place.code, lines[-1]["rows"], [])
        with world_in(other, signing_keys=SIGNING_KEYS) as there:
            there.clock.moment = world.clock.moment
            headers = bearer(there.operator_key)
            assert there.client.get(f"{place.base}/export", headers=headers).content == first
            for path in (
                "/reports?limit=500",
                "/standings?limit=500",
                "/assemblies",
                "/premises",
                "/testers",
                "/gauges",
                "/incidents",
                "/exceptions",
            ):
                here = world.client.get(place.base + path, headers=bearer(world.operator_key)).json()
                assert there.client.get(place.base + path, headers=headers).json() == here
            # The next report takes the next place in the log, and the feed lists everything from its first number on.
            answer = there.client.put(f"{place.base}/reports/{uuid4()}", json=place.report(), headers=headers)
            assert answer.status_code == 201, answer.text
            kept = there.client.get(f"{place.base}/reports/{answer.json()['report']['id']}", headers=headers).json()
            assert kept["report"]["log_index"] == lines[-1]["rows"]["report"]
            feed = there.client.get(f"{place.base}/changes?limit=500", headers=headers).json()["items"]
            assert [one["sequence"] for one in feed] == list(range(1, len(feed) + 1))
            assert {one["id"] for one in feed if one["resource"] in ("reports", "inspections")} >= {
                line["row"]["id"] for line in lines if line.get("table") == "report"
            }

        async def rejudged() -> Any:
            pool = await Pool.open(other.dsn, size=1)
            try:
                return await rejudge_reports(ReportStore(pool), place.code)
            finally:
                await pool.close()

        assert in_thread(lambda: asyncio.run(rejudged())) == (lines[-1]["rows"]["report"] + 1, [])

        async def audited() -> Audited:
            pool = await Pool.open(other.dsn, size=1)
            try:
                return await audit(LogStore(pool), KeyRing(SIGNING_KEYS).keys(), place.code, [], lambda _done, _of: None)
            finally:
                await pool.close()

        assert in_thread(lambda: asyncio.run(audited())) == Audited(reports=lines[-1]["rows"]["report"] + 1, heads=1, troubles=[])
        with pytest.raises(ProblemError, match="already has records of utility"):
            restored(other, first)


def sealed(lines: list[bytes]) -> bytes:
    """Lines with a last line that fits them."""
    counts: dict[str, int] = {}
    for line in lines[1:]:
        table = json.loads(line.decode(errors="replace")).get("table")
        counts[str(table)] = counts.get(str(table), 0) + 1
    body = b"".join(lines)
    return body + json.dumps({"rows": counts, "sha256": hashlib.sha256(body).hexdigest()}).encode() + b"\n"


def test_what_is_damaged_or_forged_is_not_restored_and_leaves_nothing(
    place: Place, postgres: EmbeddedPostgres, template: str
) -> None:
    filled(place)
    whole = exported(place)
    lines = whole.splitlines(keepends=True)
    report = next(n for n, line in enumerate(lines) if line.startswith(b'{"table":"report"'))

    def with_report(change: dict[str, Any]) -> bytes:
        result = json.loads(lines[report])
        result["row"] |= change
        return sealed([*lines[:report], json.dumps(result).encode() + b"\n", *lines[report + 1 : -1]])

    row = json.loads(lines[report])["row"]
    bad = {
        "cut short": b"".join(lines[:-1]),
        "contradict each other": with_report({"content": row["content"].replace('"held_at":0.6', '"held_at":1.6')}),
        "contradict each other .1": with_report({"verdict": row["verdict"].replace('"fail"', '"pass"')}),
        "have a gap|not so many reports": with_report({"log_index": 77}),
        "shortened or changed|cut short or changed": whole.replace(b"Plot 1", b"Plot 2"),
        "cannot be stored": with_report({"utility_id": "another"}),
        "not a line of an export": b"{\n",
        "not an export in format": b'{"nonreturn_export": 9, "utility": "x"}\n',
        "rows in the order": sealed([lines[0], lines[report]]) + b""
        if report < 0
        else sealed([lines[0], lines[report], lines[1]]),
        "continues after its last line": whole + lines[1],
        # Found by fuzzing: what is no UTF-8, and a report nested so deeply that reading it fails, ended in a trace.
        "Line 2 is not a line of an export": sealed([*lines[:1], lines[1].replace(b" water", b"\xa2water"), *lines[2:-1]]),
        "one of the lines nested|contradict each other": with_report({"content": "[" * 100_000}),
    }
    with fresh_database(postgres, template) as other:
        for says, export in bad.items():
            with pytest.raises(ProblemError, match=says):
                restored(other, export)
        assert [other.count(owned.table) for owned in OWNED] == [0] * len(OWNED)


@pytest.mark.slow
def test_however_an_export_was_changed_it_is_restored_whole_or_refused_in_words(
    place: Place, postgres: EmbeddedPostgres, template: str
) -> None:
    """Values of its rows changed at random, with a last line that fits again: what is checked here, and what Postgres alone sees."""
    filled(place)
    lines = exported(place).splitlines(keepends=True)
    chance = random.Random(7)  # noqa: S311 - the same every time
    outcomes: Counter[str] = Counter()
    with fresh_database(postgres, template) as other:
        for turn in range(120):
            at = chance.randrange(1, len(lines) - 1)
            changed = lines[at]
            while changed == lines[at]:
                changed = changed_json(lines[at], chance) or lines[at]
            line = changed.strip() + b"\n"
            # Each try is another utility's, so that one that is restored does not stand in the next one's way.
            made = [one.replace(place.code.encode(), b"try-%d" % turn) for one in [*lines[:at], line, *lines[at + 1 : -1]]]
            try:
                restored(other, sealed(made))
            except ProblemError:
                outcomes["refused"] += 1
            else:
                outcomes["restored"] += 1
        # All of it or nothing.
        assert other.count("utility") == outcomes["restored"]
    assert min(outcomes["refused"], outcomes["restored"]) > 10, outcomes


def test_who_may_register_may_export_and_nobody_else_sees_it(place: Place, world: World) -> None:
    other = world.place()
    assert exported(place) == world.client.get(f"{place.base}/export", headers=bearer(world.operator_key)).content
    assert place.get("/export", "testing_company").status_code == 403
    assert place.get("/export", "regulator").status_code == 403
    assert world.client.get(f"{place.base}/export", headers=bearer(other.keys["utility"])).status_code == 404
    assert b"another" not in exported(other)
    assert place.code.encode() not in exported(other)


@pytest.mark.slow
def test_the_commands_write_a_file_and_restore_it(
    place: Place, tmp_path: Path, postgres: EmbeddedPostgres, template: str
) -> None:
    filled(place)
    file = tmp_path / "utility.ndjson"

    def run(database: Database, *arguments: str) -> subprocess.CompletedProcess[str]:
        environment = os.environ | {"NONRETURN_DSN": database.dsn}
        return subprocess.run(
            [sys.executable, "-m", "service", *arguments],
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )

    assert run(place.world.database, "export", place.code, "--to", str(file)).returncode == 0
    assert file.read_bytes() == exported(place)
    with fresh_database(postgres, template) as other:
        assert run(other, "restore", str(file)).returncode == 0
        assert run(other, "export", place.code).stdout == file.read_text(encoding="utf-8")
        again = run(other, "restore", str(file))
        assert (again.returncode, again.stderr.startswith("nonreturn: The database already has records")) == (1, True)
