"""What the source says of a struct and its members: the docstring of the class, and the string below each member.

The published contract describes every property. The description stands where the property is declared, so that whoever changes one sees
the other:

    class Size(Struct):
        size: Positive
        \"\"\"The nominal size, in `units.length`.\"\"\"

Python keeps no such string at run time, so it is read from the module's source. Only the program that renews the published contract does
that; a running service serves the contract as it was written.
"""

import ast
import inspect
import itertools
import sys
from functools import cache


def class_description(shape: type) -> str:
    """The docstring of a class as one paragraph a paragraph, without the source's indentation; empty where it has none."""
    return paragraphs(shape.__dict__.get("__doc__") or "")


def member_descriptions(shape: type) -> dict[str, str]:
    """The description of each member, the members of base classes too; a class's own string replaces its base's."""
    described: dict[str, str] = {}
    for base in reversed(shape.__mro__):
        described |= _of_module(base.__module__).get(base.__qualname__, {})
    return described


def paragraphs(text: str) -> str:
    """The text with each paragraph on one line."""
    blocks = inspect.cleandoc(text).split("\n\n")
    return "\n\n".join(_joined(block) for block in blocks).strip()


def _joined(block: str) -> str:
    lines = block.splitlines()
    # A list or an indented example keeps its lines.
    return block if any(line.startswith((" ", "- ")) for line in lines) else " ".join(line.strip() for line in lines)


@cache
def _of_module(module: str) -> dict[str, dict[str, str]]:
    """For each class of a module, by its qualified name, the description of each member."""
    try:
        source = inspect.getsource(sys.modules[module])
    except (KeyError, OSError, TypeError):
        # A built-in class, or one made at run time.
        return {}
    found: dict[str, dict[str, str]] = {}
    _collect(ast.parse(source).body, "", found)
    return found


def _collect(body: list[ast.stmt], prefix: str, found: dict[str, dict[str, str]]) -> None:
    for statement in body:
        if isinstance(statement, ast.ClassDef):
            name = f"{prefix}{statement.name}"
            found[name] = _members(statement.body)
            _collect(statement.body, f"{name}.", found)


def _members(body: list[ast.stmt]) -> dict[str, str]:
    described: dict[str, str] = {}
    for statement, following in itertools.pairwise(body):
        if (
            isinstance(statement, ast.AnnAssign)
            and isinstance(statement.target, ast.Name)
            and isinstance(following, ast.Expr)
            and isinstance(following.value, ast.Constant)
            and isinstance(following.value.value, str)
        ):
            described[statement.target.id] = paragraphs(following.value.value)
    return described
