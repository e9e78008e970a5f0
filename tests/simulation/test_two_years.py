"""A utility's programme through two years of simulated time, through the HTTP interface alone.

A spreadsheet is imported; four companies test, some late, some failing, some wrong and corrected later, some twice, one offline; a
gauge is used past its calibration; notices go out; incidents make tests due; one portal mirrors by the feed, another by webhooks with
outages. At the end mirror = service = recomputation from the reports, every notice went out exactly once, and the summaries equal an
independent count by DuckDB over the export.

In the check it runs with a few dozen assemblies; `sh deploy/programme [ASSEMBLIES]` runs it with 5 000.
"""

import datetime as dt
import json
import os
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from msgspec.structs import replace

from service.secrets import Secret
from service.settings import WebhookPolicy
from tests.simulation.portals import FeedPortal, WebhookPortal
from tests.simulation.reckoning import Export
from tests.simulation.scenario import COMPANIES, FIRST, LAST, OFFLINE, Plot, Scenario, Visit, at
from tests.support.databases import fresh_database
from tests.support.world import Place, World, bearer, certificate, world_in

pytestmark = pytest.mark.slow
ASSEMBLIES = int(os.environ.get("NONRETURN_PROGRAMME", "80"))
# Real time between two looks of the deliverer; days of waiting pass on the tests' own clock.
QUICK = replace(WebhookPolicy(), look_seconds=0.02, lease_seconds=5, answer_seconds=5, jitter=0.0)


