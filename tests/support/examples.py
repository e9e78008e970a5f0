"""The examples of the published contract: a day in an invented utility, asked over HTTP and written down.

`python -m tests.support.examples` asks every published call once and writes what was sent and answered to
`service/openapi/examples.json`; a test does the same and compares, so that no example can go stale. The clock stands still and ids are
counted, so that the same calls give the same bytes. API keys and secrets are replaced. Long lists are cut to their first items.
"""

import datetime as dt
import json
import re
import time
from itertools import count
from typing import Any
from uuid import UUID

import httpx

from service import endpoints as calls
from service.db.embedded import EmbeddedPostgres
from service.db.migrate import migrate
from service.openapi.examples import PATH
from service.secrets import Secret
from tests.support.databases import Database, ask, data_folder
from tests.support.serving import NOON, SettableClock, serving
from tests.support.world import SIGNING_KEYS, World

SERIAL_NUMBER = "HF-20117"
"""The serial number of the example's assembly."""
MOST_ITEMS = 2
"""A list in an answer is cut to so many items."""

SECRETS = {"key": "an-api-key-shown-once", "secret": "whsec_c2hvd24gb25jZQ=="}


class CountingClock(SettableClock):
    """A clock that stands, and ids that are counted."""

    def __init__(self) -> None:
        super().__init__()
        self._ids = count(1)

    def new_id(self) -> UUID:
        """The next id, of version 7 by its form."""
        return example_id(next(self._ids))


def example_id(number: int) -> UUID:
    """An id for an example; those from 1000 on are the caller's own."""
    return UUID(f"019e0000-0000-7000-8000-{number:012d}")


class Recorder:
    """Asks calls by their operation id, and keeps what was sent and answered."""

    def __init__(self, client: httpx.Client) -> None:
        self._client = client
        self._operations = {declared.id: declared for declared in calls.operations if declared.public}
        self.examples: dict[str, Any] = {}

    def __call__(
        self,
        operation: str,
        *,
        body: Any = None,
        query: dict[str, Any] | None = None,
        headers: dict[str, str] | None = None,
        keep: bool = True,
        **path: Any,
    ) -> Any:
        """The answer to a call, parsed where it is JSON; the first of each operation becomes its example."""
        declared = self._operations[operation]
        place = re.sub(r"\{(\w+):\w+\}", lambda found: str(path[found[1]]), declared.path)
        # With an id of the request given none is minted, however often a run is asked after.
        sent: dict[str, Any] = {"headers": {"Accept": "application/json", "X-Request-Id": "example"} | (headers or {})}
        if declared.takes is not None:
            sent["headers"]["Content-Type"] = declared.body_media_type
            sent["content"] = body if isinstance(body, bytes) else json.dumps(body)
        answer = self._client.request(declared.method, place, params=query, **sent)
        if not answer.is_success:
            raise RuntimeError(f"{operation}: {answer.status_code} {answer.text}")
        is_json = "json" in answer.headers.get("content-type", "") and "ndjson" not in answer.headers["content-type"]
        parsed = answer.json() if is_json else answer.text
        if not keep:
            return parsed
        request: dict[str, Any] = {
            "path": {name: value if isinstance(value, int) else str(value) for name, value in path.items()},
            "query": query or {},
            "headers": headers or {},
        }
        if body is not None:
            request["body"] = body.decode() if isinstance(body, bytes) else body
        media = answer.headers.get("content-type", "").partition(";")[0]
        answered = {"status": answer.status_code, **({"media_type": media, "body": shortened(parsed)} if answer.content else {})}
        self.examples.setdefault(operation, {"request": request, "answer": answered})
        return parsed


def is_secret(name: str, value: Any) -> bool:
    """Whether a member is a secret of 32 random bytes; the key of a rulebook's entry is a short word."""
    return name in SECRETS and isinstance(value, str) and len(value) >= 40


def shortened(value: Any) -> Any:
    """An answer with its lists cut, its texts of many lines cut to their first lines, and secrets replaced."""
    if isinstance(value, dict):
        return {name: SECRETS[name] if is_secret(name, part) else shortened(part) for name, part in value.items()}
    if isinstance(value, list):
        return [shortened(part) for part in value[:MOST_ITEMS]]
    if isinstance(value, str) and value.count("\n") > MOST_ITEMS:
        return "\n".join(value.split("\n")[:MOST_ITEMS]) + "\n"
    return value


