"""A utility's rulebook or time zone that was changed by an answered PATCH governs the next report, whichever process records it."""

import datetime as dt
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import httpx
import pytest

from tests.support.serving import serving
from tests.support.world import Place, bearer


@pytest.fixture
def elsewhere(place: Place) -> Iterator[httpx.Client]:
    """The same service as another process serves it, for the testing company."""
    with (
        serving(place.world.database, place.world.clock) as url,
        httpx.Client(base_url=url, timeout=30, headers=bearer(place.keys["testing_company"]), trust_env=False) as client,
    ):
        yield client


def changed(place: Place, **facts: Any) -> None:
    """Change the utility by PATCH, through the first process."""
    path = f"/v1/utilities/{place.code}"
    tag = place.world.operator.get(path).headers["ETag"]
    answer = place.world.operator.patch(path, json=facts, headers={"If-Match": tag})
    assert answer.status_code == 200, answer.text


def sent(place: Place, client: httpx.Client, **report: Any) -> dict[str, Any]:
    """A new report's answer."""
    answer = client.put(f"{place.base}/reports/{uuid4()}", json=place.report(**report))
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


def performed_on(place: Place, report_id: str) -> dt.date:
    """The day under which a report is kept."""
    [row] = place.world.database.owner("SELECT performed_on FROM record.report WHERE id = $1", report_id)
    return dt.date.fromisoformat(str(row[0]))


def test_another_rulebook_governs_the_next_report_in_every_process(place: Place, elsewhere: httpx.Client) -> None:
    assert sent(place, elsewhere)["verdict"]["rulebook"]["id"] == "us-wa"
    assert place.recorded()["verdict"]["rulebook"]["id"] == "us-wa"
    changed(place, rulebook="us-fl")
    assert sent(place, elsewhere)["verdict"]["rulebook"]["id"] == "us-fl"
    assert place.recorded()["verdict"]["rulebook"]["id"] == "us-fl"


def test_standings_after_the_change_are_those_of_the_new_rulebook(place: Place, elsewhere: httpx.Client) -> None:
    # Every two years at residential connections in Florida: Rule 62-555.360 F.A.C.; every year in Washington: WAC 246-290-490.
    premises = place.made("premises", name="Plot 2", address="2 Sluice Lane", connection="residential")["id"]
    homes = [
        place.made("assemblies", premises_id=premises, kind="pvb", hazard="non_health", purpose="point_of_use")["id"]
        for _ in range(2)
    ]
    before = sent(place, elsewhere, assembly_id=homes[0])["standing"]["due_on"]
    changed(place, rulebook="us-fl")
    after = sent(place, elsewhere, assembly_id=homes[1])["standing"]["due_on"]
    assert after == place.standing(homes[0])["due_on"] != before


def test_another_time_zone_governs_the_next_reports_day_in_every_process(place: Place, elsewhere: httpx.Client) -> None:
    late = "2026-05-30T20:00:00-07:00"
    assert performed_on(place, sent(place, elsewhere, performed_at=late)["report"]["id"]) == dt.date(2026, 5, 30)
    changed(place, time_zone="America/New_York")
    # 20:00 in Los Angeles is 23:00 in New York; 22:00 is an hour after its midnight.
    assert performed_on(place, sent(place, elsewhere, performed_at="2026-05-30T22:00:00-07:00")["report"]["id"]) == dt.date(
        2026, 5, 31
    )
