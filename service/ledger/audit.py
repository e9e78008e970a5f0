"""The audit of a utility's log: everything worked out again from the rows, and held against all that was kept of it.

Each row is hashed again and held against the hash written with it, the tree's tiles, the signed heads here, and heads that somebody kept
elsewhere. Who can write to the database can make all that is in it agree; the signing key is not in it, so a head kept elsewhere still
states. The audit changes nothing. It names each report that it finds, with what is wrong about it.

A clock that was set right looks like reports made to seem older: from some report on, all were received earlier than the one before. It
is reported once, where it began. Below a signed head that fits, the times are what they were when it was signed, so there it is a note.
"""

import datetime as dt
from collections.abc import Callable, Sequence
from typing import Final

import msgspec
from msgspec import UNSET, Struct

from rules.inspection import InspectionVerdict
from service.ledger import merkle
from service.ledger.store import LoggedRow, LogStore
from service.ledger.walk import AT_ONCE, Trouble, Walk
from service.record.inspections.schemas import KeptInspection
from service.record.reports.judging import content_hash
from service.record.reports.leaf import leaf_hash
from service.record.reports.schemas import KeptFacts
from service.signing import SigningKeys

TOLERANCE: Final = dt.timedelta(minutes=5)
"""How far a report may have been received before the one recorded just before it: they are numbered when written, not when received."""


class Audited(Struct, frozen=True, kw_only=True):
    """How much was looked at, and what was found."""

    reports: int
    heads: int
    troubles: list[Trouble]
    notes: list[Trouble] = []


class _Verdict(Struct, frozen=True, kw_only=True):
    """What of a verdict stands in columns too."""

    class _Phase(Struct, frozen=True, kw_only=True):
        outcome: str
        protection: str
        mechanical_protection: str | None = None
        acts_as: str | None = None

        @property
        def mechanical(self) -> str:
            """Verdicts from before the hazard counted say it as their protection."""
            return self.mechanical_protection or self.protection

    class _Rulebook(Struct, frozen=True, kw_only=True):
        id: str
        digest: str

    outcome: str
    acceptance: str
    initial: _Phase
    final: _Phase | None
    rulebook: _Rulebook


async def audit(
    store: LogStore, keys: SigningKeys, utility: str, kept: Sequence[str], progress: Callable[[int, int], None]
) -> Audited:
    """Hold a utility's log against all that was kept of it, and against the signed heads in `kept`; `progress` hears how far it is."""
    size = await store.size(utility)
    found = _Audit(store, keys, utility, size)
    await found.take_in_kept(kept)
    for start in range(0, size, AT_ONCE):
        end = min(start + AT_ONCE, size)
        rows = {row.log_index: row for row in await store.reports(utility, start, end + 1)}
        for index in range(start, end):
            await found.take_in(index, rows.get(index), rows.get(index + 1))
        progress(end, size)
    await found.check_heads()
    await found.check_counts()
    return Audited(
        reports=size,
        heads=found.heads,
        troubles=sorted([*found.troubles, *found.steps(signed=False)], key=lambda item: (item.log_index, item.what, item.detail)),
        notes=found.steps(signed=True),
    )


