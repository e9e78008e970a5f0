"""The yearly summary that a regulator asks for: of one utility, and over several.

What the register says (kinds, hazards, what is in service, what is overdue) is counted as of today, named in
`counted_on`; what was tested is counted over the year. Tests are counted by the day of the test where the utility is. Several utilities are
added up figure by figure, and a median over them is the median of all their repairs, not of their medians.
"""

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, TypeVar

from msgspec import Struct
from msgspec.structs import asdict

import rules
from service.db.pool import Pool
from service.problems import ProblemError, problem
from service.registry.calendar import today
from service.registry.schemas import UtilityOnRecord
from service.summaries.overdue import overdue_then
from service.summaries.store import Days, ExceptedPremises, SummaryStore, YearRows

Key = TypeVar("Key")
SURVEYS: Final = (
    "hazard_assessments",
    "hazard_assessments_due",
    "hazard_assessments_overdue",
    "cross_connections_found",
    "cross_connections_corrected",
    "isolation_exceptions",
)


class Figures(Struct, frozen=True, kw_only=True):
    """Counts. assemblies = tested + not_tested; tests = passed + failed + declared + undecided; failures = repaired + unrepaired.

    `assemblies` in service and installed by the last day counted; `tested` of them in the year, with a result that decides; `overdue`
    of them on the last day counted, by what was known by its end, never tested ones too; `insufficient` of them whose parts work, but
    whose kind is not suitable there, as they stand on `counted_on`. `tests` performed in the year that are neither superseded nor
    refused, by their last result (`declared`: as declared on paper, passed or failed, in no other figure of results; `undecided`:
    incomplete, or held and not decided on; of a failing report and a correction that is held, the failing one); `repaired_at_once`:
    failed at first and passed after repair on the same visit. `failures` that began in the year, whoever saw them (also in a refused
    report), of which `repaired` have passed by `counted_on`; `median_days_to_repair` of those, null where there are none.
    `unprotected_days`: assembly-days on which an assembly had failed with no barrier left. `exceptions` from testing whose first day
    lies in the year. assemblies = premises_isolation + point_of_use + purpose_not_stated. `new` were installed in the year in place of no
    other on record; `replaced` were taken out for another in their place; `removed` were otherwise out of service on the last day counted
    and last put out of it in the year. `notices` were sent in the year for the first time.
    """

    assemblies: int = 0
    """Assemblies in service and installed by the last day counted."""
    premises_isolation: int = 0
    """Of them, those that isolate the premises at the service connection."""
    point_of_use: int = 0
    """Of them, those that isolate a point of use."""
    purpose_not_stated: int = 0
    """Of them, those of which the register does not say which."""
    new: int = 0
    """Assemblies installed in the year, in place of no other."""
    removed: int = 0
    """Assemblies put out of service in the year and not replaced."""
    replaced: int = 0
    """Assemblies replaced in the year by another."""
    tested: int = 0
    """Of them, those with a deciding test in the year."""
    not_tested: int = 0
    """Of them, those without."""
    overdue: int = 0
    """Of them, those overdue on the last day counted."""
    insufficient: int = 0
    """Of them, those whose parts work, but whose kind is not suitable there."""
    tests: int = 0
    """Tests in the year, without those superseded or refused."""
    passed: int = 0
    """Tests that passed, as judged here."""
    failed: int = 0
    """Tests that failed, as judged here."""
    declared: int = 0
    """Tests with the result declared on paper, which was not judged here."""
    undecided: int = 0
    """Tests that are incomplete, or held and not decided."""
    repaired_at_once: int = 0
    """Tests that failed at first and passed after a repair on the same visit."""
    failures: int = 0
    """Failures of assemblies that began in the year."""
    repaired: int = 0
    """Failures that a passing test has ended."""
    unrepaired: int = 0
    """Failures that none has ended."""
    median_days_to_repair: float | None = None
    """The median of the days from a failure to the test that ended it; null where there is none."""
    unprotected_days: int = 0
    """Days on which assemblies would not have stopped backflow, added up."""
    exceptions: int = 0
    """Exceptions from a due test whose first day lies in the year."""
    notices: int = 0
    """Notices sent in the year."""


class Rates(Struct, frozen=True, kw_only=True):
    """Shares between 0 and 1; null where there is nothing to divide by.

    `tested` and `overdue` of the assemblies; `failed` of the tests that passed or failed; `repaired` of the failures.
    """

    tested: float | None
    """Assemblies tested, as a share of all (0 to 1); null where there are none."""
    overdue: float | None
    """Assemblies overdue, as a share of all; null where there are none."""
    failed: float | None
    """Failed tests, as a share of those that passed or failed; null where there are none."""
    repaired: float | None
    """Failures repaired, as a share of all; null where there are none."""


class FiguresWithRates(Figures, frozen=True, kw_only=True):
    """The figures with their rates."""

    rates: Rates
    """The figures as shares."""


