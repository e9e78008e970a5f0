"""The running service, asked by schemathesis as its published contract says, in every phase and with every check.

The calls go to an invented utility in which each of them has succeeded before (`tests/support/examples.py`): the examples, the ids and the codes
in the contract are its own, so a request made from the contract finds a record to act on. A change is sent with the record's current `ETag`.
"""

import re
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import quote
from uuid import uuid4

import schemathesis
from msgspec import Struct, field
from schemathesis import engine
from schemathesis.config import SchemathesisConfig
from schemathesis.engine.events import FatalError, NonFatalError, ScenarioFinished
from schemathesis.hooks import GLOBAL_HOOK_DISPATCHER

from service.registry.api import IF_MATCH
from service.secrets import Secret
from tests.support.databases import Database
from tests.support.examples import SERIAL_NUMBER, CountingClock, Recorder, day_in_a_utility
from tests.support.serving import serving
from tests.support.world import SIGNING_KEYS, World, bearer

REFUSALS = ["404", "409", "412", "422", "428"]
"""A valid request may name a record that is missing (404), contradict one (409, 422), or change one that it has not read (412, 428)."""

ELSEWHERE = {
    "submitReportBatch": "The body is NDJSON, one document per line, and each line has its own answer: tests/service/record/reports/test_batches.py.",
    "importSpreadsheet": "The body is a CSV or Excel file: tests/service/imports/test_imports.py.",
}
"""The calls whose body is not one JSON document, which schemathesis cannot make, and the tests that they have instead."""


def config(world: World, phases: dict[str, Any]) -> SchemathesisConfig:
    """Every check, the same requests on each run.

    Texts have no NUL, which Postgres cannot store and a JSON Schema cannot exclude; tests/service/http/test_problems.py sends one.
    """
    return SchemathesisConfig.from_dict(
        {
            "headers": bearer(world.operator_key),
            "checks": {
                "positive_data_acceptance": {"expected-statuses": ["2xx", "304", *REFUSALS]},
                "negative_data_rejection": {"expected-statuses": ["400", "401", "404", "415", "422", "428"]},
                # RFC 6585, 3: a change without `If-Match`.
                "missing_required_header": {"expected-statuses": ["428"]},
            },
            "generation": {"allow-x00": False, "codec": "utf-8", "deterministic": True, "database": "none"},
            "phases": {name: {"enabled": name in phases} | phases.get(name, {}) for name in PHASES},
        }
    )


PHASES = ("examples", "coverage", "fuzzing", "stateful")
"""The contract's own examples; each bound and each omission; requests by chance; sequences in which a call uses what another one made."""


class Found(Struct):
    """What a run found: each failure once, and how often each call answered with which status, by operation id."""

    failures: list[str] = field(default_factory=list)
    answers: dict[str, Counter[int]] = field(default_factory=dict)

    @property
    def without_success(self) -> list[str]:
        """The calls that never answered a success."""
        return [name for name, statuses in self.answers.items() if not any(200 <= status < 300 for status in statuses)]


@contextmanager
def busy_world(database: Database) -> Iterator[World]:
    """A world in which every call has succeeded once, with keys to sign with, so that every call can answer."""
    clock = CountingClock()
    with serving(database, clock, signing_keys=SIGNING_KEYS, webhook_key=Secret(b"k" * 32), deliver=False) as url:
        world = World(url, database, clock)
        call = Recorder(world.operator)
        day_in_a_utility(call, clock, database)
        # The day ends with this grant withdrawn.
        call("grantAssembly", **call.examples["grantAssembly"]["request"]["path"])
        yield world
        world.close()


def contract(world: World, phases: dict[str, Any]) -> Any:
    """The contract as the service serves it, without the calls that have other tests."""
    served = schemathesis.openapi.from_url(f"{world.url}/openapi.json", config=config(world, phases))
    return served.exclude(operation_id=list(ELSEWHERE))