def clause(section: str) -> dict[str, str]:
    """A section of the invented ordinance."""
    return {
        "title": "Harrow Fen Municipal Code, chapter 13.08",
        "section": section,
        "url": "https://harrow-fen.example/code/13.08",
    }


ORDINANCE = {
    "extends": "us-wa",
    "title": "Harrow Fen Municipal Code, chapter 13.08",
    "in_force_from": "2026-01-01",
    "note": "An invented ordinance.",
    "intervals": [
        {
            "key": "health",
            "months": 6,
            "hazards": ["health", "severe"],
            "says": "Assemblies against a health hazard are tested every 6 months.",
            "clause": clause("13.08.050 (B)"),
        }
    ],
    "deadlines": [
        {
            "key": "health_left",
            "hazards": ["severe", "health"],
            "acts_as": ["degraded", "full"],
            "days": 14,
            "says": "Repair a failed assembly within 14 days.",
            "clause": clause("13.08.060"),
        }
    ],
    "limits": [
        {
            "name": "report.due",
            "at_most": 10,
            "unit": "days",
            "says": "Submit the report to the utility within 10 days.",
            "clause": clause("13.08.070"),
        }
    ],
    "criteria": [
        {
            "rule": "rp.check_1.held_at",
            "at_least": 6.0,
            "unit": "psi",
            "says": "Check 1 of an RP holds at least 6 psi.",
            "clause": clause("13.08.055"),
        }
    ],
    "notices": [
        {
            "step": "due",
            "occasion": "due",
            "to": "customer",
            "days": -45,
            "says": "The customer is notified 45 days before a test is due.",
            "clause": clause("13.08.080"),
        }
    ],
    "premises": [
        {
            "key": "car_washes",
            "premises": ["car_wash"],
            "kinds": ["air_gap", "rp"],
            "says": "A car wash is isolated by an air gap or an RP.",
            "clause": clause("13.08.040"),
        }
    ],
}


def inspection(*, vertical_distance: float) -> dict[str, Any]:
    """An inspection of an air gap over a tank, away from walls."""
    return {
        "rulebook": "us-wa",
        "performed_at": "2026-05-14T10:00:00-07:00",
        "assembly": {"kind": "air_gap", "hazard": "health", "purpose": "premises_isolation"},
        "units": {"length": "in"},
        "installation": over_a_tank(vertical_distance),
        "inspector": {"certificate": "T-1", "valid_from": "2025-03-01", "valid_until": "2028-02-29"},
    }


def over_a_tank(vertical_distance: float) -> dict[str, Any]:
    """What an inspector sees and measures of an air gap below a 2 in outlet."""
    gap = {"vertical_distance": vertical_distance, "effective_diameter": 2, "near_walls": 0}
    return {"air_gap": gap, "unobstructed": True, "subject_to_submergence": False}


