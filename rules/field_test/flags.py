"""Flags: how severe each one is (`data/flags.toml`; on paper `data/on_paper.toml`), and what it says (`data/texts/field_test.toml`)."""

from collections.abc import Mapping
from functools import cache

from msgspec import UNSET
from msgspec.structs import replace

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


@cache
def _on_paper() -> dict[str, Severity]:
    """The severities of those flags that do less to a report that was accepted on paper."""
    return read("on_paper.toml", dict[str, Severity])


def on_paper(one: Flag) -> Flag:
    """The flag with what it does to a report that was accepted on paper before the record began."""
    severity = _on_paper().get(one.code, one.severity)
    return one if severity == one.severity else replace(one, severity=severity)


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
