"""Same input, same bytes out (law 5): some thousands of answers of the rules, held by their digests.

These tell that an answer changed, not that it was right before; that is told by the checks against the outside. Whoever changes a rule on
purpose renews them, `python -m tests.rules.pinned.renew`, and says in CHANGELOG.md which answers changed. To see what changed, print
`dict(cases())["…"]()` before and after.
"""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.rules.pinned.answers import cases, digest

PINS = json.loads(Path(__file__).with_name("pins.json").read_text())


@pytest.mark.parametrize(("name", "answers"), [pytest.param(*case, id=case[0]) for case in cases()])
def test_the_same_questions_are_answered_as_before(name: str, answers: Callable[[], list[Any]]) -> None:
    assert digest(answers()) == PINS[name]
