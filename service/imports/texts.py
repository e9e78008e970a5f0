"""What is wrong with a file, by code: Python picks a code and gives parameters, `texts/imports.toml` has the words."""

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from msgspec import UNSET, Struct

from rules import RulesError
from service.problems import Fault, cut

Value = str | int | float | Sequence[str]

_TEXTS: Final[dict[str, dict[str, str]]] = tomllib.loads(
    (Path(__file__).parent.parent / "texts" / "imports.toml").read_text(encoding="utf-8")
)
IMPORT_TEXTS: Final = _TEXTS["problems"]
"""The text of every problem of an import, by its code."""
_LONGEST: Final = 100
_LONGEST_ERROR: Final = 1000


class Said(Struct, frozen=True):
    """A code with its parameters, and the sentence that they give."""

    code: str
    detail: str
    parameters: dict[str, Any] = {}


def say(code: str, /, **values: Value) -> Said:
    """What is wrong, in words; KeyError for a code that `imports.toml` lacks, or a parameter that its text needs."""
    kept = {name: _kept(name, value) for name, value in values.items()}
    words = {name: ", ".join(f"`{item}`" for item in value) if isinstance(value, list) else value for name, value in kept.items()}
    return Said(code, IMPORT_TEXTS[code].format_map(words), kept)


def summary(code: str, *, records: int, problems: int) -> str:
    """What a run came to, in a sentence."""
    said = _TEXTS["summaries"]
    return said[code].format(records=_counted("record", records), problems=_counted("problem", problems))


def of_fault(fault: Fault) -> Said:
    """A fault of a record, as an import says it."""
    return Said(fault.code, fault.detail, {} if fault.parameters is UNSET else fault.parameters)


def of_rules(error: RulesError) -> Said:
    """A fault that the rules find, as an import says it."""
    return Said(error.code, error.message, dict(error.parameters))


class FileFaultError(Exception):
    """Something in a file that cannot be taken; `said` is what, and what to do."""

    def __init__(self, code: str, /, **values: Value) -> None:
        self.said = say(code, **values)
        super().__init__(self.said.detail)


def _counted(thing: str, count: int) -> str:
    code = f"no_{thing}s" if count == 0 else f"one_{thing}" if count == 1 else f"many_{thing}s"
    return _TEXTS["summaries"][code].format(count=count)


def _kept(name: str, value: Value) -> str | int | float | list[str]:
    if isinstance(value, str):
        return cut(value, _LONGEST_ERROR if name == "error" else _LONGEST)
    return value if isinstance(value, int | float) else [cut(item, _LONGEST) for item in value]
