"""Flags: what they are called, and how heavy each one is (`data/flags.toml`)."""

from functools import cache

from rules.field_test.answer import Flag, Severity
from rules.load import read


@cache
def severities() -> dict[str, Severity]:
    """The severity of every flag."""
    return read("flags.toml", dict[str, Severity])


def flag(code: str, pointer: str, message: str) -> Flag:
    """A flag of that code; KeyError for one that the data do not know."""
    return Flag(code=code, severity=severities()[code], pointer=pointer, message=message)
