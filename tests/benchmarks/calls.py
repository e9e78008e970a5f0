"""What is asked of records of different sizes: every list, standing, summary and feed, each time about other things at random.

Whatever is asked about is found in a record of any size: an assembly, a tester of about 500 assemblies, an area of about 100 plots.
"""

import datetime as dt
import random
from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

from msgspec import Struct

from tests.support.invented import ASSEMBLY, PREMISES, TESTER, id_of, people_of


class Town(Struct, frozen=True, kw_only=True):
    """A generated utility, as far as calls need it."""

    code: str
    assemblies: int
    changes: int
    reports: int
    today: dt.date


Draw = Callable[[Town, random.Random], tuple[str, dict[str, Any]]]
"""A path under the utility's, and its query."""


class Asked(Struct, frozen=True, kw_only=True):
    """A call that is measured: how a table names it, and how one is drawn."""

    title: str
    draw: Draw


def _of(path: str, **query: object) -> Draw:
    return lambda _town, _source: (path, query)


def _assembly(then: str, **query: object) -> Draw:
    return lambda town, source: (f"assemblies/{id_of(ASSEMBLY, source.randrange(town.assemblies))}{then}", query)


def _year(then: str, **query: object) -> Draw:
    return lambda town, _source: (f"summaries/{town.today.year}{then}", query)


def _after(path: str, what: int, **query: object) -> Draw:
    """A page somewhere within a list by id."""
    return lambda town, source: (path, {**query, "after": id_of(what, source.randrange(town.assemblies))})


def _area(town: Town, source: random.Random) -> tuple[str, dict[str, Any]]:
    side = int(town.assemblies**0.5)
    south, west = (source.randrange(side - 10) * 0.0005 for _ in range(2))
    box = (west - 123, south + 45, west - 123 + 0.0045, south + 45.0045)
    return "standings", {"area": ",".join(f"{one:.4f}" for one in box)}


def _tester(town: Town, source: random.Random) -> tuple[str, dict[str, Any]]:
    return "standings", {"tester_id": id_of(TESTER, source.randrange(people_of(town.assemblies)))}


def _overdue_after(town: Town, source: random.Random) -> tuple[str, dict[str, Any]]:
    since = town.today - dt.timedelta(days=source.randrange(1, 55))
    return "standings", {"status": "overdue", "sort": "due_on", "after": f"{since}~{id_of(ASSEMBLY, 0)}"}


CALLS: dict[str, Asked] = {
    name: Asked(title=title, draw=draw)
    for name, title, draw in (
        ("standing", "standing of an assembly", _assembly("/standing")),
        ("standing_then", "standing on a past day", _assembly("/standing", as_of="2025-06-01")),
        ("assembly", "an assembly", _assembly("")),
        ("assembly_reports", "reports of an assembly", _assembly("/reports")),
        ("trend", "trend of an assembly", _assembly("/trend")),
        ("overdue", "overdue, most pressing first", _of("standings", status="overdue", sort="due_on")),
        ("overdue_further", "overdue, a page further on", _overdue_after),
        ("due_soon", "due soon, most pressing first", _of("standings", status="due_soon", sort="due_on")),
        ("failed", "failed", _of("standings", status="failed")),
        ("untested", "untested", _of("standings", status="untested")),
        ("out_of_service", "out of service", _of("standings", status="out_of_service")),
        ("current", "current", _of("standings", status="current")),
        ("lost", "without protection", _of("standings", protection="lost")),
        ("unknown", "of unknown protection", _of("standings", protection="unknown")),
        ("overdue_health", "overdue, of high hazard", _of("standings", status="overdue", hazard="health", sort="due_on")),
        ("due_before", "due before a day", _of("standings", due_before="2026-01-01", sort="due_on")),
        ("standings", "standings, a page anywhere", _after("standings", ASSEMBLY)),
        ("by_due_day", "standings by due day", _of("standings", sort="due_on")),
        ("tester", "standings by tester", _tester),
        ("area", "standings in an area", _area),
        ("assemblies", "assemblies, a page anywhere", _after("assemblies", ASSEMBLY)),
        ("assemblies_kind", "assemblies of a kind", _after("assemblies", ASSEMBLY, kind="dc")),
        ("assemblies_no_kind", "assemblies of a kind that there is none of", _of("assemblies", kind="svb")),
        ("premises", "premises, a page anywhere", _after("premises", PREMISES)),
        (
            "premises_assemblies",
            "assemblies of premises",
            lambda town, source: ("assemblies", {"premises_id": id_of(PREMISES, source.randrange(town.assemblies))}),
        ),
        ("testers", "testers", _of("testers")),
        ("gauges", "gauges", _of("gauges")),
        ("reports", "reports, a page anywhere", lambda town, source: ("reports", {"after": source.randrange(town.reports)})),
        ("feed", "change feed, a page anywhere", lambda town, source: ("changes", {"after": source.randrange(town.changes)})),
        ("incidents", "incidents", _of("incidents")),
        ("exceptions", "exceptions from testing", _of("exceptions")),
        ("notices", "notices due, preview", _of("notices/preview")),
        ("summary_rows", "rows behind a yearly figure", _year("/rows", figure="not_tested")),
        ("summary", "yearly summary, running year", _year("")),
    )
}


def path(call: str, town: Town, source: random.Random) -> str:
    """A path to ask for."""
    result, query = CALLS[call].draw(town, source)
    return f"/v1/utilities/{town.code}/{result}" + (f"?{urlencode(query)}" if query else "")
