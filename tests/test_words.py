"""Public texts are free of the few words that do not belong to the trade's plain English: a list, not a style checker."""

import ast
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import rules
import service
from tests.support.world import World

ROOT = Path(service.__file__).parent.parent
BANNED = re.compile(
    r"\b(told|tells|tell(?! the customer| us\b)|telling|mend|mends|mended|mending|askers?|anew|forerunners?|good key|bears|(?:is|are) carried|"
    r"(?:report|barrier|record)s? (?:still )?stands?|(?:barrier|report)s? (?:may|must) stand|may stand|stands? as a record|"
    r"ask for|by turns|kin|farewell)\b",
    re.IGNORECASE,
)
"""Words, each with what is written instead: told (reported, stated), mend (repair), asker (caller), anew (again), bears (has), …"""


def found(text: str) -> list[str]:
    """The banned words of a text, with what is around them."""
    return [text[max(0, hit.start() - 40) : hit.end() + 40] for hit in BANNED.finditer(text)]


def texts(value: Any) -> Iterator[str]:
    """Every text in a document; examples are texts of answers, which have cases of their own."""
    if isinstance(value, dict):
        for name, part in value.items():
            if name not in ("example", "examples"):
                yield from texts(part)
    elif isinstance(value, list):
        for part in value:
            yield from texts(part)
    elif isinstance(value, str):
        yield value


def test_the_list_finds_what_it_is_for() -> None:
    assert found("The report stands, but its check was mended anew, and the asker is told.")
    assert not found("A standing bar; mentioned; a contract; understand; the carrier.")


def test_the_contract() -> None:
    document = json.loads((ROOT / "service" / "openapi" / "contract.json").read_text(encoding="utf-8"))
    assert [hit for text in texts(document) for hit in found(text)] == []


@pytest.mark.parametrize("path", ["/docs", "/codes", "/problems", "/receipts", "/v1/codes"])
def test_a_page(world: World, path: str) -> None:
    answer = world.client.get(path)
    assert answer.status_code == 200
    # The reference page shows the contract, and thereby its examples, which are answers.
    assert found(answer.text) == []


@pytest.mark.parametrize("path", sorted((ROOT / "service" / "texts").glob("*.toml")), ids=lambda path: path.stem)
def test_the_texts_of_the_service(path: Path) -> None:
    assert [hit for text in texts(tomllib.loads(path.read_text(encoding="utf-8"))) for hit in found(text)] == []


@pytest.mark.parametrize(
    "name",
    ["receipts/sheet", "receipts/page", "receipts/pdf", "summaries/page", "rules/page", "http/page", "openapi/reference_page"],
)
def test_the_words_of_a_page(name: str) -> None:
    """Every text in a module of the pages that is no docstring."""
    tree = ast.parse((ROOT / "service" / f"{name}.py").read_text(encoding="utf-8"))
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    strings = [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings
    ]
    assert strings
    assert [hit for text in strings for hit in found(text)] == []


@pytest.mark.parametrize("path", sorted((ROOT / "service").rglob("*.html")), ids=lambda path: path.stem)
def test_the_words_of_a_template(path: Path) -> None:
    assert found(path.read_text(encoding="utf-8")) == []


def test_the_help_of_the_command() -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "service", "--help"], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60
    ).stdout
    commands = re.search(r"\{([\w,-]+)\}", shown)
    assert commands is not None
    for command in ["", *commands[1].split(",")]:
        arguments = [sys.executable, "-m", "service", *([command] if command else []), "--help"]
        text = subprocess.run(arguments, cwd=ROOT, capture_output=True, text=True, check=True, timeout=60).stdout
        assert found(" ".join(text.split())) == [], command


def test_the_readme() -> None:
    assert found((ROOT / "README.md").read_text(encoding="utf-8")) == []


def test_the_changelog() -> None:
    """What stands in backticks is a name, perhaps one that is gone."""
    assert found(re.sub(r"`[^`]*`", "", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize(
    "path",
    # words.toml holds what people write on their own papers, which is read and never shown.
    [path for path in sorted((Path(rules.__file__).parent / "data").rglob("*.toml")) if path.stem != "words"],
    ids=lambda path: path.stem,
)
def test_the_texts_of_the_rules(path: Path) -> None:
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    assert [hit for text in texts(document) for hit in found(text)] == []
