"""The staging of an import: things by their key, each with what all rows state about it, on disk so that memory stays flat."""

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final

import msgspec
from msgspec import Struct

from service.db.statements import statements

_SQL = statements(__name__)
AT_ONCE: Final = 200


class Staged(Struct, frozen=True, kw_only=True):
    """A thing of the file: where it occurs first, what is stated about it, and, once checked, what is to become of it under which id."""

    number: int
    key: str
    sheet: int
    row: int
    document: dict[str, Any]
    spoiled: list[str]
    bad: bool
    id: str | None = None
    state: str | None = None
    facts: bytes = b""
    version: int = 0
    judged: bytes | None = None
    """A new test as it was judged ahead of its writing (service/imports/ahead.py)."""


class Clash(Struct, frozen=True):
    """A member that two rows state differently: the other row."""

    member: str
    sheet: int
    row: int


class Staging:
    """A temporary database of one import."""

    def __init__(self) -> None:
        # Threads take turns with it, never two at once.
        self._connection = sqlite3.connect("", isolation_level=None, check_same_thread=False, cached_statements=32)
        self._connection.execute("PRAGMA journal_mode = OFF")
        self._connection.execute("PRAGMA synchronous = OFF")
        self._connection.execute("PRAGMA cache_size = -16384")
        self._connection.execute(_SQL["schema"])

    def close(self) -> None:
        """Drop it all."""
        self._connection.close()

    def add(
        self, thing: str, key: str, *, sheet: int, row: int, document: dict[str, Any], spoiled: list[str], bad: bool, moment: str
    ) -> list[Clash]:
        """Add what a row states about a thing to what other rows state.

        What contradicts them is not taken, the thing is bad, and it is answered.
        """
        found = self._connection.execute(_SQL["find"], (thing, key)).fetchone()
        if found is None:
            text, marks = msgspec.json.encode(document).decode(), msgspec.json.encode(spoiled).decode()
            self._connection.execute(_SQL["add"], (thing, key, sheet, row, text, marks, bad, moment))
            return []
        number, at_sheet, at_row, kept, marks, was_bad = found
        known = msgspec.json.decode(kept)
        clashes = []
        for member, value in document.items():
            if known.setdefault(member, value) == value:
                continue
            if isinstance(value, list):
                known[member] += [item for item in value if item not in known[member]]
            else:
                clashes.append(Clash(member, at_sheet, at_row))
        text = msgspec.json.encode(known).decode()
        now_bad = was_bad or bad or bool(clashes)
        if text != kept or now_bad != was_bad or spoiled:
            both = sorted({*msgspec.json.decode(marks), *spoiled})
            self._connection.execute(_SQL["merge"], (text, msgspec.json.encode(both).decode(), now_bad, number))
        return clashes

    def checked(self) -> None:
        """The file is read: what follows asks by state."""
        self._connection.execute(_SQL["index_state"])

    def things(self, thing: str) -> Iterator[list[Staged]]:
        """The things of a kind in the order of the file, some at once; what becomes of them may be set meanwhile."""
        after = 0
        while rows := self._connection.execute(_SQL["things"], (thing, after, AT_ONCE)).fetchall():
            after = rows[-1][0]
            yield [_staged(row) for row in rows]

    def of_state(self, thing: str, state: str, *, at_once: int = AT_ONCE) -> Iterator[list[Staged]]:
        """The things of a kind of which that is to become, in the order of the file."""
        after = 0
        while rows := self._connection.execute(_SQL["of_state"], (thing, state, "", after, at_once)).fetchall():
            staged = [_staged(row) for row in rows]
            after = staged[-1].number
            yield staged

    def unchecked_tests(self, *, at_once: int = AT_ONCE) -> Iterator[list[Staged]]:
        """The tests that are not checked yet, assembly by assembly in the order of time: about so many at once, of whole assemblies."""
        return _by_assembly(lambda after: self._connection.execute(_SQL["unchecked_tests"], (*after, at_once)))

    def tests(self, state: str, *, at_once: int) -> Iterator[list[Staged]]:
        """The tests of which that is to become, in the same way."""
        return _by_assembly(lambda after: self._connection.execute(_SQL["of_state"], ("test", state, *after, at_once)))

    def find(self, thing: str, keys: Iterable[str]) -> dict[str, Staged]:
        """Those in the file, by key."""
        found = {}
        for key in set(keys):
            row = self._connection.execute(_SQL["named"], (thing, key)).fetchone()
            if row is not None:
                found[key] = _staged(row)
        return found

    def resolve(
        self,
        number: int,
        state: str,
        *,
        thing_id: str | None = None,
        facts: bytes = b"",
        version: int = 0,
        judged: bytes | None = None,
    ) -> None:
        """Set what is to become of a thing."""
        self._connection.execute(_SQL["resolve"], (state, thing_id, facts, version, judged, number))

    def counts(self) -> dict[tuple[str, str | None], int]:
        """How many of each thing there are by what is to become of them."""
        return {(thing, state): count for thing, state, count in self._connection.execute(_SQL["counts"])}


def _staged(row: tuple[Any, ...]) -> Staged:
    number, key, sheet, at, document, spoiled, bad, thing_id, state, facts, version, judged = row
    return Staged(
        number=number,
        key=key,
        sheet=sheet,
        row=at,
        document=msgspec.json.decode(document),
        spoiled=msgspec.json.decode(spoiled),
        bad=bool(bad),
        id=thing_id,
        state=state,
        facts=facts or b"",
        version=version or 0,
        judged=judged,
    )


def _by_assembly(page: Callable[[tuple[str, int]], Any]) -> Iterator[list[Staged]]:
    """Tests in lots of whole assemblies, read a page at a time by `page`, which takes the key and number of the last one."""
    after: tuple[str, int] = ("", 0)
    rest: list[Staged] = []
    while found := [_staged(row) for row in page(after).fetchall()]:
        after = (found[-1].key, found[-1].number)
        staged = [*rest, *found]
        last = staged[-1].document["serial_number"]
        start = next((at for at in range(len(staged), 0, -1) if staged[at - 1].document["serial_number"] != last), 0)
        lot, rest = staged[:start], staged[start:]
        if lot:
            yield lot
    if rest:
        yield rest
