"""What is fuzzed for long by `sh deploy/strength fuzz`, for a moment: the first inputs of every target, and what is looked for is seen."""

import random
from pathlib import Path

import pytest

from service.problems import ProblemError, problem
from tests.fuzzing.fuzz import Trial, changed_bytes, changed_json
from tests.fuzzing.targets import TARGETS, Target


@pytest.mark.parametrize("name", TARGETS)
def test_the_first_broken_inputs_are_refused_or_taken(name: str, tmp_path: Path) -> None:
    target, source = TARGETS[name], random.Random(1)  # noqa: S311 - the same inputs every time
    trial = Trial(target, 10_000, tmp_path)
    for data in target.seeds:
        trial(data)
    for _ in range(30 * target.share):
        data = source.choice(target.seeds)
        trial((changed_json(data, source) if target.json else None) or changed_bytes(data, source, target.seeds))
    assert trial.findings == {}
    assert trial.taken > 0


def test_what_is_not_a_refusal_is_a_finding_reported_once_with_its_input(tmp_path: Path) -> None:
    def fails(data: bytes) -> None:
        if data == b"refused":
            raise problem("unreadable_request")
        raise KeyError(data)

    trial = Trial(Target(does=fails, seeds=[], refusals=(ProblemError,)), 10, tmp_path)
    for data in (b"refused", b"one", b"two"):
        trial(data)
    assert (trial.inputs, trial.refused, len(trial.findings)) == (3, 1, 1)
    assert (tmp_path / "finding-1").read_bytes() == b"one"