class Programme:
    """The utility's two years, day by day."""

    def __init__(self, place: Place, scenario: Scenario) -> None:
        self.place = place
        self.world: World = place.world
        self.scenario = scenario
        self.clients = {name: self._company(name) for name in COMPANIES}
        self.assemblies: dict[int, str] = {}
        self.people: dict[str, str] = {}
        self.gauges: dict[str, str] = {}
        self.due: dict[dt.date, list[int]] = defaultdict(list)
        self.later: dict[dt.date, list[Visit]] = defaultdict(list)
        self.offline: list[Visit] = []
        self.sent: dict[str, str] = {}
        self.last_pass: dict[int, dt.date] = {}
        self.counts: Counter[str] = Counter()
        self.incidents: list[dict[str, Any]] = []

    def _company(self, name: str) -> httpx.Client:
        organisation = self.world.made("/v1/organisations", kind="testing_company", name=name)["id"]
        self.world.operator.put(f"{self.place.base}/grants/{organisation}").raise_for_status()
        key = self.world.made(f"/v1/organisations/{organisation}/keys", label="programme")["key"]
        return httpx.Client(base_url=self.world.url, headers=bearer(key), timeout=60, trust_env=False)

    def found(self) -> None:
        """Register who tests with what, and import the spreadsheet: a dry run first, then for good, then again by mistake."""
        for name in COMPANIES:
            self.people[name] = self.place.made(
                "testers",
                name=f"Tester of {name}",
                certificates=[certificate(certificate=f"{name}-1", valid_from="2022-01-01", valid_until="2028-01-01")],
            )["id"]
            for number, years in ((1, range(2022, 2026)), (2, range(2022, 2023))):
                self.gauges[f"{name}{number}"] = self.place.made(
                    "gauges",
                    serial_number=f"{name}-G{number}",
                    units={"pressure": "psi"},
                    accuracy=0.2,
                    resolution=0.1,
                    calibrations=[{"calibrated_on": f"{year}-{month}-05"} for year in years for month in ("02", "08")],
                )["id"]
        sheet = self.scenario.spreadsheet()
        dry = self._import(sheet, dry_run=True)
        assert (dry["problem_count"], dry["written"]) == (0, False), dry["problems"][:5]
        result = self._import(sheet, dry_run=False)
        assert result["counts"]["reports"]["new"] == len(self.scenario.plots)
        assert result["acceptance"] == {"accepted": len(self.scenario.plots)}
        again = self._import(sheet, dry_run=False)
        assert {one["new"] + one["changed"] for one in again["counts"].values()} == {0}
        by_serial = {one["serial_number"]: one["id"] for one in self.everything("assemblies") if "serial_number" in one}
        for plot in self.scenario.plots:
            self.assemblies[plot.number] = by_serial[f"S-{plot.number:05}"]
            self._passed(plot, plot.tested_on)

    def _import(self, sheet: bytes, *, dry_run: bool) -> dict[str, Any]:
        answer = self.world.operator.post(
            f"{self.place.base}/imports",
            content=sheet,
            params={"dry_run": json.dumps(dry_run)},
            headers={"Content-Type": "text/csv"},
            timeout=600,
        )
        assert answer.status_code == 200, answer.text
        return dict(answer.json())

    def everything(self, plural: str, **asked: Any) -> Iterator[dict[str, Any]]:
        """Every item of a list, page by page."""
        answer = self.place.get(f"/{plural}", limit=500, **asked)
        while True:
            assert answer.status_code == 200, answer.text
            yield from answer.json()["items"]
            if answer.json()["next"] is None:
                return
            answer = self.world.client.get(answer.json()["next"], headers=bearer(self.place.keys["utility"]))

    def _passed(self, plot: Plot, on: dt.date) -> None:
        """The next visit follows a year after a pass: mostly in time, sometimes late, sometimes not at all."""
        self.last_pass[plot.number] = on
        chance = self.scenario.chance
        drawn = chance.random()
        if drawn < 0.04:
            self.counts["never came"] += 1
            return
        late = chance.randint(2, 100) if drawn < 0.2 else -chance.randint(0, 25)
        self.due[on + dt.timedelta(days=365 + late)].append(plot.number)

    def day(self, on: dt.date) -> None:
        """What happens on one day."""
        self.world.clock.moment = at(on, 20).astimezone(dt.UTC)
        for number in self.due.pop(on, []):
            self._visit(self.scenario.plots[number], on)
        for visit in self.later.pop(on, []):
            self._send(visit)
        if on.toordinal() % 14 == 0:
            self._come_home()

    def _visit(self, plot: Plot, on: dt.date) -> None:
        chance = self.scenario.chance
        drawn = chance.random()
        if drawn < 0.80:
            visit = self.scenario.visit(plot, on, good=True)
            self._passed(plot, on)
        elif drawn < 0.88:
            self.counts["repaired at once"] += 1
            visit = self.scenario.visit(plot, on, good=False, repaired=True)
            self._passed(plot, on)
        elif drawn < 0.95:
            self.counts["repaired later"] += 1
            visit = self.scenario.visit(plot, on, good=False)
            repaired = on + dt.timedelta(days=chance.randint(2, 35))
            self.later[repaired].append(self.scenario.visit(plot, repaired, reason="repair", good=True))
            self._passed(plot, repaired)
        elif drawn < 0.965:
            self.counts["never repaired"] += 1
            visit = self.scenario.visit(plot, on, good=False)
        elif drawn < 0.985:
            self._typed_wrongly(plot, on)
            return
        else:
            self.counts["expired gauge"] += 1
            visit = self.scenario.visit(plot, on, good=True)
            visit.expired_gauge = True
            again = on + dt.timedelta(days=7)
            self.later[again].append(self.scenario.visit(plot, again, good=True))
            self._passed(plot, again)
        self._send(visit)

    def _typed_wrongly(self, plot: Plot, on: dt.date) -> None:
        """A good test typed as a bad one, or the other way round; found out days later and corrected."""
        self.counts["typed wrongly"] += 1
        good = self.counts["typed wrongly"] % 2 == 1
        wrong = self.scenario.visit(plot, on, good=not good)
        right = self.scenario.visit(plot, on, good=good)
        right.performed_at, right.supersedes = wrong.performed_at, wrong.id
        # The company that works offline sends late, so its corrections are later still.
        self.later[on + dt.timedelta(days=20)].append(right)
        if good:
            self._passed(plot, on)
        self._send(wrong)

    def _send(self, visit: Visit) -> None:
        if visit.company == OFFLINE:
            self.offline.append(visit)
            return
        client, document = self.clients[visit.company], self._document(visit)
        if visit.by_post:
            answers = [
                client.post(f"{self.place.base}/reports", json=document, headers={"Idempotency-Key": str(visit.id)})
                for _ in range(1 + visit.twice)
            ]
            self.sent[str(visit.id)] = answers[0].json().get("report", {}).get("id", "")
        else:
            answers = [client.put(f"{self.place.base}/reports/{visit.id}", json=document) for _ in range(1 + visit.twice)]
            self.sent[str(visit.id)] = str(visit.id)
        assert [one.status_code for one in answers] == [201, 200][: len(answers)], answers[0].text
        self.counts["sent twice"] += visit.twice
        self.counts[answers[0].json()["verdict"]["acceptance"]] += 1

    def _document(self, visit: Visit) -> dict[str, Any]:
        document = {
            "assembly_id": self.assemblies[visit.plot],
            "tester_id": self.people[visit.company],
            "gauge_id": self.gauges[f"{visit.company}{2 if visit.expired_gauge else 1}"],
            "performed_at": visit.performed_at.isoformat(),
            "reason": visit.reason,
            "units": {"pressure": "psi"},
            "line_pressure": 60,
            **visit.document,
        }
        if visit.supersedes is not None:
            document |= {"supersedes": self.sent[str(visit.supersedes)], "supersedes_because": "typed wrongly"}
        return document

    def _come_home(self) -> None:
        """The offline company sends all it has in one batch, and then the same batch again."""
        if not self.offline:
            return
        for visit in self.offline:
            self.sent[str(visit.id)] = str(visit.id)
        body = "".join(json.dumps({**self._document(visit), "id": str(visit.id)}) + "\n" for visit in self.offline)
        for status in (201, 200):
            answer = self.clients[OFFLINE].post(
                f"{self.place.base}/reports/batches", content=body, headers={"Content-Type": "application/x-ndjson"}
            )
            lines = [json.loads(line) for line in answer.text.splitlines()]
            assert [one["status"] for one in lines] == [status] * len(self.offline), [
                one for one in lines if one["status"] != status
            ][:2]
            if status == 201:
                self.counts.update(one["verdict"]["acceptance"] for one in lines)
        self.counts["batches sent twice"] += 1
        self.offline = []

    def incident(self, on: dt.date) -> None:
        """Dirty water in a street: eight assemblies are tested again within days."""
        plots = self.scenario.chance.sample(self.scenario.plots, 8)
        document = {
            "occurred_at": at(on, 6).isoformat(),
            "status": "confirmed",
            "description": "Discoloured water, backsiphonage during a main break.",
            "assemblies": [self.assemblies[plot.number] for plot in plots],
            "people_affected": 12,
        }
        result = self.place.made("incidents", **document)
        self.incidents.append(result)
        for plot in plots:
            if self.scenario.chance.random() < 0.8:
                again = on + dt.timedelta(days=self.scenario.chance.randint(1, 9))
                self.later[again].append(self.scenario.visit(plot, again, reason="incident", good=True))

    def review(self) -> None:
        """The utility looks at the reports that wait for it (corrections that make a failure vanish), and turns some of them down."""
        for one in list(self.everything("reviews", state="open")):
            assert [flag["code"] for flag in one["held_for"]] == ["failure_corrected"]
            decision = "accepted" if self.scenario.chance.random() < 0.8 else "refused"
            answer = self.world.operator.patch(
                f"{self.place.base}/reviews/{one['id']}",
                headers={"If-Match": '"0"'},
                json={"decision": decision, "because": "Compared with the paper.", "decided_by": "Desk 1"},
            )
            assert answer.status_code == 200, answer.text
            self.counts[f"correction {decision}"] += 1

    def enable(self, hook: dict[str, Any]) -> None:
        """A portal that was away through all tries finds its subscription disabled when it is back, and asks for the rest."""
        path = f"{self.place.base}/webhooks/{hook['id']}"
        now = self.world.operator.get(path).json()
        if not now["enabled"]:
            self.counts["enabled again"] += 1
            answer = self.world.operator.patch(path, json={"enabled": True}, headers={"If-Match": f'"{now["version"]}"'})
            assert answer.status_code == 200, answer.text

    def run_notices(self) -> None:
        """The weekly run, asked for twice at once; the utility's software then sends what is prepared, and not all of it arrives."""
        runs = [self.world.operator.post(f"{self.place.base}/notices/runs") for _ in range(2)]
        assert {one.status_code for one in runs} == {202}
        path = f"{self.place.base}/notices/runs/{runs[0].json()['id']}"
        deadline = time.monotonic() + 60
        while self.world.operator.get(path).json()["state"] == "running":
            assert time.monotonic() < deadline
            time.sleep(0.01)
        for one in list(self.everything("notices", state="prepared")):
            state = "delivery_failed" if self.scenario.chance.random() < 0.02 else "sent"
            answer = self.world.operator.patch(
                f"{self.place.base}/notices/{one['id']}", json={"state": state}, headers={"If-Match": f'"{one["version"]}"'}
            )
            assert answer.status_code == 200, answer.text
            self.counts[f"notices {state}"] += 1


