"""What `sh deploy/strength mutation` and `data` change: every number, one place at a time; and what is explained can still be made."""

import ast
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest

pytest.importorskip("mutmut")

from tests.mutation import data, explained
from tests.mutation.mutants import modules, mutants_of, path_of, text_of


def test_a_mutant_differs_from_the_module_in_one_place() -> None:
    plain = path_of("rules.calendar").read_text()
    mutants = mutants_of("rules.calendar")
    assert len(mutants) > 30
    for one in mutants:
        text = text_of(one)
        ast.parse(text)
        lines, before = text.splitlines(), plain.splitlines()
        assert lines[: one.first_line - 1] == before[: one.first_line - 1]
        assert lines[len(lines) - (len(before) - one.last_line) :] == before[one.last_line :]
        assert lines != before


@pytest.mark.slow
def test_every_explained_mutant_can_still_be_made() -> None:
    listed = [explained.reported_of(one) for module in modules() for one in mutants_of(module)]
    for group in explained.listed():
        for one in group.mutants:
            assert any(explained.Group(because="", mutants=(one,)).holds(each) for each in listed), one


def numbers(value: Any) -> Iterator[float]:
    if isinstance(value, dict | list):
        for one in value.values() if isinstance(value, dict) else value:
            yield from numbers(one)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield value


def test_every_number_of_the_data_is_changed_once_and_nothing_else() -> None:
    changed = 0
    for path in data.DATA.rglob("*.toml"):
        there = sorted(numbers(tomllib.loads(path.read_text())))
        steps = data.steps(path.relative_to(data.DATA).as_posix(), 1)
        assert sorted(float(one.before) for one in steps) == there
        for one in steps:
            now = sorted(numbers(tomllib.loads(one.text())))
            assert len(now) == len(there)
            assert now != there
        changed += len(steps)
    assert changed > 200
