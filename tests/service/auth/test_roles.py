"""Every call of the published contract, tried by every role, against the statuses that `EXPECTED` states.

A new call needs its line here, or `test_every_call_is_in_the_table` fails. A line says who may (`open_to_all`, `reads`, `reads_whole`,
`reports`, `registers`, `administers`), with which status it answers whoever may, and, where the defaults below do not do, what to send.
"""

import re
import time
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple
from uuid import UUID, uuid4

import msgspec
import pytest

from service import endpoints as calls
from service.secrets import Secret
from tests.service.auth.test_access import valid_body
from tests.support.databases import Database
from tests.support.world import SIGNING_KEYS, Place, World, bearer, world_in

# From the least to the most privileged, so that what a call destroys is still there while the others try.
ROLES = ("nobody", "revoked", "other_utility", "stranger", "regulator", "company", "utility", "operator")


class Stage(NamedTuple):
    """A utility with something of everything, and a key for each role; `stranger` is a testing company without a grant here."""

    world: World
    place: Place
    keys: dict[str, str | None]
    ids: dict[str, str]
    elsewhere: str

    def ask(self, role: str, method: str, path: str, **sent: Any) -> Any:
        """The answer to that role."""
        key = self.keys[role]
        headers = sent.pop("headers", {}) | ({} if key is None else bearer(key))
        return self.world.client.request(method, path, headers=headers, **sent)


class Expected(NamedTuple):
    """A status for each role, and what to send."""

    statuses: dict[str, int]
    body: Callable[[Stage], Any] | None = None
    query: Callable[[Stage], str] | None = None


def row(*, operator: int, utility: int, company: int, regulator: int, granted_elsewhere: int = 404) -> dict[str, int]:
    """A status for each role: those who have another utility's grant only, and those without a good key, are reported alike everywhere."""
    return {
        "nobody": 401,
        "revoked": 401,
        "other_utility": granted_elsewhere,
        "stranger": granted_elsewhere,
        "regulator": regulator,
        "company": company,
        "utility": utility,
        "operator": operator,
    }


def open_to_all(status: int = 200, **sent: Any) -> Expected:
    """Asks for no key, and so answers whoever asks alike."""
    return Expected(dict.fromkeys(ROLES, status), **sent)


def reads(status: int = 200, **sent: Any) -> Expected:
    """All who are granted the utility, a testing company what it is granted of it."""
    return Expected(row(operator=status, utility=status, company=status, regulator=status), **sent)


def reads_whole(status: int = 200, **sent: Any) -> Expected:
    """All who are granted the utility but testing companies."""
    return Expected(row(operator=status, utility=status, company=403, regulator=status), **sent)


def reports(status: int = 201, **sent: Any) -> Expected:
    """Those who send reports; a regulator only reads."""
    return Expected(row(operator=status, utility=status, company=status, regulator=403), **sent)


def registers(status: int = 201, **sent: Any) -> Expected:
    """The utility (and the operator)."""
    return Expected(row(operator=status, utility=status, company=403, regulator=403), **sent)


def administers(status: int, **sent: Any) -> Expected:
    """The operator alone; who is not granted the utility in the path does not learn that it is there."""
    return Expected(row(operator=status, utility=403, company=403, regulator=403), **sent)


def administers_all(status: int, **sent: Any) -> Expected:
    """The operator alone, beside every utility."""
    return Expected(row(operator=status, utility=403, company=403, regulator=403, granted_elsewhere=403), **sent)


def any_key(status: int = 200, **sent: Any) -> Expected:
    """Whoever has a good key, each what is granted to it."""
    return Expected(row(operator=status, utility=status, company=status, regulator=status, granted_elsewhere=status), **sent)


def new_utility(stage: Stage) -> dict[str, Any]:
    """A utility of a code not taken."""
    return {"code": f"new-{uuid4().hex[:12]}", "name": "N", "rulebook": "us-wa", "time_zone": "UTC"}


LOCAL_RULEBOOK = {
    "extends": "us-wa",
    "title": "Code of Sluice",
    "in_force_from": "2026-01-01",
    "limits": [
        {
            "name": "report.due",
            "at_most": 20,
            "unit": "days",
            "says": "Submit the report within 20 days.",
            "clause": {"title": "Code of Sluice", "section": "4"},
        }
    ],
}
SELECTION = {
    "rulebook": "us-wa",
    "hazard": "health",
    "purpose": "premises_isolation",
    "backpressure_possible": True,
    "continuous_pressure": True,
}


