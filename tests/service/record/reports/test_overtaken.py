"""Reports are judged and their standings worked out with nothing locked; where the record moved on meanwhile, that is noticed.

What is right is what `nonreturn rebuild` works out from the reports alone, with the whole history at hand.
"""

import asyncio
import datetime as dt
import random
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any
from uuid import UUID, uuid4

import msgspec
import pytest

from service.auth.access import Principal
from service.db.pool import Pool
from service.record.reports.schemas import ReportFacts, Submission
from service.record.reports.store import ReportSession, ReportStore
from service.record.reports.submit import Submissions
from service.record.standings.work_out import rebuild_standings
from service.registry.store import RegistryStore
from tests.support.world import Place, certificate, phase


class Writers:
    """Several ways in for reports of one place, each as another process has it."""

    def __init__(self, place: Place, pool: Pool, count: int) -> None:
        self.place = place
        self.store = ReportStore(pool)
        self.registry = RegistryStore(pool)
        self.ways = [Submissions(self.store, place.world.clock) for _ in range(count)]

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

    async def differing(self) -> list[UUID]:
        """The assemblies whose kept standing is not what their reports add up to."""
        return await rebuild_standings(self.store, await self.registry.utility(self.place.code))

    def stored(self) -> list[UUID]:
        """The ids of the reports on record, in the log's order."""
        rows = self.place.world.database.owner(
            "SELECT id FROM record.report WHERE utility_id = $1 ORDER BY log_index", self.place.code
        )
        return [row["id"] for row in rows]


@pytest.fixture
async def writers(place: Place) -> AsyncIterator[Writers]:
    pool = await Pool.open(place.world.database.dsn, size=6)
    yield Writers(place, pool, 3)
    await pool.close()


Meanwhile = Callable[[], Awaitable[Any]]


def overtaking(monkeypatch: pytest.MonkeyPatch, meanwhile: Meanwhile) -> list[bool]:
    """Let that happen once, between the reading and the writing of the next group; what each writing then said."""
    record, said, happened = ReportSession.record, list[bool](), list[bool]()

    async def overtaken(self: ReportSession, *arguments: Any, seen: int | None) -> bool:
        if seen is None:  # under the lock nothing comes between
            return await record(self, *arguments, seen=seen)
        if not happened:
            happened.append(True)
            await meanwhile()
        said.append(await record(self, *arguments, seen=seen))
        return said[-1]

    monkeypatch.setattr(ReportSession, "record", overtaken)
    return said


async def test_a_report_of_the_same_assembly_meanwhile_is_noticed(writers: Writers, monkeypatch: pytest.MonkeyPatch) -> None:
    place = writers.place
    later = (place.world.clock.now() - dt.timedelta(minutes=1)).isoformat()
    failing = writers.submission(initial_test=phase(0.5), performed_at=later)
    said = overtaking(monkeypatch, lambda: writers.ways[1].submit(place.code, failing))
    passing = await writers.ways[0].submit(place.code, writers.submission())
    # The other wrote first; ours found out, wrote nothing, and did it again.
    assert said == [True, False]
    assert passing.answer.standing.status == "failed"
    assert len(writers.stored()) == 2
    assert await writers.differing() == []


async def test_a_change_of_the_register_meanwhile_is_noticed(writers: Writers, monkeypatch: pytest.MonkeyPatch) -> None:
    place = writers.place

    async def retire() -> None:
        path = f"{place.base}/assemblies/{place.assembly}"
        answer = await asyncio.to_thread(
            place.world.operator.patch, path, json={"in_service": False}, headers={"If-Match": '"1"'}
        )
        answer.raise_for_status()

    said = overtaking(monkeypatch, retire)
    done = await writers.ways[0].submit(place.code, writers.submission())
    assert said == [False]
    assert done.answer.standing.status == "out_of_service"
    assert await writers.differing() == []


async def test_another_rulebook_meanwhile_judges_the_report(writers: Writers, monkeypatch: pytest.MonkeyPatch) -> None:
    place = writers.place

    async def change() -> None:
        patch = place.world.operator.patch
        answer = await asyncio.to_thread(patch, place.base, json={"rulebook": "us-fl"}, headers={"If-Match": '"1"'})
        answer.raise_for_status()

    said = overtaking(monkeypatch, change)
    done = await writers.ways[0].submit(place.code, writers.submission())
    assert said == [False]
    assert msgspec.json.decode(done.verdict)["rulebook"]["id"] == "us-fl"
    assert await writers.differing() == []


