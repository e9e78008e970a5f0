"""The sentences of selections, operations and screenings are data: every template is used, and every call fills what it names."""

import ast
from collections.abc import Iterator
from pathlib import Path
from string import Formatter

import pytest

from rules.texts import texts

RULES = Path(__file__).parents[2] / "rules"
SUBJECTS = {
    "selection": sorted(RULES.glob("selection/*.py")),
    "inspection": sorted(RULES.glob("inspection/*.py")),
    "operation": sorted(RULES.glob("operation/*.py")),
    "screening": [*sorted(RULES.glob("screening/*.py")), RULES / "standing" / "trend.py"],
}


def calls(subject: str) -> Iterator[ast.Call]:
    """Every call of `sentence` in the modules of a subject."""
    for path in SUBJECTS[subject]:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "sentence":
                yield node


def strings(subject: str) -> set[str]:
    """Every string in the modules of a subject, the parts of f-strings among them."""
    found: set[str] = set()
    for path in SUBJECTS[subject]:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found.add(node.value)
    return found


def fields(template: str) -> set[str]:
    """The parameters that a template names."""
    return {name for _, name, _, _ in Formatter().parse(template) if name}


@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_template_is_used(subject: str) -> None:
    written = strings(subject)
    groups = {call.args[0].value for call in calls(subject) if isinstance(call.args[0], ast.Constant)}
    for group, templates in texts(subject).templates.items():
        assert group in groups
        for code in templates:
            # A code such as `stuck_open_back` is put together from a condition and what happens.
            halves = any(code.startswith(first) and code.removeprefix(first) in written for first in written if first)
            assert code in written or halves, f"{group}.{code} is never used"


@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_call_with_plain_parameters_fills_its_template(subject: str) -> None:
    checked = 0
    for call in calls(subject):
        group, code = call.args
        named = {keyword.arg for keyword in call.keywords}
        if not isinstance(group, ast.Constant) or None in named:
            continue
        templates = texts(subject).templates[str(group.value)]
        for branch in ast.walk(code):
            if isinstance(branch, ast.Constant) and branch.value in templates:
                assert fields(templates[str(branch.value)]) == named, f"{group.value!s}.{branch.value!s}"
                checked += 1
    assert checked >= 10


@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_group_has_words_for_its_codes(subject: str) -> None:
    for name, words in texts(subject).words.items():
        assert all(words.values()), name