EXPECTED: dict[str, Expected] = {
    # The rules, and what is about the service itself. An empty question is malformed, for everyone alike.
    "listRulebooks": open_to_all(),
    "readRulebook": open_to_all(),
    "listAssemblyKinds": open_to_all(),
    "listPremisesTypes": open_to_all(),
    "judgeTest": open_to_all(400),
    "judgeInspection": open_to_all(400),
    "selectAssembly": open_to_all(400),
    "checkPlacement": open_to_all(400),
    "operateAssembly": open_to_all(400),
    "runPracticeTest": open_to_all(400),
    "listCodes": open_to_all(),
    "readHealth": open_to_all(),
    "readReadiness": open_to_all(),
    "readMetrics": open_to_all(),
    "verifyReceipt": open_to_all(body=lambda _: {"receipt": "x.y.z"}),
    "readKeySet": open_to_all(),
    # Utilities, and who may act in them.
    "createUtility": administers_all(201, body=new_utility),
    "listUtilities": any_key(),
    "readUtility": reads(),
    "updateUtility": registers(200),
    "readUtilityRulebook": reads(),
    "putLocalRulebook": registers(201, body=lambda _: LOCAL_RULEBOOK),
    "listLocalRulebooks": reads(),
    "readLocalRulebook": reads(),
    "previewLocalRulebook": registers(200, body=lambda _: LOCAL_RULEBOOK),
    "selectByUtilityRulebook": reads(body=lambda _: SELECTION),
    "listGrants": registers(200),
    "grantUtility": administers(204),
    "withdrawUtility": administers(204),
    "setAssemblyGrants": registers(204, body=lambda _: {"assemblies": "all"}),
    "listAssemblyGrants": registers(200),
    "grantAssembly": registers(204),
    "withdrawAssembly": registers(204),
    "createOrganisation": administers_all(201, body=lambda _: {"kind": "regulator", "name": "R"}),
    "listOrganisations": administers_all(200),
    "readOrganisation": administers_all(200),
    "createKey": administers_all(201, body=lambda _: {"label": "k"}),
    "listKeys": administers_all(200),
    "revokeKey": administers_all(204),
    # The register.
    "createPremises": registers(),
    "listPremises": reads(),
    "readPremises": reads(),
    "updatePremises": registers(200),
    "listContactChanges": registers(200),
    "createAssembly": registers(),
    "listAssemblies": reads(),
    "readAssembly": reads(),
    "updateAssembly": registers(200),
    "correctAssembly": registers(422, body=lambda _: {"correction": "kind", "kind": "pvb", "because": "It is one already."}),
    "listAssemblyCorrections": registers(200),
    "readServicePeriods": reads_whole(),
    "createTester": registers(),
    "listTesters": reads(),
    "readTester": reads(),
    "updateTester": registers(200),
    "createGauge": registers(),
    "listGauges": reads(),
    "readGauge": reads(),
    "updateGauge": registers(200),
    # Reports, and what follows from them.
    "submitReport": reports(),
    "createReport": reports(),
    "submitReportBatch": reports(200, body=lambda _: b""),
    "submitInspection": reports(),
    "readInspection": reads(),
    "listInspections": reads(),
    "readReport": reads(),
    "listReports": reads(),
    "listAssemblyReports": reads(),
    "readReceipt": reads(),
    "readTrend": reads(),
    "readStanding": reads(),
    "listStandings": reads(),
    "listChanges": reads(),
    "listReviews": reads(),
    "readReview": reads(),
    "decideReview": registers(200),
    "voidReport": registers(200, body=lambda _: {"because": "It was filed on the wrong assembly."}),
    # What a utility keeps to itself and to its regulator.
    "createIncident": registers(),
    "putIncident": registers(),
    "listIncidents": reads_whole(),
    "readIncident": reads_whole(),
    "listIncidentRevisions": reads_whole(),
    "updateIncident": registers(200),
    "grantException": registers(),
    "putException": registers(),
    "listExceptions": reads_whole(),
    "readException": reads_whole(),
    "endException": registers(200),
    "createHazardAssessment": registers(),
    "putHazardAssessment": registers(),
    "listHazardAssessments": reads_whole(),
    "readHazardAssessment": reads_whole(),
    "readNoticeSchedule": reads_whole(),
    "updateNoticeSchedule": registers(200, body=lambda _: {}),
    "previewNotices": reads_whole(),
    "startNoticeRun": registers(202),
    "listNoticeRuns": reads_whole(),
    "readNoticeRun": reads_whole(),
    "listNotices": reads_whole(),
    "readNotice": reads_whole(),
    "updateNotice": registers(200),
    "listScreenings": reads_whole(),
    "readScreening": reads_whole(),
    "decideScreening": registers(200),
    "runScreens": registers(200),
    # Where a utility has the changes sent.
    "createWebhook": registers(),
    "listWebhooks": registers(200),
    "readWebhook": registers(200),
    "deleteWebhook": registers(204),
    "updateWebhook": registers(200, body=lambda _: {"description": "D"}),
    "rotateWebhookSecret": registers(200, body=lambda _: {}),
    "readWebhookProgress": registers(200),
    "replayWebhook": registers(202, body=lambda _: {"after": 0}),
    "listWebhookDeliveries": registers(200),
    "readWebhookDelivery": registers(200),
    "replayWebhookDelivery": registers(202),
    "readTreeHead": reads_whole(),
    "listTreeHeads": reads_whole(),
    "proveInclusion": reads_whole(query=lambda stage: f"?report_id={stage.ids['reports']}&size=1"),
    "proveConsistency": reads_whole(query=lambda _: "?first=1&second=1"),
    "readCombinedSummary": Expected(any_key().statuses | {"company": 403, "stranger": 403}),
    "listSummaryRows": reads_whole(query=lambda _: "?figure=tests"),
    "readSummary": reads_whole(),
    "exportUtility": registers(200),
    "listImports": reads_whole(),
    "readImport": reads_whole(404),
    "listLaterReports": reads_whole(404),
    "undoImport": registers(404, body=lambda _: {"because": "It was the wrong file."}),
    "sealImport": registers(404, body=lambda _: {"because": "It was checked."}),
    "importSpreadsheet": registers(200, body=lambda _: b"premises number,address\n1,1 Sluice Lane\n"),
}