def day_in_a_utility(call: Recorder, clock: SettableClock, database: Database) -> None:  # noqa: PLR0915 - every call, one after another
    """Every published call but the `endings`, once, in an order in which each finds what it needs."""
    year, today = 2026, clock.now()
    utility = "harrow-fen"
    # The service itself, and the rules.
    for operation in (
        "listCodes",
        "readHealth",
        "readReadiness",
        "readMetrics",
        "readKeySet",
        "listRulebooks",
        "listAssemblyKinds",
        "listPremisesTypes",
    ):
        call(operation)
    call("readRulebook", rulebook="us-wa", query={"on": "2026-06-01"})
    failing, passing = phase(0.6), phase(1.6)
    call("judgeTest", body=field_test(failing))
    call(
        "selectAssembly",
        body={
            "rulebook": "us-wa",
            "hazard": "health",
            "backpressure_possible": False,
            "continuous_pressure": True,
            "purpose": "point_of_use",
        },
    )
    call(
        "checkPlacement",
        body={"rulebook": "us-wa", "kind": "pvb", "units": {"length": "in"}, "installation": {"height_above_highest_outlet": 8}},
    )
    call("judgeInspection", body=inspection(vertical_distance=3))
    call(
        "operateAssembly",
        body={
            "kind": "pvb",
            "units": {"pressure": "psi", "length": "in", "flow": "gpm"},
            "conditions": {"check": "leaking"},
            "steps": [{"label": "A main breaks", "supply_pressure": -8, "downstream": "outlet_open", "outlet_elevation": -12}],
        },
    )
    call(
        "runPracticeTest",
        body={"kind": "pvb", "units": {"pressure": "psi"}, "line_pressure": 62, "conditions": {"check": "leaking"}, "seed": 7},
    )
    # Who is there.
    call(
        "createUtility",
        body={"code": utility, "name": "Harrow Fen Water", "rulebook": "us-wa", "time_zone": "America/Los_Angeles"},
    )
    call("readUtility", utility=utility)
    call("updateUtility", utility=utility, body={"due_soon_days": 45}, headers={"If-Match": '"1"'})
    call("listUtilities")
    company = call("createOrganisation", body={"kind": "testing_company", "name": "Fenland Testing"})["id"]
    call("listOrganisations", query={"limit": 2})
    call("readOrganisation", organisation=company)
    call("createKey", organisation=company, body={"label": "Office computer", "rights": ["read", "report"]})
    call("listKeys", organisation=company)
    call("grantUtility", utility=utility, organisation=company)
    call("listGrants", utility=utility)
    # The register.
    premises = call(
        "createPremises",
        utility=utility,
        body={
            "name": "Mill Lane Nursery",
            "address": "3 Mill Lane",
            "connection": "irrigation",
            "reference": "C-1042",
            "hazard": "health",
            "location": {"latitude": 47.04, "longitude": -122.9},
            "contact": {"name": "The grower", "email": "grower@nursery.example"},
        },
    )["id"]
    call("readPremises", utility=utility, id=premises)
    call("listPremises", utility=utility)
    call("updatePremises", utility=utility, id=premises, body={"name": "Mill Lane Nurseries"}, headers={"If-Match": '"1"'})
    owner = {"contact": {"name": "P. Alder", "email": "office@nurseries.example"}}
    call("updatePremises", utility=utility, id=premises, body=owner, headers={"If-Match": '"2"'})
    call("listContactChanges", utility=utility, id=premises)
    assembly = call(
        "createAssembly",
        utility=utility,
        body={
            "premises_id": premises,
            "kind": "pvb",
            "hazard": "health",
            "purpose": "point_of_use",
            "serial_number": SERIAL_NUMBER,
            "nominal_size": {"size": 1, "units": {"length": "in"}},
            "position": "Behind the greenhouse",
            "installed_on": "2024-04-02",
        },
    )["id"]
    call("readAssembly", utility=utility, id=assembly)
    call("readServicePeriods", utility=utility, id=assembly)
    call("listAssemblies", utility=utility)
    call("updateAssembly", utility=utility, id=assembly, body={"position": "Beside the greenhouse"}, headers={"If-Match": '"1"'})
    wrong = call(
        "createAssembly",
        utility=utility,
        keep=False,
        body={"premises_id": premises, "kind": "pvb", "hazard": "health", "serial_number": "7731"},
    )["id"]
    error = {"correction": "duplicate", "duplicate_of": assembly, "because": "Typed in twice.", "decided_by": "The office"}
    call("correctAssembly", utility=utility, id=wrong, body=error)
    call("listAssemblyCorrections", utility=utility, id=wrong)
    certificate = {
        "certificate": "T-1",
        "kinds": ["rp", "dc", "pvb", "svb"],
        "valid_from": "2025-03-01",
        "valid_until": "2028-02-29",
    }
    tester = call("createTester", utility=utility, body={"name": "Tester A", "certificates": [certificate]})["id"]
    call("readTester", utility=utility, id=tester)
    call("listTesters", utility=utility)
    call("updateTester", utility=utility, id=tester, body={"organisation_id": company}, headers={"If-Match": '"1"'})
    gauge = call(
        "createGauge",
        utility=utility,
        body={
            "serial_number": "G-77",
            "units": {"pressure": "psi"},
            "accuracy": 0.2,
            "resolution": 0.1,
            "calibrations": [{"calibrated_on": "2025-01-15"}],
        },
    )["id"]
    call("readGauge", utility=utility, id=gauge)
    call("listGauges", utility=utility)
    calibrations = [{"calibrated_on": "2025-01-15"}, {"calibrated_on": "2026-01-12"}]
    call("updateGauge", utility=utility, id=gauge, body={"calibrations": calibrations}, headers={"If-Match": '"1"'})
    call("setAssemblyGrants", utility=utility, organisation=company, body={"assemblies": "listed"})
    call("grantAssembly", utility=utility, organisation=company, id=assembly)
    call("listAssemblyGrants", utility=utility, organisation=company)
    call("withdrawAssembly", utility=utility, organisation=company, id=assembly)
    # Reports, and what follows from them.
    facts = {
        "assembly_id": assembly,
        "tester_id": tester,
        "gauge_id": gauge,
        "performed_at": (today - dt.timedelta(hours=2)).isoformat(),
        "reason": "periodic",
        "units": {"pressure": "psi"},
        "line_pressure": 62,
        "initial_test": failing,
    }
    report = example_id(1001)
    call("submitReport", utility=utility, id=report, body=facts)
    notices(call, utility)
    clock.pass_by(minutes=1)
    retested = facts | {
        "performed_at": (today - dt.timedelta(hours=1)).isoformat(),
        "reason": "repair",
        "repairs": [{"component": "check", "part": "disc", "action": "replaced"}],
        "final_test": passing,
        "declared": "fail",
    }
    held = call("createReport", utility=utility, body=retested)["report"]["id"]
    line = facts | {
        "id": str(example_id(1002)),
        "performed_at": (today - dt.timedelta(minutes=30)).isoformat(),
        "initial_test": passing,
    }
    gap = call(
        "createAssembly",
        utility=utility,
        body={
            "premises_id": premises,
            "kind": "air_gap",
            "hazard": "health",
            "purpose": "premises_isolation",
            "installed_on": "2025-06-12",
        },
    )["id"]
    inspected = {
        "assembly_id": gap,
        "tester_id": tester,
        "inspected_by": "T-1",
        "performed_at": (today - dt.timedelta(hours=2)).isoformat(),
        "reason": "periodic",
        "units": {"length": "in"},
        "installation": over_a_tank(4),
    }
    inspection_id = example_id(1003)
    call("submitInspection", utility=utility, id=inspection_id, body=inspected)
    call("readInspection", utility=utility, id=inspection_id)
    call("listInspections", utility=utility)
    call("submitReportBatch", utility=utility, body=json.dumps(line).encode() + b"\n")
    call("readReport", utility=utility, id=report)
    call("listReports", utility=utility)
    call("listAssemblyReports", utility=utility, id=assembly)
    receipt = call("readReceipt", utility=utility, id=report)["receipt"]
    call("verifyReceipt", body={"receipt": receipt})
    call("readStanding", utility=utility, id=assembly)
    call("listStandings", utility=utility)
    call("readTrend", utility=utility, id=assembly)
    call("listReviews", utility=utility)
    call("readReview", utility=utility, id=held)
    decision = {
        "decision": "accepted",
        "because": "The tester ticked the wrong box; the readings are right.",
        "decided_by": "The reviewer",
    }
    call("decideReview", utility=utility, id=held, body=decision, headers={"If-Match": '"0"'})
    call("voidReport", utility=utility, id=example_id(1002), body={"because": "The tester was at the assembly next door."})
    call("readTreeHead", utility=utility)
    call("listTreeHeads", utility=utility)
    call("proveInclusion", utility=utility, query={"report_id": str(report)})
    call("proveConsistency", utility=utility, query={"first": 1})
    # What a utility keeps beside its tests.
    incident = {
        "occurred_at": "2026-05-30T08:00:00-07:00",
        "status": "suspected",
        "description": "Green water at a tap.",
        "assemblies": [assembly],
    }
    call("putIncident", utility=utility, id=example_id(1003), body=incident)
    call("createIncident", utility=utility, body=incident | {"status": "unfounded"})
    call("readIncident", utility=utility, id=example_id(1003))
    call("listIncidents", utility=utility)
    closed = {"status": "confirmed", "closed_on": "2026-05-31"}
    call("updateIncident", utility=utility, id=example_id(1003), body=closed, headers={"If-Match": '"1"'})
    call("listIncidentRevisions", utility=utility, id=example_id(1003))
    exception = {
        "assembly_id": assembly,
        "since": "2026-06-01",
        "until": "2026-08-31",
        "reason": "cannot_be_shut_down",
        "because": "The seedlings need water until August.",
        "granted_by": "Cross-connection office",
    }
    call("putException", utility=utility, id=example_id(1004), body=exception)
    other = call(
        "createAssembly",
        utility=utility,
        body={"premises_id": premises, "kind": "rp", "hazard": "health", "purpose": "premises_isolation"},
    )
    call("grantException", utility=utility, body=exception | {"assembly_id": other["id"]})
    call("readException", utility=utility, id=example_id(1004))
    call("listExceptions", utility=utility)
    end = {"ended_on": "2026-06-01", "ended_because": "A second line was laid."}
    call("endException", utility=utility, id=example_id(1004), body=end, headers={"If-Match": '"1"'})
    assessment = {
        "premises_id": premises,
        "assessed_on": "2026-05-20",
        "assessed_by": "Cross-connection office",
        "hazard": "health",
    }
    call("putHazardAssessment", utility=utility, id=example_id(1005), body=assessment)
    call("createHazardAssessment", utility=utility, body=assessment | {"assessed_on": "2026-05-21"})
    call("readHazardAssessment", utility=utility, id=example_id(1005))
    call("listHazardAssessments", utility=utility)
    # Changes, sent or read.
    call("listChanges", utility=utility)
    hook = call("createWebhook", utility=utility, body={"url": "https://portal.example/changes", "resources": ["reports"]})["id"]
    call("listWebhooks", utility=utility)
    call("readWebhook", utility=utility, id=hook)
    call("updateWebhook", utility=utility, id=hook, body={"description": "The customers' portal"}, headers={"If-Match": '"1"'})
    call("rotateWebhookSecret", utility=utility, id=hook, body={"overlap_hours": 24}, headers={"If-Match": '"2"'})
    call("readWebhookProgress", utility=utility, id=hook)
    delivery = put_delivery(database, utility, hook)
    call("listWebhookDeliveries", utility=utility, id=hook)
    call("readWebhookDelivery", utility=utility, id=hook, delivery=delivery)
    call("replayWebhookDelivery", utility=utility, id=hook, delivery=delivery)
    call("replayWebhook", utility=utility, id=hook, body={"after": 0})
    # A second look, figures, files.
    call("runScreens", utility=utility)
    screening = put_screening(database, utility, tester)
    call("listScreenings", utility=utility)
    call("readScreening", utility=utility, id=screening)
    explained = {"disposition": "explained", "because": "The gauge shows every second tenth.", "decided_by": "The reviewer"}
    call("decideScreening", utility=utility, id=screening, body=explained, headers={"If-Match": '"1"'})
    call("readSummary", utility=utility, year=year)
    call("listSummaryRows", utility=utility, year=year, query={"figure": "tests"})
    call("readCombinedSummary", year=year)
    call("exportUtility", utility=utility)
    call(
        "importSpreadsheet",
        utility=utility,
        body=b"premises number,premises name,address,connection\nC-2001,Fen Bakery,1 Sluice Lane,non-residential\n",
    )
    imported = [
        call(
            "importSpreadsheet",
            utility=utility,
            query={"dry_run": "false"},
            body=f"premises number,premises name,address,connection\nC-{number},Fen Bakery,{number} Sluice Lane,non-residential\n".encode(),
        )["id"]
        for number in (2002, 2003)
    ]
    call("listImports", utility=utility)
    call("readImport", utility=utility, id=imported[0])
    call("listLaterReports", utility=utility, id=imported[0])
    call("undoImport", utility=utility, id=imported[0], body={"because": "The file was of another utility."})
    call(
        "sealImport",
        utility=utility,
        id=imported[1],
        body={"because": "The clerk compared it with the paper.", "decided_by": "The clerk"},
    )
    call("previewLocalRulebook", utility=utility, body=ORDINANCE)
    call("putLocalRulebook", utility=utility, version=1, body=ORDINANCE)
    call("listLocalRulebooks", utility=utility)
    call("readLocalRulebook", utility=utility, version=1)
    call("readUtilityRulebook", utility=utility, query={"on": "2026-06-01"})
    call(
        "selectByUtilityRulebook",
        utility=utility,
        body={
            "rulebook": "us-wa",
            "hazard": "health",
            "premises": "car_wash",
            "purpose": "premises_isolation",
            "backpressure_possible": True,
            "continuous_pressure": True,
        },
    )


