"""Flags: how severe each one is (`data/flags.toml`), and what it says (`data/texts/field_test.toml`)."""

from collections.abc import Mapping
from functools import cache

from msgspec import UNSET

from rules.field_test.answer import Flag, Severity
from rules.files import read
from rules.load import catalogue
from rules.sources import Provenance
from rules.texts import Value, say

_NOTHING: Mapping[str, str] = {}


@cache
def severities() -> dict[str, Severity]:
    """The severity of every flag."""
    return read("flags.toml", dict[str, Severity])


def flag(
    code: str,
    pointer: str,
    *,
    rests_on: Provenance = "published",
    in_words: Mapping[str, str] = _NOTHING,
    **parameters: Value,
) -> Flag:
    """A flag of that code with its message, as `flag_of` makes it."""
    return flag_of(code, pointer, parameters, rests_on=rests_on, in_words=in_words)


def flag_of(
    code: str,
    pointer: str,
    parameters: Mapping[str, Value],
    *,
    rests_on: Provenance = "published",
    in_words: Mapping[str, str] = _NOTHING,
) -> Flag:
    """A flag of that code with its message; KeyError for a code, case or parameter that the data do not know.

    The parameter `case` picks among several messages of one code. `in_words` holds parameters as the message prints them, where that
    is not the plain value. `rests_on` is how the limit behind the flag is known: one that is only common practice never refuses a report.
    """
    severity = severities()[code]
    if severity == "refuse" and rests_on == "common_practice":
        severity = "hold"
    kind = parameters.get("kind")
    words = {"kind": catalogue()[str(kind)].name} if kind is not None else _NOTHING
    case = parameters.get("case")
    message = say("field_test", "flags", code if case is None else f"{code}.{case}", {**parameters, **words, **in_words})
    return Flag(code=code, severity=severity, pointer=pointer, message=message, parameters=dict(parameters) or UNSET)
