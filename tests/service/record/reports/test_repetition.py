"""A report is compared with the test before it: readings that repeat digit for digit deserve a look, and are still judged alike later."""

import asyncio
from typing import Any

from service.db.pool import Pool
from service.record.reports.rejudging import rejudge_reports
from service.record.reports.store import ReportStore
from tests.support.world import Place


def noted(recorded: dict[str, Any]) -> bool:
    return "reading_repeated" in {flag["code"] for flag in recorded["verdict"]["flags"]}


def test_readings_that_repeat_the_last_test_are_noted_and_others_are_not(place: Place) -> None:
    first = place.recorded(performed_at="2026-03-01T09:00:00-08:00", check=1.7)
    again = place.recorded(performed_at="2026-04-01T09:00:00-08:00", check=1.7)
    other = place.recorded(performed_at="2026-05-01T09:00:00-08:00", check=1.6)
    assert [noted(one) for one in (first, again, other)] == [False, True, False]
    assert again["verdict"]["acceptance"] == "accepted", "a note is no accusation"


def test_a_correction_is_not_held_against_the_report_that_it_corrects(place: Place) -> None:
    first = place.recorded(performed_at="2026-03-01T09:00:00-08:00", check=1.7)
    corrected = place.recorded(
        performed_at="2026-03-01T10:00:00-08:00", check=1.9, supersedes=first["report"]["id"], supersedes_because="misread"
    )
    later = place.recorded(performed_at="2026-04-01T09:00:00-08:00", check=1.7)
    assert [noted(one) for one in (corrected, later)] == [False, False]


def test_what_was_noted_is_noted_again_when_judged_again(place: Place) -> None:
    for month in (3, 4):
        place.recorded(performed_at=f"2026-0{month}-01T09:00:00-08:00", check=1.7)

    async def judged_again() -> tuple[int, list[Any]]:
        pool = await Pool.open(place.world.database.dsn, size=1)
        try:
            return await rejudge_reports(ReportStore(pool), place.code)
        finally:
            await pool.close()

    assert asyncio.run(judged_again()) == (2, [])


def test_a_report_by_a_tester_with_no_certificate_on_record_is_held(place: Place) -> None:
    tester = place.made("testers", name="Tester B", certificates=[])["id"]
    recorded = place.recorded(tester_id=tester)
    assert "tester_unknown" in {flag["code"] for flag in recorded["verdict"]["flags"]}
    assert recorded["verdict"]["acceptance"] == "held"
