"""The yearly summary as a page: one matrix, figures by kind and hazard; for the file, the wall and the printer.

Every figure leads to the rows that it counts. Nothing needs a script. On paper it is two pages, landscape, with the pages numbered and a
line to sign. Where there are several utilities, each utility's figures lead to its own rows.
"""

from collections.abc import Sequence
from itertools import groupby
from typing import Any, Final

import rules
from service.http.page import TEMPLATES, page
from service.summaries.summarise import CombinedSummary, FiguresByKindAndHazard, YearlySummary

# Figures that the one before them holds are set in under it.
_FIGURES: Final = {
    "Assemblies": {
        "assemblies": "In service on the last day counted",
        "premises_isolation": "– for premises isolation",
        "point_of_use": "– at the point of use",
        "purpose_not_stated": "– purpose not stated",
        "new": "New in the year",
        "removed": "Removed in the year",
        "replaced": "Replaced in the year",
        "insufficient": "Not approved for the hazard or the use there",
    },
    "Tests": {
        "tested": "Assemblies tested in the year",
        "not_tested": "Assemblies not tested in the year",
        "overdue": "Assemblies overdue on the last day counted",
        "tests": "Tests performed",
        "passed": "– passed",
        "failed": "– failed",
        "declared": "– declared on paper, not judged here",
        "undecided": "– incomplete or held",
        "repaired_at_once": "Initial test failed, passed after repair on the same visit",
        "exceptions": "Exceptions from testing that began in the year",
    },
    "Failures": {
        "failures": "Failures that began in the year",
        "repaired": "– repaired since",
        "unrepaired": "– not yet repaired",
        "median_days_to_repair": "Median days to repair",
        "unprotected_days": "Days without protection, all assemblies together",
        "notices": "Notices sent",
    },
}
_RATES: Final = {
    "tested": "Assemblies tested",
    "overdue": "Assemblies overdue",
    "failed": "Tests failed, of those that passed or failed",
    "repaired": "Failures repaired",
}
_HAZARDS: Final = {"severe": "severe", "health": "health", "non_health": "non-health", "unknown": "not assessed"}
_CONNECTIONS: Final = {
    "residential": "Residential",
    "non_residential": "Non-residential",
    "irrigation": "Irrigation",
    "fire": "Fire protection",
    "reclaimed_on_site": "Reclaimed water on site",
}
_OTHERS: Final = {
    "incidents": "Backflow incidents of the year",
    "hazard_assessments": "Surveys (hazard assessments) made in the year",
    "hazard_assessments_due": "Surveys due by the last day counted",
    "hazard_assessments_overdue": "– of these not made",
    "cross_connections_found": "Unprotected cross-connections found",
    "cross_connections_corrected": "Cross-connections corrected",
    "isolation_exceptions": "Premises excepted from isolation",
}
# Without one there is nothing to list: it is worked out of the rows of another.
_LISTED_BY: Final = {"median_days_to_repair": "repaired"}
_ABREAST: Final = 12
"""How many kinds and hazards fit beside each other on a sheet; more go on below."""
_WORDS: Final = {
    "figures": _FIGURES,
    "rates": _RATES,
    "hazards": _HAZARDS,
    "connections": _CONNECTIONS,
    "others": _OTHERS,
    "listed_by": _LISTED_BY,
}


def summary_page(name: str, result: YearlySummary) -> bytes:
    """The page of one utility of that name."""
    return _page(f"Backflow prevention in {result.year}: {name}", result, utilities=None)


def over_all(result: CombinedSummary) -> bytes:
    """The page over several utilities: what they add up to, then each."""
    return _page(f"Backflow prevention in {result.year}", result, utilities=result.utilities)


def _page(title: str, result: Any, utilities: Any) -> bytes:
    kinds = {known.kind: known.name.capitalize() for known in rules.catalogue().kinds}
    return page("summaries/summary.html", title=title, result=result, utilities=utilities, kinds=kinds, bands=_bands, **_WORDS)


def _bands(groups: Sequence[FiguresByKindAndHazard]) -> list[list[tuple[str, list[FiguresByKindAndHazard]]]]:
    """The groups kind by kind, as many abreast as fit on a sheet."""
    bands = [groups[start : start + _ABREAST] for start in range(0, len(groups), _ABREAST)] or [[]]
    return [[(kind, list(some)) for kind, some in groupby(band, lambda group: group.kind)] for band in bands]


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:,.1f}" if value % 1 else f"{value:,.0f}"


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{share:.1%}"


TEMPLATES.filters |= {"figure": _figure, "percent": _percent}
