"""How well each rulebook is known, as a page: a table of all rulebooks, with what was not read of each."""

from collections.abc import Sequence
from html import escape

import rules
from service.http.page import page


def rulebooks_page(rulebooks: Sequence[rules.RulebookSummary]) -> bytes:
    """The page; every rulebook leads to all that it says."""
    head = "".join(
        f"<th>{name}</th>"
        for name in ("Rulebook", "Values", "Published", "From memory", "Common practice", "Last looked at", "Not read")
    )
    intro = (
        f"<p>{len(rulebooks)} rulebooks. <em>Published</em>: the text was read. <em>From memory</em>: remembered, or read only as "
        "others quote it. <em>Common practice</em>: usual in the trade, without a source. Where criteria were not read, a test is "
        "not judged.</p>"
    )
    rows = "".join(_row(rulebook) for rulebook in rulebooks)
    return page("How well each rulebook is known", f"{intro}<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>")


def _row(rulebook: rules.RulebookSummary) -> str:
    known = rulebook.known
    shares = "".join(
        f'<td class="figure">{share:.0%}</td>' for share in (known.published, known.from_memory, known.common_practice)
    )
    looked_at = f"{rulebook.last_looked_at}{' (review again)' if rulebook.stale else ''}"
    open_ = "<br>".join(escape(says) for says in rulebook.not_read) or "–"
    return (
        f'<tr id="{escape(rulebook.id)}"><td><a href="/v1/rulebooks/{escape(rulebook.id)}">{escape(rulebook.title)}</a></td>'
        f'<td class="figure">{rulebook.values}</td>{shares}<td class="figure">{looked_at}</td><td>{open_}</td></tr>'
    )
