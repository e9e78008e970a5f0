"""Same input, same bytes out (law 5): some thousands of answers of the rules, held by their digests.

These state that an answer changed, not that it was right before; that is reported by the checks against the outside. Whoever changes a rule on
purpose renews them, `python -m tests.rules.pinned.renew`, and says in CHANGELOG.md which answers changed. To see what changed, print
`dict(cases())["…"]()` before and after.
"""

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import pytest

from tests.rules.pinned.answers import cases, digest

CASES = dict(cases())
PINS = json.loads(Path(__file__).with_name("pins.json").read_text())


@cache
def answers_to(name: str) -> list[Any]:
    return CASES[name]()


def structs_in(result: Any) -> Iterator[msgspec.Struct]:
    if isinstance(result, msgspec.Struct):
        yield result
    elif isinstance(result, list | tuple):
        for one in result:
            yield from structs_in(one)


@pytest.mark.parametrize("name", CASES)
def test_the_same_questions_are_answered_as_before(name: str) -> None:
    assert digest(answers_to(name)) == PINS[name]


@pytest.mark.parametrize("name", CASES)
def test_an_answer_has_the_shape_that_is_published_for_it(name: str) -> None:
    for one in structs_in(answers_to(name)):
        assert msgspec.json.decode(msgspec.json.encode(one), type=type(one)) == one