@pytest.fixture(scope="module")
def world(database: Database) -> Iterator[World]:
    """A world with every key to sign with."""
    with world_in(database, signing_keys=SIGNING_KEYS, webhook_key=Secret(b"k" * 32), deliver=False) as made:
        yield made


@pytest.fixture(scope="module")
def stage(world: World) -> Stage:
    """One utility for all calls; each destroys only what is made again for each caller."""
    place = world.place()
    elsewhere = world.place()
    revoked = world.made(f"/v1/organisations/{place.organisations['utility']}/keys", label="revoked")
    world.operator.delete(f"/v1/organisations/{place.organisations['utility']}/keys/{revoked['id']}").raise_for_status()
    keys = {
        "nobody": None,
        "revoked": revoked["key"],
        "other_utility": elsewhere.keys["utility"],
        "stranger": elsewhere.keys["testing_company"],
        "regulator": place.keys["regulator"],
        "company": place.keys["testing_company"],
        "utility": place.keys["utility"],
        "operator": world.operator_key,
    }
    ids = {
        "premises": place.premises,
        "assemblies": place.assembly,
        "testers": place.tester,
        "gauges": place.gauge,
        "reports": place.recorded()["report"]["id"],
        "reviews": place.recorded(declared="fail")["report"]["id"],
        "assembly-grants": place.assembly,
        "incidents": place.made("incidents", **valid_body("incidents", "POST", place))["id"],
    }
    return Stage(world, place, keys, ids, elsewhere.code)


def published() -> Iterator[Any]:
    """Every published call."""
    return (one for one in calls.operations if one.public)


def test_every_call_is_in_the_table() -> None:
    ids = {one.id for one in published()}
    assert ids - set(EXPECTED) == set(), "A call is new: say in EXPECTED who may, and with which status it answers."
    assert set(EXPECTED) - ids == set(), "EXPECTED names calls that are no longer there."


