"""Reports that come together are written together: every one is answered, stored once, and fails alone where it fails."""

import asyncio
import datetime as dt
from typing import Any
from uuid import UUID, uuid4

import httpx
import msgspec
import pytest

from service.auth.access import Principal
from service.db.pool import Pool
from service.http.problem_details import headers_of, status_of
from service.problems import ProblemError
from service.record.reports import submit as records
from service.record.reports.rejudging import rejudge_reports
from service.record.reports.schemas import ReportFacts, Submission
from service.record.reports.store import ReportSession, ReportStore
from service.record.reports.submit import Submissions
from service.record.standings.work_out import rebuild_standings
from service.registry.store import RegistryStore
from tests.support.world import Place, World, bearer, phase


async def send(place: Place, documents: list[tuple[UUID, dict[str, Any]]]) -> list[httpx.Response]:
    """The answers to those reports, all under way at once."""
    headers = bearer(place.keys["testing_company"])
    limits = httpx.Limits(max_connections=100)
    async with httpx.AsyncClient(base_url=place.world.url, headers=headers, timeout=60, limits=limits, trust_env=False) as client:
        asked = [client.put(f"{place.base}/reports/{one}", json=document) for one, document in documents]
        return list(await asyncio.gather(*asked))


async def test_two_hundred_reports_at_once_are_all_answered_and_stored_once(place: Place, world: World) -> None:
    assemblies = [place.assembly, *(place.new_assembly("pvb") for _ in range(4))]
    documents = [
        (
            uuid4(),
            place.report(
                assembly_id=assemblies[n % 5], check=1.0 + n / 1000, performed_at=f"2026-05-{1 + n // 10:02}T09:00:00-07:00"
            ),
        )
        for n in range(200)
    ]
    # Every tenth is sent twice, as a shaky network does.
    answers = await send(place, documents + documents[::10])
    assert sorted(one.status_code for one in answers) == [200] * 20 + [201] * 200
    rows = world.database.owner("SELECT id, log_index FROM record.report WHERE utility_id = $1 ORDER BY log_index", place.code)
    assert {row["id"] for row in rows} == {one for one, _ in documents}
    assert [row["log_index"] for row in rows] == list(range(200))
    [log] = world.database.owner("SELECT reports, changes FROM record.utility_log WHERE utility_id = $1", place.code)
    feed = world.database.owner(
        "SELECT sequence, id, resource FROM record.change WHERE utility_id = $1 ORDER BY sequence", place.code
    )
    assert log["reports"] == 200
    assert [row["sequence"] for row in feed] == list(range(1, log["changes"] + 1))
    assert [row["id"] for row in feed if row["resource"] == "reports"] == [str(row["id"]) for row in rows]
    for n, assembly in enumerate(assemblies):
        newest = max((document["performed_at"], str(one)) for one, document in documents[n::5])
        assert place.standing(assembly)["since"] == newest[0][:10]
        listed = place.get(f"/assemblies/{assembly}/reports").json()["items"]
        assert len(listed) == 40


async def test_of_the_same_id_with_two_contents_one_is_recorded(place: Place, world: World) -> None:
    report_id = uuid4()
    answers = await send(place, [(report_id, place.report(check=1.0 + n / 10)) for n in range(8)])
    assert sorted(one.status_code for one in answers) == [201] + [409] * 7
    [row] = world.database.owner("SELECT content FROM record.report WHERE utility_id = $1", place.code)
    [good] = [one.json() for one in answers if one.status_code == 201]
    assert good["report"]["initial_test"] == msgspec.json.decode(row["content"])["initial_test"]


async def test_of_many_corrections_of_one_report_one_is_recorded(place: Place) -> None:
    wrong = place.recorded(check=0.6)["report"]["id"]
    answers = await send(
        place, [(uuid4(), place.report(check=1.6, supersedes=wrong, supersedes_because="misread")) for _ in range(8)]
    )
    assert sorted(one.status_code for one in answers) == [201] + [409] * 7


async def test_bad_reports_among_good_ones_fail_alone(place: Place) -> None:
    documents = [(uuid4(), place.report(tester_id=str(uuid4())) if n % 5 == 0 else place.report()) for n in range(40)]
    answers = await send(place, documents)
    assert [one.status_code for one in answers] == [422 if n % 5 == 0 else 201 for n in range(40)]


class Bench:
    """The way in for reports, driven without HTTP, on one place's things."""

    def __init__(self, place: Place, pool: Pool) -> None:
        self.place = place
        self.store = ReportStore(pool)
        self.registry = RegistryStore(pool)
        self.submissions = Submissions(self.store, place.world.clock)

    def submission(self, **changes: Any) -> Submission:
        """A report on its way in."""
        principal = Principal(
            key_id=uuid4(),
            organisation_id=UUID(self.place.organisations["testing_company"]),
            kind="testing_company",
            rights=frozenset({"report"}),
            utilities=frozenset({self.place.code}),
        )
        facts = msgspec.convert(self.place.report(**changes), ReportFacts, strict=False)
        return Submission(id=uuid4(), facts=facts, principal=principal, received_at=self.place.world.clock.now())

    async def submit(self, submissions: list[Submission]) -> list[Any]:
        """What each gets."""
        asked = [self.submissions.submit(self.place.code, one) for one in submissions]
        return list(await asyncio.gather(*asked, return_exceptions=True))


