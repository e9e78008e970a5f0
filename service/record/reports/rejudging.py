"""Judging every stored report again: which stored verdicts today's rules would not give, and in what they differ.

A stored verdict is never rewritten: it says by which rulebook it was given, and its digest seals it. One that differs under another digest
was given by other rules; one that differs under the same digest was altered, or the program that judges has changed.
"""

from collections.abc import Callable, Mapping
from typing import Any, Final
from uuid import UUID

import msgspec
from msgspec import UNSET, Struct, UnsetType

import rules
from service.record.inspections import judge as inspections
from service.record.reports.rows import JudgedRow
from service.record.reports.store import ReportStore

_NAMED: Final = ("outcome", "initial.protection", "final.protection", "acceptance")
"""What is shown with both values; of the rest only the names of the members that differ."""


class Differing(Struct, frozen=True, kw_only=True):
    """A report whose stored verdict is not, to the byte, what judging it again gives; `says` why, in sentences."""

    report_id: UUID
    says: str


async def rejudge_reports(
    store: ReportStore, utility: str, progress: Callable[[int], None] = lambda _judged: None
) -> tuple[int, list[Differing]]:
    """Judge every stored report of a utility again; how many there are, and those whose verdict differs.

    `progress` hears how many have been judged.
    """
    judged, differing = 0, []
    versions = await store.local_rulebooks(utility)
    while rows := await store.judged(utility, start=judged, limit=500):
        differing += [
            Differing(report_id=row.id, says=_differences(row.verdict, new))
            for row in rows
            if (new := judge_again(row, versions)) != row.verdict.encode()
        ]
        judged += len(rows)
        progress(judged)
    return judged, differing


def judge_again(row: JudgedRow, versions: Mapping[int, rules.LocalVersion]) -> bytes | None:
    """The verdict that today's rules give on what a stored report was judged on; None where it can no longer be judged.

    It is judged under the version of the local rulebook that its verdict names, whatever the utility has stated since.
    """
    try:
        local = version_of(row.verdict, versions)
        if row.inspection:
            return inspections.judge_again(row.judged, row.previous, row.received_at, local)
        test = msgspec.json.decode(row.judged, type=rules.Test)
        previous = None if row.previous is None else msgspec.json.decode(row.previous, type=rules.PreviousReadings)
        return msgspec.json.encode(rules.judge(test, received_at=row.received_at, previous=previous, local=local))
    except (rules.RulesError, msgspec.MsgspecError, KeyError):
        return None


class _JudgedBy(Struct):
    local_version: int | UnsetType = UNSET


class _JudgedUnder(Struct):
    rulebook: _JudgedBy


_judged_under = msgspec.json.Decoder(_JudgedUnder).decode


def version_of(verdict: str, versions: Mapping[int, rules.LocalVersion]) -> rules.LocalVersion | None:
    """The version of the local rulebook that a stored verdict names; None where it names none, KeyError for one that is not there."""
    number = _judged_under(verdict).rulebook.local_version
    return None if number is UNSET else versions[number]


def _differences(stored: str, new: bytes | None) -> str:
    try:
        old: dict[str, Any] = msgspec.json.decode(stored, type=dict)
    except msgspec.DecodeError:
        return "The stored verdict cannot be read."
    if new is None:
        return "It can no longer be judged. The stored verdict stays as it is."
    now: dict[str, Any] = msgspec.json.decode(new)
    digests = [_member(verdict, "rulebook.digest") for verdict in (old, now)]
    same = "the same rulebook" if digests[0] == digests[1] else f"another rulebook ({digests[0]}, now {digests[1]})"
    changes = [f"{name} {before} → {after}" for name in _NAMED if (before := _member(old, name)) != (after := _member(now, name))]
    others = sorted(name for name in old.keys() | now.keys() if old.get(name, UNSET) != now.get(name, UNSET))
    listed = f" {', '.join(changes)}." if changes else ""
    return (
        f"Judged by {same}.{listed} Members that differ: {', '.join(others) or 'none; their order does'}. "
        "The stored verdict stays as it is."
    )


def _member(verdict: Any, path: str) -> Any:
    """The member at that dotted path; None where there is none."""
    for name in path.split("."):
        verdict = verdict.get(name) if isinstance(verdict, dict) else None
    return verdict