def run(world: World, **phases: Any) -> Found:
    """What a run of these phases finds, each with its own settings."""
    schema = contract(world, phases)
    ids = {made.label: made.definition.raw["operationId"] for made in (found.ok() for found in schema.get_all_operations())}
    found = Found(answers={name: Counter() for name in ids.values()})
    seen = set()
    with current_tags(world):
        for event in engine.from_schema(schema).execute():
            if isinstance(event, FatalError):
                raise event.exception
            if isinstance(event, NonFatalError):
                found.failures.append(f"{event.label}: {event.value}")
            if not isinstance(event, ScenarioFinished):
                continue
            for case_id, interaction in event.recorder.interactions.items():
                if interaction.response is not None:
                    found.answers[ids[event.recorder.cases[case_id].value.operation.label]][interaction.response.status_code] += 1
            for checked in (checked for checks in event.recorder.checks.values() for checked in checks if checked.failure_info):
                failure = checked.failure_info
                assert failure is not None
                if (checked.name, event.label) not in seen:
                    seen.add((checked.name, event.label))
                    found.failures.append(f"{event.label} ({event.phase.value}): {failure.failure}\n{failure.code_sample}")
    return found


def another_of(world: World, case: Any) -> Any:
    """A new assembly at the premises of the one that the call is about; the call's own where there is none such."""
    utility, known = case.path_parameters.get("utility"), case.path_parameters.get("id")
    path = f"/v1/utilities/{quote(str(utility), safe='')}/assemblies"
    found = world.operator.get(f"{path}/{quote(str(known), safe='')}")
    if found.status_code != 200:
        return known
    facts = {name: value for name, value in found.json().items() if name in ("premises_id", "kind", "hazard")}
    return world.operator.post(path, json=facts).json().get("id", known)


@contextmanager
def current_tags(world: World) -> Iterator[None]:
    """Send the record's current tag wherever `If-Match` has a tag.

    A tag made from the contract is not the record's, and is refused with 412 before the body is looked at (RFC 9110, 13.2.1).
    """

    def before_call(_context: Any, case: Any, _arguments: dict[str, Any]) -> None:
        if case.method == "PATCH" and "/notices/{id}" in case.operation.path:
            # The passing tests that this run reports withdraw the notice, and nothing can follow that.
            world.database.owner("UPDATE record.notice SET state = 'prepared'")
        if case.method == "POST" and case.operation.path.endswith("/utilities") and isinstance(case.body, dict):
            # The utility of the contract's example is there already.
            code = case.body.get("code")
            if isinstance(code, str) and world.operator.get(f"/v1/utilities/{quote(code, safe='')}").status_code == 200:
                case.body["code"] = uuid4().hex[:30]
        if case.method == "POST" and isinstance(case.body, dict) and case.body.get("serial_number") == SERIAL_NUMBER:
            # The assembly of the contract's example is there already.
            case.body["serial_number"] = uuid4().hex
        if case.method == "POST" and case.operation.path.endswith("/corrections"):
            # The example's assembly has been corrected already.
            case.path_parameters["id"] = another_of(world, case)
        if str((case.query or {}).get("wait", "")) in map(str, range(2, 31)):
            # A long poll would be waited for.
            case.query["wait"] = 1
        names = [name for name in case.headers or {} if name.lower() == "if-match"]
        if names and re.fullmatch(IF_MATCH["If-Match"], str(case.headers[names[0]])):
            # A webhook's secret is changed under the webhook's own tag.
            path = re.sub(r"/secret$", "", case.formatted_path)
            answer = world.operator.get(path) if path.isascii() else None
            if answer is not None and "etag" in answer.headers:
                case.headers[names[0]] = answer.headers["etag"]

    GLOBAL_HOOK_DISPATCHER.register_hook_with_name(before_call, "before_call")
    try:
        yield
    finally:
        GLOBAL_HOOK_DISPATCHER.unregister(before_call)
