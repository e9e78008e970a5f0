"""How well each rulebook is known, as a page: a table of all rulebooks, with what was not read of each."""

from collections.abc import Sequence

import rules
from service.http.page import page


def rulebooks_page(rulebooks: Sequence[rules.RulebookSummary]) -> bytes:
    """The page; every rulebook leads to all that it says."""
    return page("rules/rulebooks.html", title="How well each rulebook is known", rulebooks=rulebooks)