@pytest.mark.parametrize("call", list(published()), ids=lambda one: one.id)
def test_each_role_is_answered_as_the_table_says(stage: Stage, call: Any) -> None:
    expected = EXPECTED[call.id]
    facts = {role: attempt(stage, call, expected, role) for role in ROLES}
    assert {role: answer.status_code for role, answer in facts.items()} == expected.statuses, {
        role: answer.text[:300] for role, answer in facts.items() if answer.status_code != expected.statuses[role]
    }
    if call.right is not None and expected.statuses["stranger"] == 404:
        # What is not granted cannot be distinguished from what is not there.
        nowhere = attempt(stage, call, expected, "stranger", code="no-such-utility")
        assert nowhere.json() | {"instance": ""} == facts["stranger"].json() | {"instance": ""}


_UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")


@pytest.mark.parametrize(
    "call",
    [one for one in published() if "{utility" in one.path and one.path.count("{") > 1 and one.right != "administer"],
    ids=lambda one: one.id,
)
def test_things_of_another_utility_are_not_there_under_ones_own(stage: Stage, call: Any) -> None:
    """An utility that names another's thing in its own path is answered as if there were none, to the letter; a new call is tried as well."""
    expected = EXPECTED[call.id]
    path = located(stage, call, stage.elsewhere)
    makes = call.method == "PUT" and call.path.endswith(":uuid}")
    if makes and not path.startswith(f"/v1/utilities/{stage.elsewhere}/assembly-grants"):
        # An id is its maker's to choose; what has the same one elsewhere is nothing to it, and stays as it is.
        there = path.replace(stage.elsewhere, stage.place.code)
        before = stage.world.operator.get(there).text
        assert attempt(stage, call, expected, "other_utility", at=path).status_code in (201, 422)
        assert stage.world.operator.get(there).text == before
        return
    theirs, nothings = (
        attempt(stage, call, expected, "other_utility", at=one) for one in (path, _UUID.sub(lambda _: str(uuid4()), path))
    )
    if call.id == "putLocalRulebook":
        # A number is its utility's own: what has the same one elsewhere is nothing to it.
        assert (theirs.status_code, nothings.status_code) == (201, 200)
        return
    if "{year" in call.path:
        assert theirs.status_code == nothings.status_code == 200
        return
    assert theirs.status_code == 404, theirs.text
    assert theirs.json() | {"instance": ""} == nothings.json() | {"instance": ""}


# What a body may name, by call: the member and what it names. A list names things in a list.
NAMED_IN_BODIES: dict[str, tuple[tuple[str, str], ...]] = {
    "createAssembly": (("premises_id", "premises"),),
    "updateAssembly": (("premises_id", "premises"),),
    "createTester": (("organisation_id", "organisations"),),
    "updateTester": (("organisation_id", "organisations"),),
    "createGauge": (("organisation_id", "organisations"),),
    "updateGauge": (("organisation_id", "organisations"),),
    **dict.fromkeys(
        ("createReport", "submitReport"),
        (("assembly_id", "assemblies"), ("tester_id", "testers"), ("gauge_id", "gauges"), ("supersedes", "reports")),
    ),
    "submitInspection": (("assembly_id", "assemblies"), ("tester_id", "testers"), ("supersedes", "reports")),
    **dict.fromkeys(
        ("createIncident", "putIncident", "updateIncident"), (("assemblies", "assemblies"), ("premises", "premises"))
    ),
    **dict.fromkeys(("grantException", "putException"), (("assembly_id", "assemblies"),)),
    **dict.fromkeys(("createHazardAssessment", "putHazardAssessment"), (("premises_id", "premises"),)),
}


@pytest.fixture(scope="module")
def theirs(world: World) -> dict[str, str]:
    """Ids of another utility's things."""
    other = world.place()
    return {
        "premises": other.premises,
        "assemblies": other.assembly,
        "testers": other.tester,
        "gauges": other.gauge,
        "reports": other.recorded()["report"]["id"],
        "organisations": world.made("/v1/organisations", kind="testing_company", name="Not granted here")["id"],
    }


