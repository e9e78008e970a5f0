"""The running service against its own published contract: no failure of the service, and every answer as the contract says.

Requests are made from the contract by schemathesis, good ones and bad ones, alone and in sequences in which one call uses what another
made. An operator asks, so that every call is open.
"""

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from hypothesis.stateful import run_state_machine_as_test
from schemathesis import GenerationMode
from schemathesis.config import SchemathesisConfig
from schemathesis.specs.openapi.checks import negative_data_rejection

from service.secrets import Secret
from tests.conftest import SIGNING_KEYS, Database, World, bearer, world_in

# A document can be valid and still name what is not there, contradict the record, or change what was not read. Texts hold no
# NUL, which cannot be kept and which a JSON Schema cannot rule out; that one is refused is tested elsewhere.
CONFIG = SchemathesisConfig.from_dict(
    {
        "checks": {
            "positive_data_acceptance": {"expected-statuses": ["2xx", "404", "409", "412", "422", "428"]},
            # 412 besides what schemathesis expects: an entity tag that no record of ours can have is well formed and does not match
            # (RFC 9110, 13.1.1).
            "negative_data_rejection": {"expected-statuses": ["400", "401", "403", "404", "406", "412", "422", "428", "5xx"]},
        },
        "generation": {"allow-x00": False, "codec": "utf-8"},
    }
)


def bounded(examples: int, *, derandomize: bool = True, **more: Any) -> settings:
    """The same requests every time, so that a failure is the change's and not the day's."""
    return settings(
        max_examples=examples, deadline=None, derandomize=derandomize, database=None, suppress_health_check=list(HealthCheck),
        phases=[Phase.explicit, Phase.generate], **more,
    )  # fmt: skip


@pytest.fixture(scope="module")
def world(database: Database) -> Iterator[World]:
    """A world with every key to sign with, so that no call is refused for want of one."""
    with world_in(database, signing_keys=SIGNING_KEYS, webhook_key=Secret(b"k" * 32), deliver=False) as made:
        yield made


def contract(world: World) -> Any:
    """The contract as it is served, but for batches and imports: their bodies are no one JSON document, and have tests of their own."""
    served = schemathesis.openapi.from_url(f"{world.url}/openapi.json", config=CONFIG)
    return served.exclude(operation_id=["submitReportBatch", "importSpreadsheet"])


def operations(world: World) -> list[Any]:
    """Every published call."""
    return [found.ok() for found in contract(world).get_all_operations()]


def try_all(world: World, examples: int) -> None:
    """Ask every call with good and with bad requests; what failed is told for all of them."""
    world.place()
    found = operations(world)
    assert len(found) > 35
    failures = []
    for operation in found:
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
            try:
                ask_with(world, operation.as_strategy(generation_mode=mode), examples)
            except Unsatisfiable:
                # A call that takes nothing has no bad request.
                assert mode is GenerationMode.NEGATIVE
            except (AssertionError, BaseExceptionGroup) as error:
                failures.append(f"{operation.label}, {mode.value}: {error}")
    assert not failures, "\n\n".join(failures)


def ask_with(world: World, strategy: Any, examples: int) -> None:
    @bounded(examples)
    @given(case=strategy)
    def asked(case: Any) -> None:
        # To spoil a call without a body schemathesis may leave out its key, which is put back here: it is then a good call.
        left_out = [negative_data_rejection] if case.method == "GET" else []
        case.call_and_validate(headers=bearer(world.operator_key), excluded_checks=left_out)

    asked()


def walk(world: World, examples: int, steps: int) -> None:
    """Ask in sequences: what one call made, the next ones read, change and report on."""
    machine = contract(world).as_state_machine()
    headers = bearer(world.operator_key)

    class Walk(machine):  # type: ignore[misc, valid-type]
        def get_call_kwargs(self, case: Any) -> dict[str, Any]:  # noqa: ARG002 - the same for all
            return {"headers": headers}

        def before_call(self, case: Any) -> None:
            super().before_call(case)
            # Without a rulebook and a time zone that exist no utility would be made, and nothing under one.
            if case.operation.label == "POST /v1/utilities" and isinstance(case.body, dict):
                case.body |= {"rulebook": "us-wa", "time_zone": "UTC"}
                case.body.pop("organisation_id", None)

        def validate_response(self, response: Any, case: Any, **more: Any) -> None:
            # As in `ask_with`: what is spoilt may be the key, which is put back.
            left_out = [negative_data_rejection] if case.method == "GET" else []
            case.validate_response(response, excluded_checks=left_out, transport_kwargs=more or None, recorder=self.recorder)

    run_state_machine_as_test(Walk, settings=bounded(examples, stateful_step_count=steps))


def test_every_call_answers_as_the_contract_says(world: World) -> None:
    # The everyday part; many more of the same requests are made below.
    try_all(world, 2)


def test_calls_that_follow_one_another_answer_as_the_contract_says(world: World) -> None:
    walk(world, 4, 8)


@pytest.mark.slow
def test_every_call_answers_as_the_contract_says_for_long(world: World) -> None:
    # The published calls are three times what they were; `sh deploy/strength schema` asks them tens of thousands of times.
    try_all(world, 20)


@pytest.mark.slow
def test_calls_that_follow_one_another_answer_as_the_contract_says_for_long(world: World) -> None:
    walk(world, 60, 15)
