"""Reads the `.sql` files beside it: `-- name: some_name` begins a statement, the comment lines after it say what it is for."""

import re
from functools import cache
from importlib import resources

_NAME = re.compile(r"^-- name: (\w+)$", re.MULTILINE)


@cache
def statements(aggregate: str) -> dict[str, str]:
    """The statements of `<aggregate>.sql`, by name."""
    text = (resources.files("service.store") / f"{aggregate}.sql").read_text(encoding="utf-8")
    parts = _NAME.split(text)
    return {name: body.strip().removesuffix(";") for name, body in zip(parts[1::2], parts[2::2], strict=True)}