class _Audit(Walk):
    """One walk through the log of reports."""

    def __init__(self, store: LogStore, keys: SigningKeys, utility: str, size: int) -> None:
        super().__init__(store, keys, utility, size)
        self._latest: dt.datetime | None = None
        self._steps: list[Trouble] = []

    async def take_in(self, index: int, row: LoggedRow | None, following: LoggedRow | None) -> None:
        """The next report, or the gap where it should be."""
        sealed = await self.sealed(index)
        if row is None:
            self.report("report missing", "No report has that place in the log.", index)
            # The tree goes on with what was kept, so that one gap is reported once.
            own, report_id = sealed or merkle.EMPTY, None
        else:
            own, report_id = leaf_hash(self._utility, row), row.id
            wrong = list(disagreements(row))
            if row.leaf_hash not in (None, own):
                self.report("row changed", "It does not fit the hash that was written with it" + _named(wrong), index, row.id)
            elif sealed not in (None, own):
                self.report("row changed", "It does not fit the hash that the log's tree took in" + _named(wrong), index, row.id)
            elif wrong:
                self.report("row changed", "Its columns do not fit what it says" + _named(wrong), index, row.id)
            self._check_time(row, following)
        await self.take_leaf(index, own, report_id)

    def _check_time(self, row: LoggedRow, following: LoggedRow | None) -> None:
        """Reports are received in the order of their places in the log, but for what waits a little."""
        latest = self._latest
        if (
            latest is not None
            and following is not None
            and row.received_at < latest - TOLERANCE
            and row.received_at - TOLERANCE <= following.received_at < latest - TOLERANCE
        ):
            said = (
                f"Received at {row.received_at}, and so on from there; before it, at {latest}. "
                "The service's clock was set back, or these were back-dated."
            )
            self._steps.append(Trouble(log_index=row.log_index, what="clock set back", detail=said, report_id=row.id))
            self._latest = row.received_at
        elif latest is not None and row.received_at < latest - TOLERANCE:
            self.report(
                "out of order", f"Received at {row.received_at}, the one recorded before it at {latest}.", row.log_index, row.id
            )
        elif (
            following is not None
            and row.received_at > following.received_at + TOLERANCE
            and (latest is None or following.received_at >= latest - TOLERANCE)
        ):
            said = f"Received at {row.received_at}, the one recorded after it at {following.received_at}."
            self.report("out of order", said, row.log_index, row.id)
        elif latest is None or row.received_at > latest:
            self._latest = row.received_at

    def steps(self, *, signed: bool) -> list[Trouble]:
        """Where the clock was set back: below a signed head that fits, or where nothing is signed yet."""
        return [step for step in self._steps if (step.log_index < self._good_until) is signed]

    async def check_counts(self) -> None:
        """What stands beside the log: numbers beyond its count, heads beyond its end, and the change feed."""
        await self.check_end()
        for report_id, index in await self._store.uncounted(self._utility):
            self.report("report added", "Its log index is beyond the number of recorded reports.", index, report_id)
        for report_id, index in await self._store.unannounced(self._utility):
            self.report("report added", "The change feed does not contain it.", index, report_id)
        for vanished in await self._store.vanished(self._utility):
            self.report("report missing", f"The change feed names report {vanished}, which is missing.")
        for report, version, there in await self._store.strayed_reviews(self._utility):
            if there:
                self.report("decision added", f"The change feed does not contain decision {version} on report {report}.")
            else:
                self.report("decision removed", f"The change feed names decision {version} on report {report}, which is missing.")
        for sequence in await self._store.missing_changes(self._utility):
            self.report("change missing", f"The change feed lacks number {sequence}.")


def disagreements(row: LoggedRow) -> list[str]:
    """The columns of a row that say something else than its own texts do."""
    if row.gauge_id is None:
        return _disagreements_of_inspection(row)
    try:
        facts = msgspec.json.decode(row.content, type=KeptFacts)
        verdict = msgspec.json.decode(row.verdict, type=_Verdict)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return ["content or verdict, which cannot be read"]
    last = verdict.final or verdict.initial
    failed = next((phase for phase in (last, verdict.initial) if phase.outcome == "fail"), None)
    said = {
        "assembly_id": facts.assembly_id,
        "tester_id": facts.tester_id,
        "gauge_id": facts.gauge_id,
        "performed_at": facts.performed_at,
        "reason": facts.reason,
        "supersedes": None if facts.supersedes is UNSET else facts.supersedes,
        "content_hash": content_hash(facts),
        "outcome": verdict.outcome,
        "initial_outcome": verdict.initial.outcome,
        "protection": last.protection,
        "mechanical_protection": last.mechanical,
        "failed_protection": None if failed is None else failed.mechanical,
        "acts_as": row.acts_as if failed is not None and failed.acts_as is None else failed and failed.acts_as,
        "acceptance": verdict.acceptance,
        "rulebook": verdict.rulebook.id,
        "rulebook_digest": verdict.rulebook.digest,
    }
    return [name for name, value in said.items() if getattr(row, name) != value]


def _disagreements_of_inspection(row: LoggedRow) -> list[str]:
    try:
        facts = msgspec.json.decode(row.content, type=KeptInspection)
        verdict = msgspec.json.decode(row.verdict, type=InspectionVerdict)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return ["content or verdict, which cannot be read"]
    said = {
        "assembly_id": facts.assembly_id,
        "tester_id": None if facts.tester_id is UNSET else facts.tester_id,
        "performed_at": facts.performed_at,
        "reason": facts.reason,
        "supersedes": None if facts.supersedes is UNSET else facts.supersedes,
        "content_hash": content_hash(facts),
        "outcome": verdict.outcome,
        "initial_outcome": None,
        "protection": verdict.protection,
        "mechanical_protection": verdict.mechanical_protection,
        "failed_protection": verdict.mechanical_protection if verdict.outcome == "fail" else None,
        "acts_as": verdict.acts_as,
        "acceptance": verdict.acceptance,
        "rulebook": verdict.rulebook.id,
        "rulebook_digest": verdict.rulebook.digest,
    }
    return [name for name, value in said.items() if getattr(row, name) != value]


def _named(columns: Sequence[str]) -> str:
    return f" (see {', '.join(columns)})." if columns else "."
