"""The statements of the two asyncpg peers: one a step, each for one report."""

from typing import Any
from uuid import UUID

from service.auth.access import Principal
from service.record.reports.judging import day_of_test
from service.record.reports.schemas import ReportFacts
from tests.benchmarks.peers.common import (
    AssemblyRow,
    FactsRow,
    HistoryRow,
    ReportRow,
    UtilityOnRecord,
    answer,
    judged,
    standing_of,
)

UTILITY = """SELECT utility_id AS code, version, created_at, changed_at, name, rulebook, time_zone, due_soon_days
FROM record.utility WHERE utility_id = $1"""
FACTS = """SELECT 1 AS n, a.kind, a.hazard, a.purpose, a.backpressure_possible, a.in_plant_air_gap, a.nominal_size::text AS nominal_size, a.installed_on, a.in_service, p.connection, a.created_at,
    t.certificates::text AS certificates, t.id IS NOT NULL AS tester_known,
    g.accuracy, g.resolution, g.units ->> 'pressure' AS gauge_unit, g.calibrations::text AS calibrations, (
        SELECT r.judged FROM record.report r
        WHERE r.utility_id = $1 AND r.assembly_id = $2 AND r.performed_at < $5 AND r.acceptance <> 'refused'
            AND NOT EXISTS (SELECT FROM record.report c WHERE c.utility_id = r.utility_id AND c.supersedes = r.id)
        ORDER BY r.performed_at DESC, r.id DESC LIMIT 1
    ) AS previous_judged
FROM record.assembly a
JOIN record.premises p ON p.utility_id = $1 AND p.id = a.premises_id
LEFT JOIN record.tester t ON t.utility_id = $1 AND t.id = $3
LEFT JOIN record.gauge g ON g.utility_id = $1 AND g.id = $4
WHERE a.utility_id = $1 AND a.id = $2"""
NUMBER = "SELECT reports FROM record.utility_log WHERE utility_id = $1 FOR UPDATE"
HISTORY = """SELECT id, assembly_id, performed_at, performed_on, received_at, reason, supersedes, content_hash, outcome, mechanical_protection AS protection,
    acceptance, initial_outcome, failed_protection, acts_as, declared
FROM record.report WHERE utility_id = $1 AND assembly_id = $2 ORDER BY performed_at, received_at, id"""
_COLUMNS = ("utility_id", "log_index", *ReportRow.__struct_fields__)
INSERT = f"INSERT INTO record.report ({', '.join(_COLUMNS)}) VALUES ({', '.join(f'${n + 1}' for n in range(len(_COLUMNS)))})"  # noqa: S608 - our own names
STANDING = """INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis, rests_version, rests_on, latest_at)
VALUES ($1, $2, 1, $3, $4, CASE WHEN $5::text IS NOT NULL THEN 1 END, $5, $6)
ON CONFLICT (utility_id, assembly_id) DO UPDATE SET version = standing.version + 1, due_on = excluded.due_on, basis = excluded.basis,
    rests_version = CASE WHEN excluded.rests_on IS NOT NULL THEN standing.version + 1 END, rests_on = excluded.rests_on,
    latest_at = excluded.latest_at"""


async def record(connection: Any, utility: UtilityOnRecord, report_id: UUID, facts: ReportFacts, who: Principal) -> bytes:
    """Judge and record one report in one transaction; its answer."""
    day_of_test(utility, facts.performed_at)
    async with connection.transaction():
        await connection.execute("SELECT set_config('nonreturn.utility', $1, true)", utility.code)
        found = await connection.fetchrow(
            FACTS, utility.code, facts.assembly_id, facts.tester_id, facts.gauge_id, facts.performed_at
        )
        known = FactsRow(**dict(found))
        result = judged(utility, report_id, facts, who, known)
        row = result.row
        index = await connection.fetchval(NUMBER, utility.code)
        history = [HistoryRow(**dict(one)) for one in await connection.fetch(HISTORY, utility.code, facts.assembly_id)]
        assembly = AssemblyRow(
            basis=None,
            kind=known.kind,
            hazard=known.hazard,
            purpose=known.purpose,
            backpressure_possible=known.backpressure_possible,
            in_plant_air_gap=known.in_plant_air_gap,
            installed_on=known.installed_on,
            in_service=known.in_service,
            connection=known.connection,
            created_at=known.created_at,
        )
        standing, kept = standing_of(utility, assembly, history, result)
        await connection.execute(INSERT, utility.code, index, *(getattr(row, name) for name in ReportRow.__struct_fields__))
        await connection.execute(STANDING, utility.code, kept.assembly_id, kept.due_on, kept.basis, kept.rests_on, kept.latest_at)
    return answer(utility.code, row, facts, standing)