def endings(call: Recorder) -> None:
    """The calls that end something, after the day: what they ended is gone for any other call."""
    done = call.examples
    webhook, key = done["readWebhook"]["request"]["path"], done["createKey"]
    call("deleteWebhook", **webhook, headers={"If-Match": '"3"'})
    call("revokeKey", organisation=key["request"]["path"]["organisation"], id=key["answer"]["body"]["id"])
    call("withdrawUtility", **done["grantUtility"]["request"]["path"])


def notices(call: Recorder, utility: str) -> None:
    """Notices: the schedule, a run, and what became of one."""
    call("readNoticeSchedule", utility=utility)
    call("previewNotices", utility=utility)
    run = call("startNoticeRun", utility=utility)
    deadline = time.monotonic() + 30
    while run["state"] == "running" and time.monotonic() < deadline:
        time.sleep(0.02)
        run = call("readNoticeRun", utility=utility, id=run["id"], keep=False)
    call("readNoticeRun", utility=utility, id=run["id"])
    call("listNoticeRuns", utility=utility)
    notice = call("listNotices", utility=utility)["items"][0]
    call("readNotice", utility=utility, id=notice["id"])
    call(
        "updateNotice",
        utility=utility,
        id=notice["id"],
        body={"state": "sent", "detail": "Letter 17"},
        headers={"If-Match": '"1"'},
    )
    schedule = {"steps": None}
    call("updateNoticeSchedule", utility=utility, body=schedule, headers={"If-Match": '"0"'})


