"""The audit of a utility's facts: every row held against what was written down when it was written, and the log of facts against itself.

Each row's digest is worked out again, here and not in the database, whose functions an intruder may have replaced. A row without a fact was
put in around the service; a fact without its row says that the row was taken away. What was deleted by law is a note, not an alarm.
"""

from collections.abc import Callable, Sequence
from typing import Final

import msgspec
from msgspec import Struct

from service.ledger import merkle
from service.ledger.fact_store import FactStore
from service.ledger.facts import TRACKED, Fact, fact_leaf_hash, is_of, row_text
from service.ledger.walk import AT_ONCE, Trouble, Walk
from service.signing import SigningKeys

_FEED: Final = "change"


class AuditedFacts(Struct, frozen=True, kw_only=True):
    """How many facts and heads were looked at, and what was found; `notes` are what was deleted by law."""

    facts: int
    heads: int
    troubles: list[Trouble]
    notes: list[Trouble]


async def audit_facts(
    store: FactStore, keys: SigningKeys, utility: str, kept: Sequence[str], progress: Callable[[int, int], None]
) -> AuditedFacts:
    """Hold a utility's rows against its log of facts, and that log against its heads and those in `kept`."""
    size = await store.size(utility)
    walk = _FactWalk(store, keys, utility, size)
    await walk.take_in_kept(kept)
    for start in range(0, size, AT_ONCE):
        end = min(start + AT_ONCE, size)
        facts = {fact.number: fact for fact in await store.facts(utility, start, end)}
        await walk.read_feed(list(facts.values()))
        for number in range(start, end):
            await walk.take_in(number, facts.get(number))
        progress(end, size)
    await walk.check_heads()
    await walk.check_end()
    await walk.check_counts()
    for table in TRACKED:
        await walk.check_table(table)
    return AuditedFacts(facts=size, heads=walk.heads, troubles=walk.troubles, notes=walk.notes)


class _FactWalk(Walk):
    """One walk through the log of facts, and then through the tables."""

    def __init__(self, store: FactStore, keys: SigningKeys, utility: str, size: int) -> None:
        super().__init__(store, keys, utility, size)
        self._facts = store
        self._feed_until = 0
        self._feed: dict[int, bytes] = {}
        self.notes: list[Trouble] = []

    async def take_in(self, number: int, fact: Fact | None) -> None:
        """The next fact, or the gap where it should be."""
        sealed = await self.sealed(number)
        if fact is None:
            self.report("fact missing", "No fact has that number.", number)
            own = sealed or merkle.EMPTY
        else:
            own = fact_leaf_hash(self._utility, fact)
            subject = _subject(fact)
            if fact.leaf_hash != own:
                self.report("fact changed", "It does not fit the hash that was written with it.", number, subject=subject)
            elif sealed not in (None, own):
                self.report("fact changed", "It does not fit the hash that the log's tree took in.", number, subject=subject)
            if fact.of_table == _FEED:
                self._check_feed(fact)
            if fact.act == "deleted":
                said = f"{fact.detail} (on {fact.recorded_at:%Y-%m-%d})"
                self.notes.append(Trouble(log_index=number, what="deleted", detail=said, subject=subject))
        await self.take_leaf(number, own)

    async def read_feed(self, facts: Sequence[Fact]) -> None:
        """Read the part of the feed that those facts are about."""
        ranges = [found for fact in facts if fact.of_table == _FEED and (found := _range(fact)) is not None]
        self._feed = {}
        if ranges:
            self._feed = await self._facts.feed(self._utility, min(first for first, _ in ranges), max(last for _, last in ranges))

    def _check_feed(self, fact: Fact) -> None:
        """A range of the feed: it begins where the one before ended, and reads as it did."""
        found = _range(fact)
        if found is None or found[0] != self._feed_until + 1:
            said = f"The feed is written down to {self._feed_until}; this is not what comes next."
            self.report("fact changed", said, fact.number, subject=_subject(fact))
            return
        first, last = found
        self._feed_until = last
        if not is_of(fact, b"".join(self._feed.get(sequence, b"") for sequence in range(first, last + 1))):
            what = f"change {first}" if first == last else f"one of the changes {first} to {last}"
            self.report("feed changed", f"The change feed was altered: {what}.", subject=_subject(fact))

    async def check_counts(self) -> None:
        """The log's own counts, what lies beyond them, salts that are gone, and standings that belong to nothing."""
        found = self._facts.found
        counts = await found("counts", self._utility)
        if not counts:
            self.report(
                "count missing", "The row that counts the utility's changes, reports and facts is missing.", subject="utility_log"
            )
        elif counts[0]["changes"] != self._feed_until:
            said = f"It counts {counts[0]['changes']} changes; {self._feed_until} were written down."
            self.report("count changed", said, subject="utility_log")
        for row in await found("uncounted_facts", self._utility):
            said = "Its number is beyond the number of recorded facts."
            self.report("fact added", said, row["number"], subject=f"{row['of_table']} {row['row_key']}")
        for row in await found("uncounted_changes", self._utility):
            said = "Its number is beyond the number of recorded changes."
            self.report("change added", said, subject=f"change {row['sequence']}")
        for row in await found("forgotten", self._utility):
            said = "The salt of its digest is gone, and no deletion is on record."
            self.report("salt missing", said, row["number"], subject=f"{row['of_table']} {row['row_key']}")
        for row in await found("stray_standings", self._utility):
            if not row["registered"]:
                self.report(
                    "row added", "It is the standing of an assembly that is not registered.", subject=f"standing {row['id']}"
                )
            elif not row["kept"]:
                self.report(
                    "row removed", "Standings are worked out again by `nonreturn rebuild`.", subject=f"standing {row['id']}"
                )
            else:
                said = f"It has version {row['version']}; the change feed says {row['in_feed']}."
                self.report("row changed", said, subject=f"standing {row['id']}")

    async def check_table(self, table: str) -> None:
        """Each row of a table, and each fact about one."""
        async for key, row, fact in self._facts.rows(self._utility, table):
            subject = f"{table} {key}".rstrip()
            if row is not None and (fact is None or fact.act == "removed"):
                self.report("row added", "Nothing was written down of it when it was written.", subject=subject)
            elif row is None and fact is not None and fact.act != "removed":
                self.report("row removed", f"It was written at {fact.recorded_at}.", fact.number, subject=subject)
            elif row is not None and fact is not None and not _fits(fact, row):
                self.report("row changed", f"It is not what was written at {fact.recorded_at}.", fact.number, subject=subject)


def _fits(fact: Fact, row: bytes) -> bool:
    try:
        return is_of(fact, row_text(row))
    except (msgspec.DecodeError, UnicodeDecodeError):
        return False


def _range(fact: Fact) -> tuple[int, int] | None:
    """The numbers of the changes that a fact about the feed is of; None where its key says none."""
    first, _, last = fact.row_key.partition("-")
    return (int(first), int(last)) if first.isdecimal() and last.isdecimal() and int(first) <= int(last) else None


def _subject(fact: Fact) -> str:
    return f"{fact.of_table} {fact.row_key}".rstrip()
