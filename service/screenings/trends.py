"""The trends of an assembly's components, from the reports that count: neither superseded nor refused."""

import datetime as dt
from uuid import UUID

import msgspec
from msgspec import UNSET, Struct

import rules
from rules.calendar import add_months
from service.problems import problem
from service.record.reports.store import ReportStore
from service.record.standings.work_out import read_standing
from service.registry.calendar import today
from service.registry.schemas import UtilityOnRecord
from service.screenings.schemas import AssemblyTrend
from service.screenings.store import ScreeningStore, TrendRow

_A_YEAR = 12


async def assembly_trend(
    store: ScreeningStore,
    reports: ReportStore,
    utility: UtilityOnRecord,
    assembly_id: UUID,
    *,
    unit: rules.PressureUnit | None,
    on: dt.date | None,
    now: dt.datetime,
) -> AssemblyTrend:
    """How an assembly's components go; 404 for one that is not there.

    Reported for the day on which its next test is due, or today where that is past (a year on, where none is due); in the unit
    of the newest
    report.
    """
    standing = await read_standing(reports, utility, assembly_id, now=now)
    tests = [_trended(row) for row in await store.tests_of_assembly(utility.code, assembly_id)]
    this_day = today(utility, now)
    if on is not None and on < this_day:
        raise problem("in_the_past", parameter="on")
    due_on = add_months(this_day, _A_YEAR) if standing.due_on is None else standing.due_on
    next_test_on = max(this_day, due_on) if on is None else on
    asked: rules.PressureUnit = unit or (tests[-1].unit if tests else "psi")
    return AssemblyTrend(
        assembly_id=assembly_id,
        units=rules.TestUnits(pressure=asked),
        next_test_on=next_test_on,
        components=rules.trends(tests, next_test_on=next_test_on, unit=asked),
        caution=rules.CAUTION,
    )


class _Verdict(Struct):
    """What a trend reads of a stored verdict, so that one judged by earlier rules can be read."""

    findings: list[rules.Finding]


def _trended(row: TrendRow) -> rules.TrendedTest:
    test = msgspec.json.decode(row.judged, type=rules.Test)
    verdict = msgspec.json.decode(row.verdict, type=_Verdict)
    return rules.TrendedTest(
        report_id=str(row.id),
        performed_on=row.performed_on,
        unit=test.units.pressure,
        findings=verdict.findings,
        repairs=() if test.repairs is UNSET else test.repairs,
        resolution=0.0 if test.gauge is UNSET or test.gauge.resolution is UNSET else test.gauge.resolution,
    )