@pytest.mark.parametrize("call", [one for one in published() if one.id in NAMED_IN_BODIES], ids=lambda one: one.id)
def test_what_a_body_names_of_another_utility_is_as_if_it_were_nobodys(stage: Stage, theirs: dict[str, str], call: Any) -> None:
    """For every role the answer to another utility's id is, to the letter, that to an id which nobody has; who may call gets 404 or 422."""
    good = valid_body(resource(call), call.method, stage.place)
    path = located(stage, call, stage.place.code)
    for member, thing in NAMED_IN_BODIES[call.id]:
        for role in ROLES:
            answers = []
            for named in (theirs[thing], str(uuid4())):
                value = [named] if member in ("assemblies", "premises") else named
                body = good | {member: value} | ({"supersedes_because": "misread"} if member == "supersedes" else {})
                found = attempt(stage, call, Expected({}, body=lambda _, body=body: body), role, at=path)  # type: ignore[misc]
                answers.append((found.status_code, found.text.replace(named, "").replace(path, "")))
            assert answers[0] == answers[1], (member, role)
            refused = EXPECTED[call.id].statuses[role]
            assert answers[0][0] in ((404, 422) if refused < 300 else (refused,)), (member, role, answers[0])


def test_the_lines_of_a_batch_name_nothing_of_another_utility(stage: Stage, theirs: dict[str, str]) -> None:
    for member, thing in NAMED_IN_BODIES["createReport"]:
        more = {"supersedes_because": "misread"} if member == "supersedes" else {}
        for role in ("company", "utility", "operator"):
            answers = []
            for named in (theirs[thing], str(uuid4())):
                line = stage.place.report(**{member: named}, **more) | {"id": str(uuid4())}
                found = stage.ask(
                    role,
                    "POST",
                    f"{stage.place.base}/reports/batches",
                    content=msgspec.json.encode(line) + b"\n",
                    headers={"Content-Type": "application/x-ndjson"},
                )
                answer = msgspec.json.decode(found.content)
                assert answer["status"] == 422, (member, role, answer)
                answers.append(found.text.replace(named, "").replace(line["id"], ""))
            assert answers[0] == answers[1], (member, role)


def attempt(stage: Stage, call: Any, expected: Expected, role: str, *, code: str | None = None, at: str | None = None) -> Any:
    """What that role is answered, by a request that is good for whoever may."""
    path = at or located(stage, call, code or stage.place.code)
    sent: dict[str, Any] = {}
    if call.takes is not None:
        body = expected.body(stage) if expected.body is not None else valid_body(resource(call), call.method, stage.place)
        content = body if isinstance(body, bytes) else msgspec.json.encode(body)
        sent = {"content": content, "headers": {"Content-Type": call.body_media_type}}
    if "If-Match" in call.request_headers:
        tag = stage.world.operator.get(path).headers.get("etag", '"1"')
        sent.setdefault("headers", {})["If-Match"] = tag
    if call.id == "withdrawAssembly":
        stage.world.operator.put(path).raise_for_status() if code is None and at is None else None
    query = "" if expected.query is None else expected.query(stage)
    return stage.ask(role, call.method, path + query, **sent)


def resource(call: Any) -> str:
    """The word that names what a call is about."""
    parts = call.path.split("/")
    return parts[4] if len(parts) > 4 else "utility"


def new_delivery(stage: Stage, webhook: str) -> str:
    """A webhook's message, put there by the database's owner."""
    delivery = uuid4()
    stage.world.database.owner(
        "INSERT INTO record.webhook_delivery (utility_id, webhook_id, id, created_at, after_sequence, last_sequence, state, due_at) "
        "VALUES ($1, $2, $3, now(), 0, 1, 'dead', now())",
        stage.place.code,
        UUID(webhook),
        delivery,
    )
    return str(delivery)


def new_notice(stage: Stage) -> str:
    """A prepared notice, put there by the database's owner; not beside a run that others have started, which writes the same tables."""
    owner, code, notice = stage.world.database.owner, stage.place.code, uuid4()
    deadline = time.monotonic() + 20
    while owner("SELECT 1 FROM record.notice_run WHERE state = 'running'") and time.monotonic() < deadline:
        time.sleep(0.05)
    owner(
        "INSERT INTO record.notice_run (utility_id, id, created_at, on_day, state, worker, beat_at) "
        "VALUES ($1, $2, now(), '2026-06-01', 'finished', $2, now())",
        code,
        notice,
    )
    owner(
        "INSERT INTO record.notice (utility_id, id, version, created_at, changed_at, assembly_id, run_id, step, occasion, addressee, due_on, "
        "scheduled_for, state, states, subject, body) VALUES ($1, $2, 1, now(), now(), $3, $2, 'due', 'due', 'utility', '2026-06-01', "
        "'2026-06-01', 'prepared', '[]', 'S', 'B')",
        code,
        notice,
        UUID(stage.place.new_assembly("pvb")),
    )
    return str(notice)