class FiguresByKindAndHazard(FiguresWithRates, frozen=True, kw_only=True):
    """The figures of one kind of assembly under one hazard."""

    kind: str
    """The kind of assembly."""
    hazard: str
    """The degree of hazard."""


class Connections(Struct, frozen=True, kw_only=True):
    """How many premises of a connection have an assembly in service, and how many have none."""

    connection: str
    """The connection."""
    premises: int
    """Premises of it with an assembly in service."""
    without_assembly: int
    """Premises of it without one."""


class NoticesSent(Struct, frozen=True, kw_only=True):
    """How many notices of a step were sent in the year."""

    step: str
    """The step of the schedule."""
    occasion: str
    """What such a notice is about."""
    sent: int
    """How many were sent."""


class _Summary(Struct, frozen=True, kw_only=True):
    year: int
    """The calendar year."""
    connections: list[Connections]
    """Premises with an assembly in service and without one, by connection."""
    premises: int
    """Premises with an assembly in service."""
    without_assembly: int
    """Premises on record without one."""
    notices: list[NoticesSent]
    """Notices sent in the year, step by step."""
    incidents: int
    """Incidents of the year, without those found to be none."""
    hazard_assessments: int
    """Hazard assessments (surveys) made in the year, without those superseded since."""
    hazard_assessments_due: int
    """Hazard assessments due in the year, or due before it and not made when it began."""
    hazard_assessments_overdue: int
    """Of them, those not made by the last day counted."""
    cross_connections_found: int
    """Unprotected cross-connections that the year's hazard assessments found."""
    cross_connections_corrected: int
    """Cross-connections that they saw to be corrected."""
    isolation_exceptions: int
    """Premises excepted from isolation on the last day counted, by their last hazard assessment."""
    groups: list[FiguresByKindAndHazard]
    """The figures by kind of assembly and hazard."""
    total: FiguresWithRates
    """The figures of all assemblies. An inspection of a kind that is not field-tested counts as its test."""
    inspected: FiguresWithRates
    """Of the total, the figures of the kinds that are inspected: `tested` are those inspected, `tests` the inspections."""


class YearlySummary(_Summary, frozen=True, kw_only=True):
    """A year of a utility, up to `until`: its last day, or today while it runs. The groups add up to the total, medians and rates apart.

    `incidents` of the year, but for those found to be none; `hazard_assessments` made in it, but for those corrected since. `rows` is an
    address with a query to fill in (RFC 6570) that lists what
    a figure counts: by the figure's name, and the kind, hazard or connection that it is of.
    """

    utility: str
    """The utility's code."""
    name: str
    """The utility's name."""
    system_id: str | None
    """The number that the regulator has given the water system."""
    isolation_exceptions_listed: list[ExceptedPremises]
    """The premises excepted from isolation with the reason, at most 200; all are the rows of `isolation_exceptions`."""
    until: dt.date
    """The last day counted: the year's last day, or today while it runs."""
    counted_on: dt.date
    """The day on which it was counted."""
    rows: str
    """A template (RFC 6570) of the path that lists the rows behind a figure."""


class CombinedSummary(_Summary, frozen=True, kw_only=True):
    """A year over all utilities that the caller sees and in which it has begun, and of each of them."""

    utilities: list[YearlySummary]
    """The summary of each utility."""


class Counted(Struct, frozen=True, kw_only=True):
    """A utility's year as counted, before it becomes an answer."""

    utility: UtilityOnRecord
    days: Days
    rows: YearRows


def days_of(utility: UtilityOnRecord, year: int, now: dt.datetime) -> Days | None:
    """The days of a year that have begun where the utility is; None where none has."""
    on = today(utility, now)
    if not dt.MINYEAR <= year <= on.year:
        return None
    return Days(first=dt.date(year, 1, 1), last=min(on, dt.date(year, 12, 31)), today=on)


def not_begun() -> ProblemError:
    """The refusal of a year of which nothing can be counted."""
    return problem("year_not_begun", parameter="year")


async def summarise(pool: Pool, utility: UtilityOnRecord, year: int, *, now: dt.datetime) -> YearlySummary:
    """The summary of a year; 422 for one that has not begun."""
    days = days_of(utility, year, now)
    if days is None:
        raise not_begun()
    return _of_one(year, await _counted(pool, utility, days))


async def summarise_all(pool: Pool, utilities: Sequence[UtilityOnRecord], year: int, *, now: dt.datetime) -> CombinedSummary:
    """The summary of a year over those utilities, one after another; 422 where it has begun in none."""
    counted = [await _counted(pool, utility, days) for utility in utilities if (days := days_of(utility, year, now)) is not None]
    if utilities and not counted:
        raise not_begun()
    listed = [_of_one(year, item) for item in counted]
    return CombinedSummary(
        year=year,
        utilities=listed,
        **_figures([item.rows for item in counted]),
    )


