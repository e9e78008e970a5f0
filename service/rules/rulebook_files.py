"""A rulebook's file, checked as a whole: every fault with its line. What `nonreturn rulebook` says."""

import datetime as dt
import re
import tomllib
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any, Final, Literal, get_args, get_origin, get_type_hints

import msgspec

import rules
from rules.catalogue import Hazard
from rules.load import rulebook_data, works
from rules.rulebook import ActsAs, RulebookData, extend
from rules.sources import Cited, KnownFrom, Work

_HEADER: Final = re.compile(r"^\s*\[\[?\s*([A-Za-z_.]+)\s*\]?\]")
_MEMBER: Final = re.compile(r"^\s*([A-Za-z_]+)\s*=")
# From the least known to the best.
_MARKS: Final = ("common_practice", "from_memory", "published")


class Fault(msgspec.Struct, frozen=True, order=True):
    """What is wrong, and on which line."""

    line: int
    says: str


class _Entry(msgspec.Struct, frozen=True):
    """One `[[section]]` of the file: the line of its header, and of each member."""

    section: str
    line: int
    lines: dict[str, int]
    values: dict[str, Any]


def check_file(path: Path) -> list[Fault]:
    """Every fault of the rulebook in that file, by line; none where it can be used. OSError where it cannot be read."""
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        return [Fault(line=1, says=f"The file is not UTF-8: {error.reason}.")]
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"at line (\d+)", str(error))
        return [Fault(line=int(line[1]) if line else len(text.splitlines()), says=f"This is not TOML: {error}.")]
    head, entries = _located(text, document)
    faults = [*_faults_of_head(path, document, head), *(fault for entry in entries for fault in _faults_of_entry(entry))]
    if not faults:
        faults += _faults_together(document, entries, head)
    return sorted(set(faults))


def stale_rulebooks(on: dt.date) -> list[str]:
    """A line for each rulebook whose sources nobody has looked at for too long, by that day."""
    return [
        f"{rulebook.id}: last looked at on {rulebook.last_looked_at}. Look at its sources again."
        for rulebook in rules.carried(on)
        if rulebook.stale
    ]


def _located(text: str, document: dict[str, Any]) -> tuple[dict[str, int], list[_Entry]]:
    """The lines of the head's members, and every entry with its lines."""
    head: dict[str, int] = {}
    entries: list[_Entry] = []
    found: dict[str, int] = {}
    lines = head
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(line):
            section, _, below = header[1].partition(".")
            values = document.get(section)
            head.setdefault(section, number)
            if below:
                # A table within the entry before it, such as a printed figure: its lines count to that member.
                lines = {}
                if entries:
                    entries[-1].lines.setdefault(below, number)
            elif isinstance(values, list):
                at = found.get(section, 0)
                found[section] = at + 1
                lines = {}
                entries.append(_Entry(section=section, line=number, lines=lines, values=values[at]))
            else:
                lines = {}
        elif member := _MEMBER.match(line):
            lines.setdefault(member[1], number)
    return head, entries


def _sections() -> dict[str, type[Cited]]:
    """The struct of the entries of each section."""
    hints = get_type_hints(RulebookData)
    found = {name: get_args(hint) for name, hint in hints.items()}
    return {name: args[0] for name, args in found.items() if args and isinstance(args[0], type) and issubclass(args[0], Cited)}


def _faults_of_head(path: Path, document: dict[str, Any], lines: dict[str, int]) -> Iterator[Fault]:
    sections = _sections()
    own = {name: value for name, value in document.items() if name not in sections}
    # Take away what is wrong, one by one, until the rest fits: so all faults are found.
    while True:
        try:
            msgspec.convert(own, RulebookData)
        except msgspec.ValidationError as error:
            member = _member(str(error))
            yield Fault(line=lines.get(member, 1), says=f"{_in_words(str(error))}")
            if member not in own:
                break
            own = (
                {**own, member: _FILLERS.get(member, "")} if member in _FILLERS else {k: v for k, v in own.items() if k != member}
            )
        else:
            break
    if document.get("id") != path.stem:
        yield Fault(line=lines.get("id", 1), says=f"The id is {document.get('id')!r}; name it like the file, {path.stem!r}.")
    base = document.get("extends")
    if base is not None and base not in rules.rulebook_ids():
        yield Fault(
            line=lines.get("extends", 1), says=f"Unknown rulebook {base!r}. Available: {', '.join(rules.rulebook_ids())}."
        )


_FILLERS: Final[dict[str, Any]] = {
    "id": "",
    "title": "",
    "jurisdiction": "",
    "in_force_from": dt.date(2000, 1, 1),
    "last_looked_at": dt.date(2000, 1, 1),
}