def new_screening(stage: Stage) -> str:
    """An open screening, put there by the database's owner."""
    screening = uuid4()
    stage.world.database.owner(
        "INSERT INTO record.screening (utility_id, id, version, created_at, changed_at, screen, tester_id, occasion, on_day, message, evidence, "
        """disposition) VALUES ($1, $2, 1, now(), now(), 'last_digits', $3, $4, '2026-06-01', 'M', '{"report_ids": [], "figures": {}}', 'open')""",
        stage.place.code,
        screening,
        UUID(stage.place.tester),
        str(screening),
    )
    return str(screening)


def local_version(stage: Stage, call: Any, code: str) -> int:
    """The number of a version of the local rulebook that is there, or of the next one for a call that states it."""
    path = f"/v1/utilities/{code}/rulebook/versions"
    if call.id == "readLocalRulebook":
        # The utility elsewhere has fewer of them.
        for number in (1, 2, 3):
            there = f"{stage.place.base}/rulebook/versions/{number}"
            stage.world.operator.put(there, content=msgspec.json.encode(LOCAL_RULEBOOK)).raise_for_status()
        return 3
    if call.id != "putLocalRulebook":
        return 1
    return len(stage.world.operator.get(path).json().get("items", [])) + 1


def located(stage: Stage, call: Any, code: str) -> str:
    """The path of a call, about things that are there; what a call makes or destroys is new each time."""
    world, place = stage.world, stage.place
    organisation = place.organisations["testing_company"]
    thing = stage.ids.get(resource(call), str(uuid4()))
    if call.id in ("submitReport", "submitInspection", "putIncident", "putException", "putHazardAssessment"):
        thing = str(uuid4())
    if call.id in ("readException", "endException"):
        thing = place.made("exceptions", **valid_body("exceptions", "POST", place) | {"assembly_id": place.new_assembly("pvb")})[
            "id"
        ]
    if call.id == "readInspection":
        thing = str(uuid4())
        made = stage.ask("company", "PUT", f"{place.base}/inspections/{thing}", json=valid_body("inspections", "PUT", place))
        assert made.status_code == 201, made.text
    if call.id == "readHazardAssessment":
        thing = place.made("hazard-assessments", **valid_body("hazard-assessments", "POST", place))["id"]
    if call.id in ("readNotice", "updateNotice"):
        thing = new_notice(stage)
    if call.id in ("readScreening", "decideScreening"):
        thing = new_screening(stage)
    if call.id == "revokeKey":
        thing = world.made(f"/v1/organisations/{organisation}/keys", label="k")["id"]
    if call.id == "readNoticeRun":
        thing = stage.ask("utility", "POST", f"{place.base}/notices/runs").json()["id"]
    if call.id in ("grantUtility", "withdrawUtility"):
        organisation = world.made("/v1/organisations", kind="regulator", name="R")["id"]
        world.operator.put(f"{place.base}/grants/{organisation}").raise_for_status()
    delivery = str(uuid4())
    if resource(call) == "webhooks" and "{id:uuid}" in call.path:
        thing = place.made("webhooks", **valid_body("webhooks", "POST", place))["id"]
        delivery = new_delivery(stage, thing)
    filled = {
        "version": str(local_version(stage, call, code)),
        "utility": code,
        "id": thing,
        "delivery": delivery,
        "organisation": organisation,
        "year": "2026",
        "rulebook": "us-wa",
    }
    path = str(call.path)
    for name, kind in (
        ("utility", "str"),
        ("id", "uuid"),
        ("delivery", "uuid"),
        ("organisation", "uuid"),
        ("year", "int"),
        ("version", "int"),
        ("rulebook", "str"),
    ):
        path = path.replace(f"{{{name}:{kind}}}", filled[name])
    assert "{" not in path, f"{path}: say in `located` what to put there."
    return path
