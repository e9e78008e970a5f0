"""Working a group of reports out: each is checked against what is recorded and what precedes it, and changes its assembly's standing.

Nothing is read or written here; what a group rests on comes in, and the rows to write and the answers come out.
"""

import datetime as dt
from collections.abc import Callable, Iterable
from functools import partial
from typing import Any
from uuid import UUID

from msgspec import Raw, Struct, UnsetType
from msgspec.structs import replace

import rules
from service.problems import problem
from service.record.reports import rests
from service.record.reports.judging import Judged
from service.record.reports.leaf import hashed
from service.record.reports.rests import Latest, RestsOn
from service.record.reports.rows import AssemblyRow, HistoryRow, ReportRow, RequestRow, StandingFacts, StandingRow, TakenRow
from service.record.reports.schemas import KeptFacts, RecordedRaw, Report
from service.record.standings.work_out import standing_from, standing_row
from service.registry.calendar import today
from service.registry.schemas import UtilityOnRecord


class Submitted(Struct, frozen=True, kw_only=True):
    """A report that is recorded; `fresh` is false where it was recorded before, with the same content."""

    fresh: bool
    id: UUID
    verdict: Raw
    standing: rules.Standing | UnsetType
    report: Callable[[], Report]
    """The report as it is answered, for whoever wants it: a batch does not."""

    @property
    def answer(self) -> RecordedRaw:
        """The whole answer."""
        return RecordedRaw(report=self.report(), verdict=self.verdict, standing=self.standing)


class _Known(Struct):
    """What is known of an assembly while a group is worked out. `lean`: only the tests that its standing rests on, without corrections."""

    assembly: StandingFacts
    tests: list[rules.TestEvent]
    latest: Latest | None = None
    lean: bool = True


class Group:
    """The reports that one transaction records, checked one after another against what is recorded and what precedes them."""

    def __init__(
        self, utility: UtilityOnRecord, now: dt.datetime, taken: Iterable[TakenRow], requests: Iterable[RequestRow]
    ) -> None:
        self._utility = utility
        self._today = today(utility, now)
        self._by_id = {row.id: row for row in taken}
        self._made = {(row.organisation_id, row.idempotency_key): row.report_id for row in requests}
        self._known: dict[UUID, _Known] = {}
        self._superseded: set[UUID] = set()
        self.rows: list[ReportRow] = []
        self.requests: list[RequestRow] = []
        self.standings: dict[UUID, StandingRow] = {}

    def know(self, judged: Judged) -> None:
        """Take in what was kept for the next report of that report's assembly; enough where nothing is corrected."""
        if judged.row.assembly_id not in self._known:
            self._known[judged.row.assembly_id] = _Known(
                assembly=judged.known, tests=judged.rests.tests, latest=judged.rests.latest
            )

    def know_whole(self, assemblies: dict[UUID, AssemblyRow], history: Iterable[HistoryRow]) -> None:
        """Take in assemblies with all their reports."""
        by_assembly: dict[UUID, list[HistoryRow]] = {assembly: [] for assembly in assemblies}
        for row in history:
            self._by_id[row.id] = row
            if row.supersedes is not None:
                self._superseded.add(row.supersedes)
            if row.assembly_id in by_assembly:
                by_assembly[row.assembly_id].append(row)
        for key, assembly in assemblies.items():
            self._known[key] = _Known(assembly=assembly, tests=rests.events(by_assembly[key]), lean=False)

    def add(self, judged: Judged) -> Submitted | UUID:
        """Take a report in and give its answer, or the id under which the same is recorded already; ProblemError for a conflict."""
        row, submission = judged.row, judged.submission
        key = (row.organisation_id, submission.idempotency_key or "")
        if submission.idempotency_key is not None and key in self._made:
            return self._same(self._made[key], judged, "idempotency_key_taken")
        if row.id in self._by_id:
            return self._same(row.id, judged, "report_id_taken")
        known = self._known[row.assembly_id]
        if row.supersedes is not None:
            corrected = self._corrected(judged, row.supersedes)
            self._superseded.add(row.supersedes)
            if row.company_id is None:
                row = hashed(self._utility.code, replace(row, company_id=corrected.company_id))
        self._by_id[row.id] = TakenRow(
            id=row.id, assembly_id=row.assembly_id, content_hash=row.content_hash, company_id=row.company_id
        )
        self.rows.append(row)
        if submission.idempotency_key is not None:
            self._made[key] = row.id
            self.requests.append(
                RequestRow(organisation_id=row.organisation_id, idempotency_key=submission.idempotency_key, report_id=row.id)
            )
        standing = self._standing_after(known, judged, row)
        return Submitted(
            fresh=True,
            id=row.id,
            verdict=Raw(judged.verdict),
            standing=rules.standing_on(standing, self._today, self._utility.due_soon_days),
            report=partial(report_of, self._utility.code, row.id, row.received_at, submission.facts),
        )

    def _standing_after(self, known: _Known, judged: Judged, row: ReportRow) -> rules.Standing:
        """The assembly's standing with that report, which is kept for it."""
        known.tests = [*known.tests, judged.event]
        if known.lean:
            known.tests = rules.rested_on(known.tests)
            if row.acceptance != "refused" and judged.latest is not None:
                known.latest = rests.later(known.latest, judged.latest)
        standing = standing_from(self._utility, known.assembly, known.tests)
        self.standings[row.assembly_id] = standing_row(row.assembly_id, standing)
        return standing

    def finish(self) -> None:
        """Once all reports are in: keep with each standing what the next report rests on.

        Where that was not read, it is left to be had from the reports.
        """
        for assembly_id, standing in self.standings.items():
            known = self._known[assembly_id]
            if known.lean:
                self.standings[assembly_id] = rests.kept(standing, RestsOn(tests=known.tests, latest=known.latest))

    def _same(self, recorded: UUID, judged: Judged, conflict: str) -> UUID:
        known = self._by_id.get(recorded)
        if known is not None and (known.content_hash != judged.row.content_hash or _anothers(known, judged)):
            raise problem(conflict)
        return recorded

    def _corrected(self, judged: Judged, supersedes: UUID) -> TakenRow:
        """The report that this one corrects; ProblemError where it may not correct that one."""
        corrected = self._by_id.get(supersedes)
        if corrected is None or corrected.assembly_id != judged.row.assembly_id or _anothers(corrected, judged):
            raise problem("supersedes_unknown", pointer="/supersedes", thing="report", place="this assembly")
        if supersedes in self._superseded:
            raise problem("already_superseded", thing="report")
        return corrected


def _anothers(known: TakenRow, judged: Judged) -> bool:
    """Whether a report is hidden from the testing company that sends this one, being none of its own."""
    company = judged.submission.principal.company
    return company is not None and known.company_id != company


def report_of(utility: str, report_id: UUID, received_at: dt.datetime, facts: KeptFacts, **more: Any) -> Report:
    """A report as it is answered."""
    said = {name: getattr(facts, name) for name in KeptFacts.__struct_fields__}
    return Report(id=report_id, utility=utility, received_at=received_at, **said, **more)
