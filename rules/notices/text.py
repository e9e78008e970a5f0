"""The words of a notice: a template with names in braces, filled in one pass.

A name is looked up among the placeholders of `data/notices.toml` and nowhere else: there are no attributes, indexes, formats or
conversions, and what is filled in is never read as a template again. What is filled in stands on one line, without control characters,
so that the name of some premises cannot add a line to a subject or turn the direction of the writing.
"""

import datetime as dt
import re

from msgspec import Struct

from rules.errors import DocumentError
from rules.notices.data import notice_data
from rules.rulebook import Occasion
from rules.texts import texts, word

_TOKEN = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")
# C0 and C1 controls, line and paragraph separators, and the marks that turn the direction of writing.
_UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]+")


class NoticeFacts(Struct, frozen=True, kw_only=True):
    """What a notice may state; its members are the placeholders, except the caution. None: not known."""

    utility: str
    premises: str
    address: str
    reference: str | None
    assembly: str
    serial_number: str | None
    position: str | None
    due_on: dt.date | None
    tested_on: dt.date | None
    repair_by: dt.date | None


def faults(template: str, occasion: Occasion, pointer: str) -> list[DocumentError]:
    """Each fault of a template for that occasion, with the `pointer` to the template; none where it can be filled."""
    known = notice_data().placeholders
    found: list[DocumentError] = []
    for match in _TOKEN.finditer(template):
        name = match[1]
        if match[0] in ("{{", "}}"):
            continue
        if name is None:
            found.append(DocumentError("single_brace", pointer, character=match.start() + 1))
        elif name not in known:
            available = [f"{{{known_name}}}" for known_name, row in known.items() if occasion in row.occasions]
            found.append(DocumentError("unknown_placeholder", pointer, placeholder=f"{{{name}}}", available=available))
        elif occasion not in known[name].occasions:
            found.append(DocumentError("placeholder_not_known", pointer, placeholder=f"{{{name}}}", occasion=occasion))
    return found


def names(template: str) -> set[str]:
    """The placeholders that a template names."""
    return {match[1] for match in _TOKEN.finditer(template) if match[1] is not None}


def fill(template: str, facts: NoticeFacts) -> str:
    """The template with every placeholder filled in; one that `faults` finds nothing wrong with."""
    templates = texts("notices").templates

    def filled(match: re.Match[str]) -> str:
        name = match[1]
        if name is None:
            return match[0][0]
        if name == "caution":
            return templates["notice"]["caution"]
        value = getattr(facts, name)
        if isinstance(value, dt.date):
            return f"{value.day} {word('notices', 'month', str(value.month))} {value.year}"
        return templates["absent"].get(name, "") if value is None else _UNSEEN.sub(" ", value)

    return _TOKEN.sub(filled, template)
