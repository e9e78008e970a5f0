"""The answer to a report in brief, for callers that prefer `return=minimal` (RFC 7240): what an app on a slow line has to know."""

from uuid import UUID

import msgspec
from msgspec import UNSET, Raw, Struct, UnsetType

import rules


class BriefReport(Struct, frozen=True, kw_only=True):
    """A recorded report in brief; `GET …/reports/{id}` has the rest."""

    id: UUID
    """The report's id."""
    outcome: rules.Outcome
    """The outcome of the last phase tested."""
    acceptance: rules.Acceptance
    """Whether the report is accepted, held or refused by its verdict."""
    flags: list[str]
    """The codes of the verdict's flags."""
    standing_status: rules.StandingStatus | UnsetType = UNSET
    """The status of the assembly with this report, where the caller (still) sees the assembly."""


class _Flag(Struct):
    code: str


class _Verdict(Struct):
    outcome: rules.Outcome
    acceptance: rules.Acceptance
    flags: list[_Flag]


_decode = msgspec.json.Decoder(_Verdict).decode


def brief(report_id: UUID, verdict: Raw, standing: rules.Standing | UnsetType) -> BriefReport:
    """A recorded report in brief, from its verdict as it is kept."""
    read = _decode(verdict)
    return BriefReport(
        id=report_id,
        outcome=read.outcome,
        acceptance=read.acceptance,
        flags=[flag.code for flag in read.flags],
        standing_status=UNSET if standing is UNSET else standing.status,
    )