def phase(check: float) -> dict[str, Any]:
    """A test of a vacuum breaker whose check held that much, in psi."""
    return {
        "shutoffs": {"inlet": "tight", "outlet": "tight"},
        "readings": [
            {"component": "air_inlet", "opened": True, "opened_at": 1.4, "opened_fully": True},
            {"component": "check", "closed_tight": True, "held_at": check},
        ],
    }


def field_test(initial: dict[str, Any]) -> dict[str, Any]:
    """A field test of a vacuum breaker."""
    return {
        "rulebook": "us-wa",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": "pvb", "hazard": "health"},
        "units": {"pressure": "psi"},
        "line_pressure": 62,
        "gauge": {"accuracy": 0.2, "resolution": 0.1, "calibrated_on": "2026-01-12"},
        "tester": {"certificate": "T-1", "kinds": ["pvb"], "valid_from": "2025-03-01", "valid_until": "2028-02-29"},
        "initial_test": initial,
    }


def put_delivery(database: Database, utility: str, hook: str) -> UUID:
    """A webhook's message that was given up, put there by the database's owner: nothing is sent while examples are made."""
    delivery = example_id(1006)
    database.owner(
        "INSERT INTO record.webhook_delivery (utility_id, webhook_id, id, created_at, after_sequence, last_sequence, state, due_at) "
        "VALUES ($1, $2, $3, $4, 0, 1, 'dead', $4)",
        utility,
        UUID(hook),
        delivery,
        NOON,
    )
    return delivery