async def test_a_standing_worked_out_while_the_rulebook_changes_is_by_the_new_one(place: Place, writers: Writers) -> None:
    utility = await writers.registry.utility(place.code)
    await asyncio.to_thread(
        lambda: place.world.operator.patch(place.base, json={"rulebook": "us-fl"}, headers={"If-Match": '"1"'}).raise_for_status()
    )
    # Whoever read the utility before the change works the standings out after it.
    assert await rebuild_standings(writers.store, utility) == []


@pytest.mark.parametrize(
    ("resource", "matters"), [("notices", False), ("incidents", True), ("testers", True), ("what comes later", True)]
)
async def test_whatever_is_not_known_to_be_without_meaning_counts_as_a_change(
    writers: Writers, monkeypatch: pytest.MonkeyPatch, resource: str, *, matters: bool
) -> None:
    place = writers.place

    async def note() -> None:
        place.world.database.owner(
            "WITH log AS (UPDATE record.utility_log SET changes = changes + 1 WHERE utility_id = $1 RETURNING changes) "
            "INSERT INTO record.change SELECT $1, changes, $2, 'x', 1, now() FROM log",
            place.code,
            resource,
        )

    said = overtaking(monkeypatch, note)
    assert (await writers.ways[0].submit(place.code, writers.submission())).fresh
    assert said == [not matters]


async def test_the_same_report_meanwhile_is_stored_once(writers: Writers, monkeypatch: pytest.MonkeyPatch) -> None:
    place = writers.place
    report = writers.submission()
    said = overtaking(monkeypatch, lambda: writers.ways[1].submit(place.code, report))
    assert (await writers.ways[0].submit(place.code, report)).fresh is False
    assert said == [True, False]
    assert writers.stored() == [report.id]


async def test_other_assemblies_reports_meanwhile_do_not_matter(writers: Writers, monkeypatch: pytest.MonkeyPatch) -> None:
    place = writers.place
    other = writers.submission(assembly_id=place.new_assembly("pvb"))
    said = overtaking(monkeypatch, lambda: writers.ways[1].submit(place.code, other))
    assert (await writers.ways[0].submit(place.code, writers.submission())).fresh
    assert said == [True, True]
    rows = place.world.database.owner("SELECT log_index FROM record.report WHERE utility_id = $1 ORDER BY 1", place.code)
    assert [row["log_index"] for row in rows] == [0, 1]


@pytest.mark.parametrize("seed", range(3))
async def test_standings_from_what_is_read_equal_those_from_the_whole_history(writers: Writers, seed: int) -> None:
    source = random.Random(seed)  # noqa: S311 - reproducible on purpose
    place = writers.place
    assemblies = [place.assembly, *(place.new_assembly("pvb") for _ in range(4))]
    uncertified = place.made("testers", name="Tester B", certificates=[certificate(valid_until="2025-03-02")])["id"]
    corrected: set[UUID] = set()
    known: list[Submission] = []
    sent = 0

    def some() -> Submission:
        """Passing, failing, repaired, incomplete, held or refused; late or early; now and then a correction or the same again."""
        changes: dict[str, Any] = {
            "assembly_id": source.choice(assemblies),
            "initial_test": phase(round(source.uniform(0.4, 2.2), 1)),
            "performed_at": (place.world.clock.now() - dt.timedelta(days=source.randrange(400))).isoformat(),
        }
        luck = source.random()
        if luck < 0.15:
            changes["tester_id"] = uncertified
        elif luck < 0.25:
            changes["initial_test"]["readings"].pop()
        elif luck < 0.35:
            changes["final_test"] = phase(1.9)
        elif luck < 0.45 and known:
            wrong = source.choice(known)
            changes |= {"supersedes": str(wrong.id), "supersedes_because": "misread", "assembly_id": str(wrong.facts.assembly_id)}
            corrected.add(wrong.id)
        elif luck < 0.5 and known:
            return source.choice(known)
        return writers.submission(**changes)

    for _ in range(12):
        group = [some() for _ in range(source.randrange(1, 9))]
        asked = [writers.ways[n % 3].submit(place.code, one) for n, one in enumerate(group)]
        results = await asyncio.gather(*asked, return_exceptions=True)
        recorded = [one for one, result in zip(group, results, strict=True) if not isinstance(result, BaseException)]
        sent += sum(result.fresh for result in results if not isinstance(result, BaseException))
        known += [one for one in recorded if one not in known]
    assert len(writers.stored()) == len(set(writers.stored())) == sent
    assert corrected
    assert await writers.differing() == []
