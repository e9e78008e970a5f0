"""The house keeps its order: what import-linter's layers cannot state, because modules are named by what they do."""

import ast
import re
from pathlib import Path

import pytest

import service

ROOT = Path(service.__file__).parent
SUBJECTS = sorted(path.parent for path in ROOT.rglob("api.py") if path.parent.name != "openapi")
MOST_AT_THE_ROOT = 16
STATEMENT = re.compile(r"\\s*(SELECT|INSERT INTO|UPDATE|DELETE FROM|WITH|CREATE|ALTER|LOCK TABLE) ")


def floor(name: str) -> int:
    """0 for a subject's store, 1 for its shapes and verbs, 2 for its calls."""
    return 2 if name == "api" or name.endswith("_api") else 0 if name == "store" else 1


def imported(path: Path) -> set[str]:
    """The modules of the service that a module imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.partition(".")[0] == "service":
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def test_a_subject_is_found_under_its_name() -> None:
    names = {str(path.relative_to(ROOT)) for path in SUBJECTS}
    assert {"registry", "record/reports", "record/standings", "notices", "webhooks", "summaries", "screenings", "ledger"} <= names


def test_few_modules_lie_at_the_root() -> None:
    assert len(list(ROOT.glob("*.py"))) <= MOST_AT_THE_ROOT


@pytest.mark.parametrize("subject", SUBJECTS, ids=lambda path: path.name)
def test_within_a_subject_calls_are_above_verbs_and_verbs_above_the_store(subject: Path) -> None:
    package = ".".join(("service", *subject.relative_to(ROOT).parts))
    upward = [
        f"{path.name} imports {other}"
        for path in subject.glob("*.py")
        for other in imported(path)
        if other.rpartition(".")[0] == package
        and (subject / f"{other.rpartition('.')[2]}.py").exists()
        and floor(other.rpartition(".")[2]) > floor(path.stem)
        # A store reads and writes the subject's shapes.
        and not (path.stem == "store" and other.rpartition(".")[2] in ("schemas", "rows"))
    ]
    assert upward == []


@pytest.mark.parametrize("subject", SUBJECTS, ids=lambda path: path.name)
def test_only_calls_know_how_a_call_is_declared_and_answered(subject: Path) -> None:
    of_calls = {f"service.http.{name}" for name in ("endpoint", "paging", "tables", "direct", "edge", "wire")}
    found = [path.name for path in subject.glob("*.py") if floor(path.stem) < 2 and imported(path) & of_calls]
    assert found == []