@pytest.fixture(scope="module")
def programme_world(postgres: Any, template: str) -> Iterator[World]:
    key = Secret(b"a master key of the programme, at least 32 bytes")
    with (
        fresh_database(postgres, template) as database,
        world_in(database, webhook_key=key, webhooks_private=True, webhook_policy=QUICK, rate=0.0) as made,
    ):
        yield made


def test_two_years_of_a_programme(programme_world: World, tmp_path: Path) -> None:
    world = programme_world
    world.clock.moment = at(FIRST, 9).astimezone(dt.UTC)
    place = world.place("us-wa")
    feed, result = FeedPortal(place), WebhookPortal()
    hook = place.made("webhooks", url=result.url)
    result.secret = hook["secret"]
    # The place itself was registered before the subscription; the portal asks for that part of the feed too.
    assert world.operator.post(f"{place.base}/webhooks/{hook['id']}/replay", json={"after": 0}).status_code == 202
    programme = Programme(place, Scenario(ASSEMBLIES))
    try:
        programme.found()
        day, incidents = FIRST, {FIRST + dt.timedelta(days=days) for days in (60, 210, 400, 600)}
        while day <= LAST:
            programme.day(day)
            if day in incidents:
                programme.incident(day)
            if day.weekday() == 0:
                # The second portal is down for ten days every quarter, and for a week and a half over one new year.
                result.down = day.day <= 10 and day.month % 3 == 1
                programme.review()
                programme.run_notices()
                feed.catch_up()
                if not result.down:
                    programme.enable(hook)
                if sys.stderr.isatty():
                    sys.stderr.write(f"\r{day}: {len(programme.sent)} tests sent, {dict(programme.counts)}"[:200])
            day += dt.timedelta(days=1)
        programme._come_home()
        programme.review()
        result.down = False
        programme.enable(hook)
        world.clock.pass_by(days=2)
        programme.run_notices()
        last_run = world.clock.now().astimezone(at(FIRST).tzinfo).date()
        feed.catch_up()
        all_reported(world, place, hook, result, feed)
        agree(programme, feed, tmp_path, last_run)
    finally:
        result.close()
        feed.client.close()
        for client in programme.clients.values():
            client.close()


