"""The examples of the contract are what the service answers."""

from service import endpoints as calls
from service.openapi.examples import PATH, examples
from tests.support.databases import Database
from tests.support.examples import as_text, recorded

RENEW = "An example is not what is answered now. If that was meant: python -m tests.support.examples && python -m service.openapi"


def test_every_call_has_an_example() -> None:
    assert set(examples()) == {declared.id for declared in calls.operations if declared.public}


def test_the_examples_are_what_is_answered(database: Database) -> None:
    assert as_text(recorded(database)) == PATH.read_text(encoding="utf-8"), RENEW
