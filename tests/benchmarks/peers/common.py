"""What every peer shares with the service: its rules, its way of judging, and its check of keys. All else is each peer's own.

Each peer takes `PUT /v1/utilities/{utility}/reports/{id}`, records report, verdict, standing and feed in one durable transaction on the
service's own schema under its row security, and answers with report, verdict and standing. What the service does besides (all faults of
a bad document named, doubled members, idempotency keys, retries, corrections, problem details, metrics) the peers leave out.
"""

import os
from uuid import UUID

import msgspec

import rules
from service.auth.access import Gatekeeper, Principal
from service.auth.store import AccessStore
from service.clock import SystemClock
from service.db.pool import Pool
from service.record.reports import rests
from service.record.reports.judging import Judged, judge
from service.record.reports.rests import RestsOn
from service.record.reports.rows import AssemblyRow, FactsRow, HistoryRow, ReportRow, StandingRow
from service.record.reports.schemas import RecordedRaw, Report, ReportFacts, Submission
from service.record.standings.work_out import standing_from, standing_row
from service.registry.calendar import today
from service.registry.schemas import UtilityOnRecord

DSN = os.environ["NONRETURN_DSN"]
POOL = 8
clock = SystemClock()
decoder = msgspec.json.Decoder(ReportFacts)


class Keys:
    """Who a key stands for, remembered for as long as the service remembers it."""

    def __init__(self) -> None:
        self._gatekeeper: Gatekeeper | None = None

    async def principal(self, authorization: str | None, utility: str) -> Principal:
        """Who asks, if that key may report there."""
        if self._gatekeeper is None:
            self._gatekeeper = Gatekeeper(AccessStore(await Pool.open(DSN, size=1)), clock, remember_seconds=5)
        principal = await self._gatekeeper.principal(authorization)
        principal.require("report", utility)
        return principal


def judged(utility: UtilityOnRecord, report_id: UUID, facts: ReportFacts, who: Principal, known: FactsRow) -> Judged:
    """The report with its verdict, as it is to be written."""
    return judge(utility, Submission(id=report_id, facts=facts, principal=who, received_at=clock.now()), known)


def standing_of(
    utility: UtilityOnRecord, known: AssemblyRow, history: list[HistoryRow], judged: Judged
) -> tuple[rules.Standing, StandingRow]:
    """The assembly's standing once that report is recorded, as it is to be answered and as it is to be kept."""
    tests = [*rests.events(history), judged.event]
    standing = standing_from(utility, known, tests)
    kept = standing_row(judged.row.assembly_id, standing)
    if all(one.performed_at <= judged.row.performed_at for one in tests):
        # What the next report rests on is kept too, where this one is the latest; it is had from the reports else.
        kept = rests.kept(kept, RestsOn(tests=rules.rested_on(tests), latest=judged.latest))
    return rules.standing_on(standing, today(utility, clock.now()), utility.due_soon_days), kept


def answer(utility: str, row: ReportRow, facts: ReportFacts, standing: rules.Standing) -> bytes:
    """What is answered."""
    said = {name: getattr(facts, name) for name in ReportFacts.__struct_fields__}
    report = Report(id=row.id, utility=utility, received_at=row.received_at, **said)
    return msgspec.json.encode(RecordedRaw(report=report, verdict=msgspec.Raw(row.verdict.encode()), standing=standing))
