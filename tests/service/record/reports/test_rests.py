"""What is kept for an assembly's next report is used only where it is sure to hold, and never makes a standing other than its reports do."""

import asyncio
import datetime as dt
from typing import Any
from uuid import UUID

import msgspec
import pytest

from service.db.pool import Pool
from service.record.reports.rests import RestsOn
from service.record.reports.store import ReportStore
from service.record.standings.work_out import rebuild_standings
from service.registry.store import RegistryStore
from tests.support.databases import in_thread
from tests.support.world import Place, phase


def kept(place: Place) -> tuple[RestsOn | None, bool]:
    """What is kept for the next report of the place's assembly, and whether it counts."""
    [row] = place.world.database.owner(
        "SELECT rests_on, rests_version = version AS counts FROM record.standing WHERE assembly_id = $1::uuid", place.assembly
    )
    result = row["rests_on"]
    return None if result is None else msgspec.json.decode(result, type=RestsOn), bool(row["counts"])


def report(place: Place, days_ago: int, reading: float, **more: Any) -> str:
    """A report of a test so many days ago; its id."""
    moment = (place.world.clock.now() - dt.timedelta(days=days_ago)).isoformat()
    return str(place.recorded(initial_test=phase(reading), performed_at=moment, **more)["report"]["id"])


def differing(place: Place) -> list[UUID]:
    """The assemblies whose standing, or what is kept with it, is not what their reports give; they are made again."""

    async def asked() -> list[UUID]:
        pool = await Pool.open(place.world.database.dsn, size=2)
        try:
            return await rebuild_standings(ReportStore(pool), await RegistryStore(pool).utility(place.code))
        finally:
            await pool.close()

    return list(in_thread(lambda: asyncio.run(asked())))


def test_the_last_passing_test_the_failures_and_the_latest_test_are_kept(place: Place) -> None:
    report(place, 90, 1.9)
    failed = report(place, 60, 0.4)
    passed = report(place, 30, 1.8)
    early = report(place, 75, 1.7)
    result, counts = kept(place)
    assert counts
    assert result is not None
    assert result.latest is not None
    assert {one.report_id for one in result.tests} == {failed, passed}
    assert str(result.latest.id) == passed != early
    assert differing(place) == []


def test_what_an_older_service_leaves_behind_counts_no_more(place: Place) -> None:
    report(place, 60, 0.4)
    # It writes standings without knowing what is kept beside them; a failure would be forgotten if that still counted.
    place.world.database.owner(
        "UPDATE record.standing SET version = version + 1, rests_on = '{\"tests\": []}' WHERE assembly_id = $1::uuid",
        place.assembly,
    )
    report(place, 90, 1.9)
    assert place.get(f"/assemblies/{place.assembly}/standing").json()["status"] == "failed"
    assert kept(place)[1]
    assert differing(place) == []


def test_a_rebuild_finds_what_is_kept_wrongly(place: Place) -> None:
    report(place, 60, 0.4)
    place.world.database.owner(
        "UPDATE record.standing SET rests_on = '{\"tests\": []}' WHERE assembly_id = $1::uuid", place.assembly
    )
    assert differing(place) == [UUID(place.assembly)]
    assert not kept(place)[1]


@pytest.mark.parametrize("reading", [0.4, 1.9])
def test_nothing_is_kept_while_a_person_may_decide_on_a_test_that_counts(place: Place, reading: float) -> None:
    # A declared outcome that differs is held.
    report(place, 60, reading, declared="pass" if reading < 1 else "fail")
    assert kept(place) == (None, False)
    report(place, 30, 1.8)
    assert kept(place)[1] is (reading > 1)
    assert differing(place) == []