async def opened(place: Place) -> tuple[Pool, Bench]:
    pool = await Pool.open(place.world.database.dsn, size=4)
    return pool, Bench(place, pool)


async def test_a_group_that_fails_is_tried_one_by_one(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    pool, bench = await opened(place)
    submissions = [bench.submission() for _ in range(6)]
    poisoned = submissions[3].id
    record = ReportSession.record
    sizes = []

    async def failing(self: ReportSession, reports: Any, *rest: Any, seen: int | None) -> bool:
        sizes.append(len(reports))
        if any(one.id == poisoned for one in reports):
            raise RuntimeError("a fault of this report's own")
        return await record(self, reports, *rest, seen=seen)

    monkeypatch.setattr(ReportSession, "record", failing)
    results = await bench.submit(submissions)
    assert sizes == [6, 1, 1, 1, 1, 1, 1]
    assert isinstance(results[3], RuntimeError)
    assert all(one.fresh for n, one in enumerate(results) if n != 3)
    rows = place.world.database.owner("SELECT id FROM record.report WHERE utility_id = $1", place.code)
    assert {row["id"] for row in rows} == {one.id for one in submissions} - {poisoned}
    await pool.close()


async def test_too_many_waiting_are_turned_away_with_a_time_to_come_again(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(records, "MOST_WAITING", 5)
    pool, bench = await opened(place)
    results = await bench.submit([bench.submission() for _ in range(9)])
    refused = [one for one in results if isinstance(one, ProblemError)]
    assert len(refused) == 4
    assert {(status_of(one), headers_of(one)["Retry-After"]) for one in refused} == {(503, "1")}
    assert [one.fresh for one in results if not isinstance(one, ProblemError)] == [True] * 5
    # And again there is room.
    assert (await bench.submit([bench.submission()]))[0].fresh
    await pool.close()


async def test_one_who_hangs_up_does_not_hold_up_the_others(place: Place) -> None:
    pool, bench = await opened(place)
    submissions = [bench.submission() for _ in range(5)]
    tasks = [bench.submissions.submit(place.code, one) for one in submissions]
    await asyncio.sleep(0)
    tasks[2].cancel()
    results = await asyncio.gather(*tasks, return_exceptions=True)
    assert isinstance(results[2], asyncio.CancelledError)
    assert [one.fresh for n, one in enumerate(results) if n != 2] == [True] * 4
    assert (await bench.submit([bench.submission()]))[0].fresh
    await pool.close()


async def test_closing_finishes_what_waits(place: Place) -> None:
    pool, bench = await opened(place)
    tasks = [bench.submissions.submit(place.code, bench.submission()) for _ in range(100)]
    await asyncio.sleep(0)
    await bench.submissions.close()
    await pool.close()
    assert all(one.fresh for one in await asyncio.gather(*tasks))


async def test_the_record_agrees_with_itself(place: Place, world: World) -> None:
    assemblies = [place.new_assembly(kind) for kind in ("pvb", "svb", "pvb")]
    for n, assembly in enumerate(assemblies * 3):
        place.recorded(
            assembly_id=assembly,
            initial_test=phase(0.5 + n / 4),
            performed_at=(world.clock.now() - dt.timedelta(days=n)).isoformat(),
        )
    wrong = place.recorded(check=0.6)["report"]["id"]
    place.recorded(check=1.6, supersedes=wrong, supersedes_because="misread")
    headers = {"If-Match": '"1"'}
    base = f"{place.base}/assemblies"
    world.operator.patch(f"{base}/{assemblies[0]}", json={"in_service": False}, headers=headers).raise_for_status()
    world.operator.patch(f"{base}/{assemblies[1]}", json={"hazard": "non_health"}, headers=headers).raise_for_status()
    path = f"{place.base}/premises/{place.premises}"
    world.operator.patch(path, json={"connection": "residential"}, headers=headers).raise_for_status()
    pool, bench = await opened(place)
    utility = await bench.registry.utility(place.code)
    assert await rebuild_standings(bench.store, utility) == []
    judged, differing = await rejudge_reports(bench.store, place.code)
    assert (judged, differing) == (11, [])
    spoilt = "UPDATE record.standing SET basis = replace(basis, 'failed', 'current') WHERE utility_id = $1 AND basis LIKE '%\"failed\"%' RETURNING assembly_id"
    rows = world.database.owner(spoilt, place.code)
    assert rows
    assert sorted(await rebuild_standings(bench.store, utility)) == sorted(row["assembly_id"] for row in rows)
    assert await rebuild_standings(bench.store, utility) == []
    await pool.close()
