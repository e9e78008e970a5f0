"""The yearly summary that a regulator asks for.

What the register says (kinds, hazards, what is in service, who is overdue) is told as it stands on the day of asking, named in
`counted_on`; what was tested is told of the year. Tests are counted by the day of the test where the utility is.
"""

import datetime as dt

from msgspec import Struct

from service.problems import ProblemError
from service.records.judging import today
from service.store.summaries import SummaryStore
from service.things import Utility


class Figures(Struct, frozen=True, kw_only=True):
    """Counts. assemblies = tested + not_tested; tests = passed + failed + undecided; failures = repaired + unrepaired.

    `assemblies` in service and installed by the last day counted; `tested` of them in the year, with a result that decides; `overdue` of
    them on `counted_on`. `tests` performed in the year that are neither superseded nor refused, by their last result (`undecided`:
    incomplete, or held); `repaired_at_once`: failed at first and passed after repair on the same visit. `failures` that began in the
    year, of which `repaired` have passed by `counted_on`; `median_days_to_repair` of those, null where there are none.
    `unprotected_days`: assembly-days on which an assembly had failed with no barrier left.
    """

    assemblies: int = 0
    tested: int = 0
    not_tested: int = 0
    overdue: int = 0
    tests: int = 0
    passed: int = 0
    failed: int = 0
    undecided: int = 0
    repaired_at_once: int = 0
    failures: int = 0
    repaired: int = 0
    unrepaired: int = 0
    median_days_to_repair: float | None = None
    unprotected_days: int = 0


class GroupFigures(Figures, frozen=True, kw_only=True):
    """The figures of one kind of assembly under one hazard."""

    kind: str
    hazard: str


class Connections(Struct, frozen=True, kw_only=True):
    """How many premises of a connection have an assembly in service."""

    connection: str
    premises: int


class YearlySummary(Struct, frozen=True, kw_only=True):
    """A year of a utility, up to `until`: its last day, or today while it runs. The groups add up to the total, medians apart."""

    utility: str
    year: int
    until: dt.date
    counted_on: dt.date
    connections: list[Connections]
    premises: int
    groups: list[GroupFigures]
    total: Figures


async def summarise(store: SummaryStore, utility: Utility, year: int, *, now: dt.datetime) -> YearlySummary:
    """The summary of a year; 422 for one that has not begun."""
    on = today(utility, now)
    if not dt.MINYEAR <= year <= on.year:
        raise ProblemError("not-applicable", "That year has not begun, or is none of the calendar.")
    until = min(on, dt.date(year, 12, 31))
    rows = await store.year(utility.code, first=dt.date(year, 1, 1), last=until, today=on)
    told = {
        group: {**figures, "not_tested": figures.get("assemblies", 0) - figures.get("tested", 0)}
        for group, figures in rows.groups.items()
    }
    return YearlySummary(
        utility=utility.code,
        year=year,
        until=until,
        counted_on=on,
        connections=[Connections(connection=name, premises=count) for name, count in rows.connections.items()],
        premises=sum(rows.connections.values()),
        groups=[
            GroupFigures(kind=group[0], hazard=group[1], **told[group])
            for group in sorted(one for one in told if one is not None)
        ],
        total=Figures(**told.get(None, {})),
    )
