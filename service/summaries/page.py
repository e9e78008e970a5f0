"""The yearly summary as a page: for the file, the wall and the printer; every figure leads to the rows that it counts.

Nothing of it needs a script. Where there are several utilities, each utility's figures lead to its own rows.
"""

from typing import Any, Final

from service.http.page import TEMPLATES, page
from service.summaries.summarise import CombinedSummary, YearlySummary

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


_WORDS: Final = {"names": _NAMES, "rates": _RATES, "hazards": _HAZARDS, "listed_by": _LISTED_BY}


def summary_page(name: str, result: YearlySummary) -> bytes:
    """The page of one utility of that name."""
    return _page(f"Backflow prevention in {result.year}: {name}", result, utilities=None)


def over_all(result: CombinedSummary) -> bytes:
    """The page over several utilities: what they add up to, then each."""
    return _page(f"Backflow prevention in {result.year}", result, utilities=result.utilities)


def _page(title: str, result: Any, utilities: Any) -> bytes:
    return page("summaries/summary.html", title=title, result=result, utilities=utilities, **_WORDS)


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:,.1f}" if value % 1 else f"{value:,.0f}"


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{share:.1%}"


TEMPLATES.filters |= {"figure": _figure, "percent": _percent}
