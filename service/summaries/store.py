"""A year in figures, in Postgres, and the rows behind each: the figures of one summary are read from one snapshot, so that they agree."""

import asyncio
import datetime as dt
from collections.abc import Sequence
from itertools import chain
from typing import Any, Final, Literal
from uuid import UUID

from msgspec import Struct

import rules
from service.db.pool import Connection, Pool
from service.db.statements import statements

_PARTS = statements(__name__)

LARGE = 50_000
"""From so many reports on a utility's year is counted by several sessions."""
# Which session counts what: about as much work for each.
_HERE: Final = ("assemblies",)
_BESIDE: Final = (
    ("failures", "unprotected", "incidents", "hazard_assessments", "notices"),
    ("connections", "overdue", "insufficient", "exceptions", "surveys", "excepted"),
)

Group = tuple[str, str]
"""A kind and a hazard."""
Resource = Literal["premises", "assemblies", "reports", "incidents", "exceptions", "hazard_assessments", "notices"]
Figure = Literal[
    "premises",
    "without_assembly",
    "assemblies",
    "premises_isolation",
    "point_of_use",
    "purpose_not_stated",
    "new",
    "removed",
    "replaced",
    "tested",
    "not_tested",
    "overdue",
    "insufficient",
    "tests",
    "passed",
    "failed",
    "declared",
    "undecided",
    "repaired_at_once",
    "failures",
    "repaired",
    "unrepaired",
    "unprotected_days",
    "exceptions",
    "notices",
    "incidents",
    "hazard_assessments",
    "hazard_assessments_due",
    "hazard_assessments_overdue",
    "cross_connections_found",
    "cross_connections_corrected",
    "isolation_exceptions",
]

# What the rows of a figure are, the part of SQL that gives them, and which of those belong to the figure.
FIGURES: Final[dict[Figure, tuple[Resource, str, str]]] = {
    "premises": ("premises", "rows_of_premises", "true"),
    "without_assembly": ("premises", "rows_of_premises_without", "true"),
    "assemblies": ("assemblies", "rows_of_assemblies", "true"),
    "premises_isolation": ("assemblies", "rows_of_assemblies", "f.purpose = 'premises_isolation'"),
    "point_of_use": ("assemblies", "rows_of_assemblies", "f.purpose = 'point_of_use'"),
    "purpose_not_stated": ("assemblies", "rows_of_assemblies", "f.purpose IS NULL"),
    "new": ("assemblies", "rows_of_moves", "f.new"),
    "removed": ("assemblies", "rows_of_moves", "f.removed"),
    "replaced": ("assemblies", "rows_of_moves", "f.replaced"),
    "tested": ("assemblies", "rows_of_assemblies", "f.tested"),
    "not_tested": ("assemblies", "rows_of_assemblies", "NOT f.tested"),
    "overdue": ("assemblies", "rows_of_assemblies", "f.overdue"),
    "insufficient": ("assemblies", "rows_of_assemblies", "f.insufficient"),
    "tests": ("reports", "rows_of_tests", "true"),
    "passed": ("reports", "rows_of_tests", "f.outcome = 'pass' AND f.accepted AND NOT f.declared"),
    "failed": ("reports", "rows_of_tests", "f.outcome = 'fail' AND NOT f.declared"),
    "declared": ("reports", "rows_of_tests", "f.declared AND (f.outcome = 'fail' OR f.outcome = 'pass' AND f.accepted)"),
    "undecided": ("reports", "rows_of_tests", "(f.outcome = 'incomplete' OR f.outcome = 'pass' AND NOT f.accepted)"),
    "repaired_at_once": (
        "reports",
        "rows_of_tests",
        "f.outcome = 'pass' AND f.accepted AND NOT f.declared AND f.initial_outcome = 'fail'",
    ),
    "failures": ("reports", "rows_of_begun", "true"),
    "repaired": ("reports", "rows_of_begun", "f.days IS NOT NULL"),
    "unrepaired": ("reports", "rows_of_begun", "f.days IS NULL"),
    "unprotected_days": ("reports", "rows_of_without_protection", "true"),
    "exceptions": ("exceptions", "rows_of_exceptions", "true"),
    "incidents": ("incidents", "rows_of_incidents", "true"),
    "notices": ("notices", "rows_of_notices", "true"),
    "hazard_assessments": ("hazard_assessments", "rows_of_hazard_assessments", "true"),
    "hazard_assessments_due": ("hazard_assessments", "rows_of_surveys", "f.due"),
    "hazard_assessments_overdue": ("hazard_assessments", "rows_of_surveys", "f.due AND f.next_on IS NULL"),
    "cross_connections_found": ("hazard_assessments", "rows_of_surveys", "f.on_day >= $2 AND f.cross_connections_found > 0"),
    "cross_connections_corrected": (
        "hazard_assessments",
        "rows_of_surveys",
        "f.on_day >= $2 AND f.cross_connections_corrected > 0",
    ),
    "isolation_exceptions": ("hazard_assessments", "rows_of_surveys", "f.next_on IS NULL AND f.isolation_exception IS NOT NULL"),
}
# What a row adds to its figure where that is not one, and why it is one of them.
_AMOUNTS: Final = {name: f"f.{name}" for name in ("cross_connections_found", "cross_connections_corrected")}
_REASONS: Final = {"isolation_exceptions": "f.isolation_exception"}