def all_reported(world: World, place: Place, hook: dict[str, Any], result: WebhookPortal, feed: FeedPortal) -> None:
    """The portal that got webhooks, and was down for weeks, knows every change once and in order."""
    known, moved = -1, time.monotonic()
    while True:
        progress = world.operator.get(f"{place.base}/webhooks/{hook['id']}/progress").json()
        if not progress["waiting"]:
            break
        if progress["delivered_through"] > known:
            known, moved = progress["delivered_through"], time.monotonic()
        # However much there is to report, it goes on.
        assert time.monotonic() - moved < 60, progress
        world.clock.pass_by(minutes=30)
        time.sleep(0.05)
    feed.catch_up()
    assert result.refused > 0
    assert [one[0] for one in feed.seen] == list(range(1, len(feed.seen) + 1))
    assert result.seen == feed.seen


def agree(programme: Programme, feed: FeedPortal, folder: Path, last_run: dt.date) -> None:
    """Mirror = service = recomputation; every notice once; the summaries are what DuckDB counts."""
    place, world = programme.place, programme.world
    lines = [json.loads(line) for line in world.operator.get(f"{place.base}/export", timeout=600).text.splitlines()]
    export = Export(lines, folder)
    today = world.clock.now().astimezone(at(FIRST).tzinfo).date()

    # Every test that was sent is there once, and nothing else is; the portal knows the same.
    recorded = {row["id"] for row in export.rows["report"]}
    assert len(recorded) == len(export.rows["report"]) == len(programme.sent) + len(programme.scenario.plots)
    assert set(programme.sent.values()) <= recorded
    assert feed.reports == recorded
    assert len({key for key in programme.counts if key in ("accepted", "refused")}) == 2

    # Standings: as the service lists them, as the portal mirrors them, as they follow from the reports.
    listed = {one["assembly_id"]: one for one in programme.everything("standings")}
    reckoned = export.standings(programme.incidents)
    assert listed.keys() == reckoned.keys() == feed.standings.keys()
    for assembly, (status, due_on, report_id) in reckoned.items():
        one, mirrored = listed[assembly], feed.standings[assembly]
        assert (one["due_on"], one["report_id"], one["protection"]) == (
            mirrored["due_on"],
            mirrored["report_id"],
            mirrored["protection"],
        )
        assert one["report_id"] == report_id, (assembly, one)
        if status == "tested":
            days = (dt.date.fromisoformat(str(due_on)) - today).days
            assert (one["status"], one["due_on"]) == (
                "overdue" if days < 0 else "due_soon" if days <= 30 else "current",
                due_on,
            ), (assembly, one)
        else:
            assert one["status"] == status, (assembly, one)

    # Notices: once for each step and what it is about, and each that the portal saw is as the service states it.
    notices = list(programme.everything("notices"))
    about = Counter((one["assembly_id"], one["step"], one["due_on"], one["report_id"]) for one in notices)
    assert set(about.values()) == {1}
    assert {one["step"] for one in notices} >= {
        "due",
        "overdue_first",
        "overdue_second",
        "overdue_final",
        "failed",
        "unprotected",
    }
    assert {one["id"]: one["state"] for one in notices} == {name: one["state"] for name, one in feed.notices.items()}
    # Whoever was overdue or failed at the last run has been notified.
    known = {
        (one["assembly_id"], one["due_on"] or one["report_id"]) for one in notices if one["state"] in ("sent", "delivery_failed")
    }
    for assembly, one in listed.items():
        if one["status"] in ("overdue", "failed") and dt.date.fromisoformat(one["since"]) <= last_run:
            assert (assembly, one["due_on"] if one["status"] == "overdue" else one["report_id"]) in known, one

    # The summaries, against DuckDB over the export.
    for year in (2023, 2024, 2025):
        summary = place.get(f"/summaries/{year}", key="regulator").json()["total"]
        counted = export.summary(year, today)
        assert {name: summary[name] for name in counted} == counted, year
        assert summary["tests"] > 0

    # Signed and numbered: the log has no gap, and everything the two years were to hold did happen.
    assert sorted(row["log_index"] for row in export.rows["report"]) == list(range(len(recorded)))
    for happened in (
        "repaired at once",
        "repaired later",
        "typed wrongly",
        "sent twice",
        "batches sent twice",
        "never came",
        "correction accepted",
    ):
        assert programme.counts[happened] > 0, happened
