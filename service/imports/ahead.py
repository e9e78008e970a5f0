"""Judging a file's tests ahead of their writing, in the order in which each assembly was tested, so that each is judged once.

A verdict rests on the assembly, the tester and the gauge, and on the test before it: one in the file, or one that is recorded. What it
rests on is kept with it. Whoever writes it looks under the lock whether all of that is as it was, and judges it again if not.
"""

import datetime as dt
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from uuid import UUID

import msgspec
from msgspec import Struct

from service.imports.store import RecordedTest
from service.record.reports.rows import HistoryRow, ReportRow


class Ahead(Struct, frozen=True, array_like=True):
    """A report judged ahead of its writing: its row, the versions of what it names, and a digest of its assembly's recorded reports."""

    row: ReportRow
    assembly_version: int
    tester_version: int
    gauge_version: int
    history: bytes


_encode = msgspec.msgpack.Encoder().encode
_decode = msgspec.msgpack.Decoder(Ahead).decode
NONE_RECORDED = b""
"""The digest of an assembly that has no recorded report."""


def packed(ahead: Ahead) -> bytes:
    """As it is staged."""
    return _encode(ahead)


def unpacked(staged: bytes) -> Ahead:
    """As it was staged."""
    return _decode(staged)


def digest(history: Iterable[RecordedTest | HistoryRow]) -> bytes:
    """What the recorded reports of an assembly are, in short: which, and how each counts."""
    lines = sorted(f"{row.id} {row.acceptance} {row.supersedes}" for row in history)
    return hashlib.sha256("\n".join(lines).encode()).digest() if lines else NONE_RECORDED


def current(history: Sequence[RecordedTest]) -> set[UUID]:
    """The ids of those that are neither void nor superseded."""
    superseded = {row.supersedes for row in history}
    return {row.id for row in history if row.id not in superseded and row.acceptance != "void"}


def counted(history: Sequence[RecordedTest]) -> list[RecordedTest]:
    """Those that a next test may follow, in order: neither refused, void nor superseded."""
    ids = current(history)
    kept = [row for row in history if row.id in ids and row.acceptance != "refused"]
    return sorted(kept, key=lambda row: (row.performed_at, row.id))


def before(history: Sequence[RecordedTest], moment: dt.datetime) -> RecordedTest | None:
    """The last of those tests, which are in order, before that moment."""
    return next((row for row in reversed(history) if row.performed_at < moment), None)


def is_as_judged(
    ahead: Ahead,
    assemblies: Mapping[UUID, int],
    testers: Mapping[UUID, int],
    gauges: Mapping[UUID, int],
    history: Sequence[HistoryRow],
) -> bool:
    """Whether all that the verdict rests on, apart from the utility, is as it was when it was given."""
    row = ahead.row
    return (
        assemblies.get(row.assembly_id) == ahead.assembly_version
        and row.tester_id is not None
        and testers.get(row.tester_id) == ahead.tester_version
        and row.gauge_id is not None
        and gauges.get(row.gauge_id) == ahead.gauge_version
        and digest(history) == ahead.history
    )
