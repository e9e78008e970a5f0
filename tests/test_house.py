"""The house keeps its order: what import-linter's layers cannot state, because modules are named by what they do."""

import ast
import re
from pathlib import Path

import pytest

import service

ROOT = Path(service.__file__).parent
SUBJECTS = sorted(path.parent for path in ROOT.rglob("api.py") if path.parent.name != "openapi")
MOST_AT_THE_ROOT = 16
MOST_WORDS = 1_500
REPOSITORY = ROOT.parent
STATEMENT = re.compile(r"\s*(SELECT|INSERT INTO|UPDATE|DELETE FROM|WITH|ALTER|LOCK TABLE)\s")
OF_A_SESSION = {"db/migrate.py", "db/pool.py"}
"""What is looked up before anything of ours may be there, and what each lent connection is set to."""


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


def test_sql_is_in_sql_files() -> None:
    found = [
        f"{path.relative_to(ROOT)}: {node.value[:60]}"
        for path in ROOT.rglob("*.py")
        if str(path.relative_to(ROOT)) not in OF_A_SESSION
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and STATEMENT.match(node.value)
    ]
    assert found == []


def test_the_layout_is_the_formatters_own() -> None:
    folders = [REPOSITORY / name for name in ("rules", "service", "deploy", "migrations", "tests")]
    by_hand = "# fmt: " + "skip"
    found = [path.name for folder in folders for path in folder.rglob("*.py") if by_hand in path.read_text(encoding="utf-8")]
    assert found == []


def test_the_guide_is_short() -> None:
    assert len((REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8").split()) <= MOST_WORDS


@pytest.mark.parametrize("guide", ["DEVELOPERS.md", "rules/README.md", "service/README.md", "tests/README.md"])
def test_what_a_guide_names_is_there(guide: str) -> None:
    """Paths in backticks: from the root or from the guide's own folder; a bare name is that of some file of the house."""
    own = (REPOSITORY / guide).parent
    house = [REPOSITORY / name for name in ("rules", "service", "tests", "deploy", "migrations")]
    names = {path.name for folder in house for path in folder.rglob("*")} | {path.name for path in REPOSITORY.iterdir()}
    text = (REPOSITORY / guide).read_text(encoding="utf-8")
    named = re.findall(r"`([\w./-]+\.(?:py|sql|toml|md|json|svg|yaml)|[\w./-]+/)`", text)
    missing = [
        name
        for name in named
        if not (
            (REPOSITORY / name).exists() or (own / name).exists() or ("/" not in name.rstrip("/") and name.rstrip("/") in names)
        )
    ]
    assert len(named) > 10
    assert missing == []
