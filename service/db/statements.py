"""Reads the `.sql` file beside a module: `-- name: some_name` begins a statement, the comment lines after it say what it is for."""

import re
from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import Any

_NAME = re.compile(r"^-- name: (\w+)$", re.MULTILINE)


@cache
def statements(module: str) -> dict[str, str]:
    """The statements of the `.sql` file beside that module and named like it, by name."""
    package, _, name = module.rpartition(".")
    text = (resources.files(package) / f"{name}.sql").read_text(encoding="utf-8")
    parts = _NAME.split(text)
    return {name: body.strip().removesuffix(";") for name, body in zip(parts[1::2], parts[2::2], strict=True)}


def composed(module: str, parts: Sequence[str], values: dict[str, Any]) -> tuple[str, list[Any]]:
    """Those parts as one statement with its arguments: each `{name}` becomes a parameter that carries the value of that name."""
    numbers = _Numbers()
    sql = "\n".join(statements(module)[part] for part in parts).format_map(numbers)
    return sql, [values[name] for name in numbers.order]


class _Numbers(dict[str, str]):
    """Numbers each name as it is first met: `{name}` becomes `$1`, `$2` and so on."""

    def __init__(self) -> None:
        super().__init__()
        self.order: list[str] = []

    def __missing__(self, name: str) -> str:
        self.order.append(name)
        self[name] = f"${len(self.order)}"
        return self[name]