def _whole(text: str, **more: str) -> str:
    """A statement with the parts that it names put in; parts may name others."""
    parts = _PARTS | more
    while "{" in text:
        text = text.format_map(parts)
    return text


_SQL = {
    name: _whole(_PARTS[name], then="$5")
    for name in (
        "connections",
        "assemblies",
        "overdue",
        "insufficient",
        "failures",
        "unprotected",
        "exceptions",
        "incidents",
        "hazard_assessments",
        "surveys",
        "excepted",
        "notices",
    )
}
_PERHAPS = _whole(_PARTS["perhaps_overdue"])
_ROWS = {
    figure: _whole(
        _PARTS["rows"],
        rows=_PARTS[part],
        condition=condition,
        amount=_AMOUNTS.get(figure, "NULL::integer"),
        because=_REASONS.get(figure, "NULL::text"),
        then="$10",
    )
    for figure, (_, part, condition) in FIGURES.items()
}


class Days(Struct, frozen=True, kw_only=True):
    """The days counted, from first to last, as of `today`, where the utility is."""

    first: dt.date
    last: dt.date
    today: dt.date


class ExceptedPremises(Struct, frozen=True, kw_only=True):
    """Premises of which no isolation is required although their type is listed, by their last hazard assessment."""

    id: UUID
    """The hazard assessment that says so."""
    premises_id: UUID
    premises: str
    """The name of the premises."""
    reference: str | None
    """The utility's own number for them."""
    assessed_on: dt.date
    """The day of the assessment."""
    assessed_by: str
    """Who assessed them."""
    because: str
    """Why no isolation is required."""


class YearRows(Struct, frozen=True, kw_only=True):
    """Premises by connection, with an assembly and without; figures and failures by days to repair (None: not yet) for each group.

    `notices` are those sent, by step and occasion; `surveys` what was assessed; `excepted` the premises excepted from isolation.
    """

    connections: dict[str, int]
    without_assembly: dict[str, int]
    figures: dict[Group, dict[str, int]]
    repairs: dict[Group, dict[int | None, int]]
    notices: dict[tuple[str, str], int]
    surveys: dict[str, int]
    excepted: list[ExceptedPremises]
    incidents: int


class FigureRow(Struct, frozen=True, kw_only=True):
    """A row behind a figure."""

    id: UUID
    assembly_id: UUID | None
    kind: str | None
    hazard: str | None
    connection: str | None
    on_day: dt.date | None
    days: int | None
    count: int | None
    because: str | None


class RowsOf(Struct, frozen=True, kw_only=True):
    """Whose rows: a figure's, of one kind, hazard or connection where one is named."""

    figure: Figure
    kind: str | None = None
    hazard: str | None = None
    connection: str | None = None


