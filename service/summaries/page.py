"""The yearly summary as a page: for the file, the wall and the printer; every figure leads to the rows that it counts.

Nothing of it needs a script. Where there are several utilities, each utility's figures lead to its own rows.
"""

from html import escape
from typing import Any, Final
from urllib.parse import urlencode

from service.http.page import page
from service.summaries.summarise import CombinedSummary, FiguresWithRates, YearlySummary

_NAMES: Final = {
    "assemblies": "Assemblies in service",
    "tested": "of them tested in the year",
    "not_tested": "of them not tested in the year",
    "overdue": "of them overdue on the last day counted",
    "insufficient": "of them not approved for the hazard or the use there",
    "tests": "Tests performed",
    "passed": "of them passed",
    "failed": "of them failed",
    "declared": "of them with the result declared on paper, not judged here",
    "undecided": "of them incomplete or held",
    "repaired_at_once": "Initial test failed, passed after repair on the same visit",
    "failures": "Failures that began in the year",
    "repaired": "of them repaired since",
    "unrepaired": "of them not yet repaired",
    "median_days_to_repair": "Median days to repair",
    "unprotected_days": "Days without protection, all assemblies together",
    "exceptions": "Exceptions from testing that began in the year",
}
_RATES: Final = {
    "tested": "Assemblies tested",
    "overdue": "Assemblies overdue",
    "failed": "Tests failed, of those that passed or failed",
    "repaired": "Failures repaired",
}
_HAZARDS: Final = {
    "severe": "severe hazard",
    "health": "health hazard",
    "non_health": "non-health hazard",
    "unknown": "hazard not assessed",
}
# Without one there is nothing to list: it is worked out of the rows of another.
_LISTED_BY: Final = {"median_days_to_repair": "repaired"}


def summary_page(name: str, result: YearlySummary) -> bytes:
    """The page of one utility of that name."""
    return page(f"Backflow prevention in {result.year}: {name}", _year(result))


def over_all(result: CombinedSummary) -> bytes:
    """The page over several utilities: what they add up to, then each."""
    parts = [
        f"<p>Utilities: {len(result.utilities)}.</p>",
        _premises(result, None),
        _total(result.total, None),
        _by_group(result, None),
    ]
    parts += [
        f'<h2 id="{escape(utility.utility)}">{escape(utility.utility)}</h2>{_year(utility, level=3)}'
        for utility in result.utilities
    ]
    return page(f"Backflow prevention in {result.year}", "".join(parts))


def _year(result: YearlySummary, *, level: int = 2) -> str:
    day = f"<p>Tests from 1 January to {result.until}; register and repairs as of {result.counted_on}.</p>"
    return (
        day
        + _premises(result, result.rows, level)
        + _total(result.total, result.rows, level)
        + _by_group(result, result.rows, level)
    )


def _premises(result: Any, rows: str | None, level: int = 2) -> str:
    lines = "".join(
        f'<tr><th scope="row">{escape(connection.connection.replace("_", " "))}</th>'
        f"<td class=figure>{_linked(connection.premises, rows, figure='premises', connection=connection.connection)}</td></tr>"
        for connection in result.connections
    )
    return (
        f"<h{level}>Connections and incidents</h{level}><table><caption>Premises with an assembly in service</caption><tbody>{lines}"
        f'<tr><th scope="row">all premises</th><td class=figure>{_linked(result.premises, rows, figure="premises")}</td></tr>'
        f'<tr><th scope="row">Backflow incidents of the year</th><td class=figure>{_linked(result.incidents, rows, figure="incidents")}</td></tr>'
        f'<tr><th scope="row">Hazard assessments made in the year</th><td class=figure>{_linked(result.hazard_assessments, rows, figure="hazard_assessments")}</td></tr>'
        "</tbody></table>"
    )


def _total(result: FiguresWithRates, rows: str | None, level: int = 2) -> str:
    lines = "".join(
        f'<tr><th scope="row">{name}</th><td class=figure>{_linked(getattr(result, figure), rows, figure=_LISTED_BY.get(figure, figure))}</td></tr>'
        for figure, name in _NAMES.items()
    )
    rates = "".join(
        f'<tr><th scope="row">{name}</th><td class=figure>{_percent(getattr(result.rates, rate))}</td></tr>'
        for rate, name in _RATES.items()
    )
    return (
        f"<h{level}>All assemblies</h{level}><table><caption>Figures</caption><tbody>{lines}</tbody></table>"
        f"<table><caption>Rates</caption><tbody>{rates}</tbody></table>"
    )


def _by_group(result: Any, rows: str | None, level: int = 2) -> str:
    """A table a group, so that a narrow screen and a sheet of paper need no sideways scrolling."""
    parts = [f"<h{level}>By kind and hazard</h{level}>"]
    for group in result.groups:
        lines = "".join(
            f'<tr><th scope="row">{name}</th>'
            f"<td class=figure>{_linked(getattr(group, figure), rows, figure=_LISTED_BY.get(figure, figure), kind=group.kind, hazard=group.hazard)}</td></tr>"
            for figure, name in _NAMES.items()
            if getattr(group, figure)
        )
        caption = f"{escape(group.kind)}, {_HAZARDS[group.hazard]}"
        parts.append(f"<table><caption>{caption}</caption><tbody>{lines}</tbody></table>")
    return "".join(parts) if result.groups else ""


def _linked(value: float | None, rows: str | None, **asked: str) -> str:
    """A figure that leads to its rows; where there are none, or the rows are several utilities', the figure alone."""
    text = "–" if value is None else f"{value:,.1f}" if value % 1 else f"{value:,.0f}"
    if rows is None or not value:
        return text
    address = f"{rows.partition('{')[0]}?{urlencode(asked)}"
    return f'<a href="{escape(address)}">{text}</a>'


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{share:.1%}"