async def _counted(pool: Pool, utility: UtilityOnRecord, days: Days) -> Counted:
    overdue = await overdue_then(pool, utility, days)
    return Counted(utility=utility, days=days, rows=await SummaryStore(pool).year(utility.code, days, overdue))


def _of_one(year: int, counted: Counted) -> YearlySummary:
    code = counted.utility.code
    return YearlySummary(
        utility=code,
        year=year,
        until=counted.days.last,
        counted_on=counted.days.today,
        name=counted.utility.name,
        system_id=counted.utility.system_id or None,
        isolation_exceptions_listed=counted.rows.excepted,
        rows=f"/v1/utilities/{code}/summaries/{year}/rows{{?figure,kind,hazard,connection}}",
        **_figures([counted.rows]),
    )


def _figures(years: Sequence[YearRows]) -> dict[str, Any]:
    """Premises and figures, added up over those years of utilities."""
    connections, bare = _added(year.connections for year in years), _added(year.without_assembly for year in years)
    surveys = _added(year.surveys for year in years)
    keys = sorted({key for year in years for key in (*year.figures, *year.repairs)})
    counts = {key: _added(year.figures.get(key, {}) for year in years) for key in keys}
    repairs = {key: _added(year.repairs.get(key, {}) for year in years) for key in keys}
    return {
        "connections": [
            Connections(connection=name, premises=connections[name], without_assembly=bare[name])
            for name in sorted({*connections, *bare})
        ],
        "premises": sum(connections.values()),
        "without_assembly": sum(bare.values()),
        "notices": [
            NoticesSent(step=step, occasion=occasion, sent=sent)
            for (step, occasion), sent in sorted(_added(year.notices for year in years).items())
        ],
        "incidents": sum(year.incidents for year in years),
        **{name: surveys[name] for name in SURVEYS},
        "groups": [
            FiguresByKindAndHazard(kind=kind, hazard=hazard, **_figures_and_rates(counts[kind, hazard], repairs[kind, hazard]))
            for kind, hazard in keys
        ],
        "total": FiguresWithRates(**_figures_and_rates(_added(counts.values()), _added(repairs.values()))),
        "inspected": FiguresWithRates(
            **_figures_and_rates(
                _added(counts[key] for key in keys if rules.catalogue().is_inspected(key[0])),
                _added(repairs[key] for key in keys if rules.catalogue().is_inspected(key[0])),
            )
        ),
    }


def _added(parts: Iterable[Mapping[Key, int]]) -> Counter[Key]:
    found: Counter[Key] = Counter()
    for part in parts:
        found.update(part)
    return found


def _figures_and_rates(counts: Mapping[str, int], repairs: Mapping[int | None, int]) -> dict[str, Any]:
    """The figures of a group from its counts, and from how many failures took how many days to repair."""
    unrepaired = repairs.get(None, 0)
    repaired = sum(repairs.values()) - unrepaired
    figures = Figures(
        assemblies=counts.get("assemblies", 0),
        tested=counts.get("tested", 0),
        premises_isolation=counts.get("premises_isolation", 0),
        point_of_use=counts.get("point_of_use", 0),
        purpose_not_stated=counts.get("assemblies", 0) - counts.get("premises_isolation", 0) - counts.get("point_of_use", 0),
        new=counts.get("new", 0),
        removed=counts.get("removed", 0),
        replaced=counts.get("replaced", 0),
        notices=counts.get("notices", 0),
        not_tested=counts.get("assemblies", 0) - counts.get("tested", 0),
        overdue=counts.get("overdue", 0),
        insufficient=counts.get("insufficient", 0),
        tests=counts.get("tests", 0),
        passed=counts.get("passed", 0),
        failed=counts.get("failed", 0),
        declared=counts.get("declared", 0),
        undecided=counts.get("tests", 0) - sum(counts.get(name, 0) for name in ("passed", "failed", "declared")),
        repaired_at_once=counts.get("repaired_at_once", 0),
        failures=repaired + unrepaired,
        repaired=repaired,
        unrepaired=unrepaired,
        median_days_to_repair=_median(repairs, repaired),
        unprotected_days=counts.get("unprotected_days", 0),
        exceptions=counts.get("exceptions", 0),
    )
    rates = Rates(
        tested=_share(figures.tested, figures.assemblies),
        overdue=_share(figures.overdue, figures.assemblies),
        failed=_share(figures.failed, figures.passed + figures.failed),
        repaired=_share(figures.repaired, figures.failures),
    )
    return {**asdict(figures), "rates": rates}


def _median(repairs: Mapping[int | None, int], repaired: int) -> float | None:
    """The median of the days, each as often as it was; between the middle two where their number is even."""
    if not repaired:
        return None
    passed, middle = 0, []
    for days in sorted(days for days in repairs if days is not None):
        before, passed = passed, passed + repairs[days]
        middle += [days for place in ((repaired - 1) // 2, repaired // 2) if before <= place < passed]
    return sum(middle) / 2


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None