def _faults_of_entry(entry: _Entry) -> Iterator[Fault]:
    values = dict(entry.values)
    shape = _sections().get(entry.section)
    if shape is None:
        return
    for _ in range(len(values) + 1):
        try:
            value = msgspec.convert(values, shape)
        except msgspec.ValidationError as error:
            member = _member(str(error))
            if member in entry.values and member not in values:
                # It was taken away because it is wrong, which is reported already.
                return
            allowed = f" Allowed: {', '.join(words)}." if "enum" in str(error) and (words := _words_of(shape, member)) else ""
            yield Fault(line=entry.lines.get(member, entry.line), says=f"{entry.section}: {_in_words(str(error))}{allowed}")
            if member not in values:
                return
            del values[member]
        else:
            break
    else:
        return
    yield from _faults_of_source(entry, value)
    for name in ("printed", "serves"):
        nested = getattr(value, name, None) or ()
        for cited in nested if isinstance(nested, tuple) else (nested,):
            if cited.source not in works():
                says = f"{entry.section}: source {cited.source!r} is not listed in rules/data/sources.toml."
                yield Fault(line=entry.lines.get(name, entry.line), says=says)
    unit = entry.values.get("unit")
    bounds = [name for name in ("at_least", "at_most") if name in entry.values]
    if bounds and unit is None:
        yield Fault(line=entry.lines[bounds[0]], says=f"{entry.section}: a number needs its unit.")
    if not entry.values.get("says", ".").rstrip().endswith("."):
        yield Fault(line=entry.lines["says"], says=f"{entry.section}: write `says` as a whole sentence, with its full stop.")
    if entry.section == "limits" and not bounds:
        yield Fault(line=entry.line, says="limits: give at_least, at_most, or both.")
    if entry.values.get("in_force_from") and value.in_force_until is not None and value.in_force_until < value.in_force_from:  # type: ignore[operator]  # it is there
        yield Fault(line=entry.lines["in_force_until"], says=f"{entry.section}: the last day is before the first.")


def _faults_of_source(entry: _Entry, value: Cited) -> Iterator[Fault]:
    if not value.clause:
        yield Fault(
            line=entry.lines.get("clause", entry.line), says=f"{entry.section}: name the clause or page; – where there is none."
        )
    work = None if isinstance(value.source, Work) else works().get(value.source)
    if "stated_by_utility" in {value.provenance, None if work is None else work.provenance}:
        yield Fault(line=entry.line, says=f"{entry.section}: only a utility marks its own ordinance stated_by_utility.")
    elif work is None:
        yield Fault(
            line=entry.lines["source"], says=f"{entry.section}: source {value.source!r} is not listed in rules/data/sources.toml."
        )
    elif value.provenance is not None and _MARKS.index(value.provenance) > _MARKS.index(work.provenance):
        says = (
            f"{entry.section}: marked {value.provenance}, but its source is only {work.provenance}; "
            "a value is known no better than its source."
        )
        yield Fault(line=entry.lines["provenance"], says=says)


def _faults_together(document: dict[str, Any], entries: list[_Entry], lines: dict[str, int]) -> Iterator[Fault]:
    """What is wrong only of the rulebook as a whole: two entries of one key in force on one day, no interval, no criteria."""
    data = msgspec.convert(document, RulebookData)
    whole = extend(rulebook_data(data.extends) if data.extends else None, data)
    open_ = {entry.subject for entry in whole.not_read}
    for section in ("criteria", "intervals"):
        if not getattr(whole, section) and section not in open_:
            yield Fault(
                line=lines.get("id", 1),
                says=f"No {section}: state them, or add a [[not_read]] with subject {section!r} that says why.",
            )
    yield from _faults_of_deadlines(data, whole, lines)
    for at, entry in enumerate(entries):
        key = next((name for name in ("rule", "name", "key", "event", "word", "subject") if name in entry.values), None)
        for before in entries[:at]:
            if (
                key
                and before.section == entry.section
                and before.values.get(key) == entry.values[key]
                and _overlap(before, entry)
            ):
                says = (
                    f"{entry.section}: {entry.values[key]!r} is already in force on line {before.line}; "
                    "end that one by in_force_until first."
                )
                yield Fault(line=entry.line, says=says)


def _faults_of_deadlines(data: RulebookData, whole: RulebookData, lines: dict[str, int]) -> Iterator[Fault]:
    """Failures for which no deadline is in force on some day: an entry that begins later replaces an inherited one on every day."""
    days = {data.in_force_from} | {row.in_force_from for row in whole.deadlines if row.in_force_from is not None}
    days |= {row.in_force_until + dt.timedelta(days=1) for row in whole.deadlines if row.in_force_until is not None}
    for day in sorted(day for day in days if day >= data.in_force_from):
        for hazard, acts_as in product(get_args(Hazard), get_args(ActsAs)):
            if not any(hazard in row.hazards and acts_as in row.acts_as for row in whole.deadlines if row.in_force(day)):
                says = (
                    f"No deadline on {day} for a {hazard} hazard that acts as {acts_as}. An entry of yours replaces the inherited one of "
                    "the same key on every day: cover all that it covered, or give yours a key of its own."
                )
                yield Fault(line=lines.get("deadlines", lines.get("id", 1)), says=says)


def _overlap(first: _Entry, second: _Entry) -> bool:
    def days(entry: _Entry) -> tuple[dt.date, dt.date]:
        return entry.values.get("in_force_from", dt.date.min), entry.values.get("in_force_until", dt.date.max)

    (a, b), (c, d) = days(first), days(second)
    return a <= d and c <= b


def _words_of(shape: type[Cited], member: str) -> list[str]:
    """The words that a member of those entries may have."""
    found: list[str] = []
    waiting = [get_type_hints(shape).get(member)]
    while waiting:
        hint = waiting.pop(0)
        if get_origin(hint) is Literal:
            found += map(str, get_args(hint))
        else:
            waiting += get_args(hint)
    return found


def _member(error: str) -> str:
    """The member that a message of msgspec is about."""
    path = re.search(r"at `\$\.([A-Za-z_]+)", error)
    named = re.search(r"(?:field|unknown field) `([A-Za-z_]+)`", error)
    return path[1] if path else named[1] if named else ""


def _in_words(error: str) -> str:
    """The message of msgspec as a sentence, without its path."""
    member = _member(error)
    says = re.sub(r" - at `[^`]*`", "", error)
    return f"`{member}`: {says}." if member and f"`{member}`" not in says else f"{says}."


assert set(_MARKS) == set(get_args(KnownFrom))  # noqa: S101 - the order covers every mark