def put_screening(database: Database, utility: str, tester: str) -> UUID:
    """An open screening, put there by the database's owner: a day's reports give no screen anything to find."""
    screening = example_id(1007)
    message = "The last digits of this tester's readings differ from those of the other testers."
    database.owner(
        "INSERT INTO record.screening (utility_id, id, version, created_at, changed_at, screen, tester_id, occasion, on_day, message, evidence, "
        """disposition) VALUES ($1, $2, 1, $3, $3, 'last_digits', $4, '2026', '2026-06-01', $5, '{"report_ids": [], "figures": {}}', 'open')""",
        utility,
        screening,
        NOON,
        UUID(tester),
        message,
    )
    return screening


def recorded(database: Database) -> dict[str, Any]:
    """The example of every published call, by its operation id, from a service in that fresh database."""
    clock = CountingClock()
    with serving(database, clock, signing_keys=SIGNING_KEYS, webhook_key=Secret(b"k" * 32), deliver=False) as url:
        world = World(url, database, clock)
        recorder = Recorder(world.operator)
        day_in_a_utility(recorder, clock, database)
        endings(recorder)
        world.close()
    return dict(settled(recorder.examples))


def settled(value: Any) -> Any:
    """With times by the database's own clock replaced by the clock's."""
    if isinstance(value, dict):
        return {
            name: NOON.isoformat().replace("+00:00", "Z") if name == "recorded_at" else settled(part)
            for name, part in value.items()
        }
    if isinstance(value, list):
        return [settled(part) for part in value]
    return value


def as_text(examples: dict[str, Any]) -> str:
    """As the file holds them."""
    return json.dumps(dict(sorted(examples.items())), indent=1, ensure_ascii=False) + "\n"


def main() -> None:
    """Write the examples again."""
    with data_folder() as folder:
        server = EmbeddedPostgres(folder)
        try:
            ask(server.dsn(), lambda connection: connection.execute("CREATE DATABASE examples"))
            migrate(server.dsn(database="examples"))
            PATH.write_text(as_text(recorded(Database(server, "examples"))), encoding="utf-8")
        finally:
            server.stop()


if __name__ == "__main__":
    main()
