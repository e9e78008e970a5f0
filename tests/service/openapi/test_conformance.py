"""The running service against its own published contract: no failure of the service, and every answer as the contract says.

What is held, over all phases of schemathesis with all of its checks: no 5xx; nothing that violates the contract is accepted; a request that
the contract allows is refused with 404, 409, 412, 422 or 428 only; and every call answers a success at least once.
"""

from collections.abc import Iterator

import pytest

from service.db.embedded import EmbeddedPostgres
from tests.support.conformance import ELSEWHERE, Found, busy_world, run
from tests.support.databases import fresh_database
from tests.support.world import World


@pytest.fixture
def busy(postgres: EmbeddedPostgres, template: str) -> Iterator[World]:
    """A world of its own for each run, in which every call has succeeded."""
    with fresh_database(postgres, template) as database, busy_world(database) as world:
        yield world


def hold(found: Found) -> None:
    """Fail with all that was found."""
    assert not found.failures, "\n\n".join(found.failures)
    assert found.without_success == []


def test_the_examples_and_sequences_of_calls_answer_as_the_contract_says(busy: World) -> None:
    hold(run(busy, examples={"fill-missing": True}, stateful={"generation": {"max-examples": 4}, "max-steps": 8}))


@pytest.mark.slow
def test_every_call_answers_as_the_contract_says_in_every_phase(busy: World) -> None:
    # Coverage sends some 7000 requests, one for each bound of each field. `sh deploy/strength schema` sends tens of thousands by chance.
    found = run(
        busy,
        examples={"fill-missing": True},
        coverage={},
        fuzzing={"generation": {"max-examples": 4}},
        stateful={"generation": {"max-examples": 10}, "max-steps": 12},
    )

    hold(found)
    assert len(found.answers) > 100


def test_the_calls_left_out_have_tests_of_their_own(busy: World) -> None:
    # Whether each of them succeeds is part of the day that `busy_world` runs; what they refuse is tested in the files named here.
    published = busy.client.get("/openapi.json").json()["paths"]
    by_id = {call["operationId"]: call for path in published.values() for call in path.values()}
    for name in ELSEWHERE:
        assert "application/json" not in by_id[name]["requestBody"]["content"]