class SummaryStore:
    """Counts."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def perhaps_overdue(
        self, utility: str, days: Days, ordinary: rules.OrdinaryDays, *, ended: dt.datetime
    ) -> tuple[list[UUID], list[UUID]]:
        """Assemblies that were overdue on the last day, by what was received before `ended`, and those that may have been.

        No others were.
        """
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(
                _PERHAPS,
                utility,
                days.first,
                days.last,
                ordinary.seldom_failed_since,
                ended,
                ordinary.current_since,
                ordinary.failures,
                ordinary.failures_since,
                ordinary.overdue_before,
                [entry.kind for entry in rules.catalogue().kinds if entry.inspected],
            )
        return [row["id"] for row in rows if row["surely"]], [row["id"] for row in rows if not row["surely"]]

    async def year(self, utility: str, days: Days, overdue: Sequence[UUID] | None = None) -> YearRows:
        """The figures of those days; of a large utility, counted by several sessions at once from the same snapshot.

        `overdue` are the assemblies that were, where the kept standings do not list them.
        """
        found: dict[str, list[Any]] = {}

        async def count(connection: Connection, names: Sequence[str]) -> None:
            await connection.execute(_PARTS["roomy"])
            for name in names:
                found[name] = await _asked(connection, name, utility, days, overdue)

        async def count_beside(snapshot: str, names: Sequence[str]) -> None:
            async with (
                self._pool.lend(utility) as connection,
                connection.transaction(isolation="repeatable_read", readonly=True),
            ):
                # The snapshot's name is Postgres's own, and this statement takes no parameters.
                await connection.execute(f"SET TRANSACTION SNAPSHOT '{snapshot}'")
                await count(connection, names)

        async with (
            self._pool.lend(utility) as connection,
            connection.transaction(isolation="repeatable_read", readonly=True),
        ):
            snapshot = await connection.fetchval(_PARTS["begin"], utility, LARGE)
            async with self._pool.spare(len(_BESIDE) if snapshot is not None else 0) as beside:
                if beside:
                    async with asyncio.TaskGroup() as tasks:
                        for names in _BESIDE:
                            tasks.create_task(count_beside(snapshot, names))
                        tasks.create_task(count(connection, _HERE))
                else:
                    await count(connection, [*_HERE, *chain.from_iterable(_BESIDE)])
        return _gathered(found)

    async def rows(
        self, utility: str, days: Days, wanted: RowsOf, *, after: UUID | None, limit: int, overdue: Sequence[UUID] | None = None
    ) -> list[FigureRow]:
        """Up to `limit` of the rows behind a figure after that id, by id; `overdue` as for `year`."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(
                _ROWS[wanted.figure],
                utility,
                days.first,
                days.last,
                days.today,
                wanted.kind,
                wanted.hazard,
                wanted.connection,
                after,
                limit,
                overdue,
            )
        return [FigureRow(**dict(row)) for row in rows]


def _gathered(found: dict[str, list[Any]]) -> YearRows:
    figures: dict[Group, dict[str, int]] = {}
    repairs: dict[Group, dict[int | None, int]] = {}
    for name in ("assemblies", "overdue", "insufficient", "unprotected", "exceptions"):
        for row in found[name]:
            result = dict(row)
            figures.setdefault((result.pop("kind"), result.pop("hazard")), {}).update(result)
    for row in found["failures"]:
        repairs.setdefault((row["kind"], row["hazard"]), {})[row["days"]] = row["failures"]
    steps: dict[tuple[str, str], int] = {}
    for row in found["notices"]:
        group, step = (row["kind"], row["hazard"]), (row["step"], row["occasion"])
        figures.setdefault(group, {})["notices"] = figures.get(group, {}).get("notices", 0) + row["sent"]
        steps[step] = steps.get(step, 0) + row["sent"]
    return YearRows(
        connections={row["connection"]: row["premises"] for row in found["connections"]},
        without_assembly={row["connection"]: row["without_assembly"] for row in found["connections"]},
        figures=figures,
        repairs=repairs,
        notices=steps,
        surveys={"hazard_assessments": found["hazard_assessments"][0][0], **dict(found["surveys"][0])},
        excepted=[ExceptedPremises(**dict(row)) for row in found["excepted"]],
        incidents=found["incidents"][0][0],
    )


async def _asked(connection: Connection, name: str, utility: str, days: Days, overdue: Sequence[UUID] | None) -> list[Any]:
    """The rows of a statement, given as much of this as it names."""
    sql = _SQL[name]
    arguments = [days.first, days.last, days.today, overdue][: max(n for n in (2, 3, 4, 5) if f"${n}" in sql) - 1]
    return list(await connection.fetch(sql, utility, *arguments))
