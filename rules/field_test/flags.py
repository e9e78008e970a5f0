"""Flags: what they are called, and how heavy each one is (`data/flags.toml`)."""

from functools import cache

from rules.field_test.answer import Flag, Severity
from rules.load import read
from rules.sources import KnownFrom


@cache
def severities() -> dict[str, Severity]:
    """The severity of every flag."""
    return read("flags.toml", dict[str, Severity])


def flag(code: str, pointer: str, message: str, *, rests_on: KnownFrom = "published") -> Flag:
    """A flag of that code; KeyError for one that the data do not know.

    `rests_on` is how the limit is known that the flag rests on: one that is only common practice never refuses a report.
    """
    severity = severities()[code]
    if severity == "refuse" and rests_on == "common_practice":
        severity = "hold"
    return Flag(code=code, severity=severity, pointer=pointer, message=message)
