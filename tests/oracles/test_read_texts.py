"""Values marked `published` whose text was looked up again on 2026-11-27, with the words that say so.

Each row: rulebook, section, key, the clause that the data cite, and the words of the text (short quotations of public law).
"""

import datetime as dt
from typing import Any

import pytest

import rules

ON = dt.date(2026, 11, 27)
READ = [
    (
        "us-ny",
        "intervals",
        "all",
        "5-1.31(a)(3)",
        "at the time of initial installation, after each repair, and annually thereafter",
    ),
    ("us-ny", "testers", "certificate", "5-1.31(b)(1), (2)", "valid for a period of three years"),
    ("us-mi", "intervals", "all", "R 325.11404(2)(d)", "testing at least once every 3 years"),
    (
        "us-or",
        "intervals",
        "all",
        "(6)(c); in the older text (6)(b)",
        "At least once every 12 months after installation; At least annually",
    ),
    ("us-or", "triggers", "relocation", "(6)(b); in the older text (6)(a)", "At the time of installation, repair or relocation"),
    ("us-or", "testers", "certified", "(6)(a)", "with a currently calibrated gauge"),
    ("us-in", "limits", "report.due", "8-10-9", "within thirty (30) days of the inspection or test"),
    ("us-in", "limits", "gauge.calibration", "8-10-9", "Annually test and calibrate testing equipment for accuracy"),
    ("us-in", "testers", "inspector", "8-10-9(a)(1)", "Be registered with the commissioner"),
    ("us-mo", "intervals", "all", "fact sheets", "inspected when installed and at least annually thereafter"),
    ("us-mo", "inspections", "air_gap", "fact sheets", "All air gaps … by a certified backflow prevention assembly tester"),
    ("au-qld", "hazard_words", "high", "section 4", "has the potential to cause death"),
    ("au-qld", "hazard_words", "medium", "section 4", "has the potential to endanger health"),
    ("au-qld", "hazard_words", "low", "section 4", "a nuisance but does not endanger health or cause injury"),
    ("au-qld", "limits", "report.due", "sections 101 to 103", "Provide the test report within 10 business days"),
    ("gb", "hazard_words", "fluid category 1", "schedule 1", "Wholesome water supplied by a water undertaker"),
    ("gb", "hazard_words", "fluid category 2", "schedule 1", "whose aesthetic quality is impaired"),
    ("us-mo", "limits", "incident.notice", "fact sheets", "within 48 hours of a backflow incident"),
    ("us-mn", "intervals", "all", "4714.0603", "not less than on an annual schedule thereafter"),
    ("us-mn", "testers", "series_5000", "4714.0603", "in accordance with ASSE Series 5000"),
    ("us-hi", "intervals", "all", "11-21-8", "Inspection intervals should not exceed one year"),
    ("us-hi", "testers", "certified", "11-21-8", "performed by a certified tester approved by the director"),
    ("us-ut", "intervals", "all", "R309-105-12(4)", "inspected and tested at least once a year"),
    ("us-ut", "testers", "certificate", "R309-305-8", "valid for three years from the date of issuance"),
    ("us-ut", "testers", "failure_notice", "R309-305-8(4)(b), as R309-305-10(1)(e) states it", "within five days"),
    ("us-fl", "intervals", "residential", "purpose and effect, (2)", "biennial instead of annual testing"),
    ("us-va", "hazard_words", "high", "12VAC5-590-630, Table 630.1", "A health hazard would exist"),
    ("us-va", "hazard_words", "low", "12VAC5-590-630, Table 630.1", "A health hazard would not exist"),
    ("us-wa", "hazard_words", "severe", "(4)(b)(ii)", "premises posing a severe health cross-connection hazard"),
    ("us-wa", "hazard_words", "high", "(4)(a), the table", "High health cross-connection hazard"),
]
_KEYS = {"limits": "name", "triggers": "event", "hazard_words": "word"}


@pytest.mark.parametrize("row", READ, ids=lambda row: " ".join(row[:3]))
def test_a_text_that_was_looked_up_again_is_marked_published(row: tuple[str, str, str, str, str]) -> None:
    rulebook, section, key, clause, words = row
    book = rules.rulebook(rulebook, ON)
    entries: tuple[Any, ...] = getattr(book, section)
    (entry,) = [entry for entry in entries if getattr(entry, _KEYS.get(section, "key")) == key]
    assert (entry.clause, book.cite(entry).provenance) == (clause, "published")
    assert words


# WAC 246-290-490 (7) was found only as a city quotes it in a letter, though word for word: not published.
def test_a_text_read_only_as_another_quotes_it_is_not_published() -> None:
    book = rules.rulebook("us-wa", ON)
    quoted = [*book.intervals, *book.inspections, *(row for row in book.triggers if row.source == "wac-246-290-490")]
    assert len(quoted) == 7
    assert {book.cite(row).provenance for row in quoted} == {"from_memory"}


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_what_was_not_read_is_never_marked_as_published(rulebook: str) -> None:
    book = rules.book_for(rulebook, ON)
    assert {book.cite(entry).provenance for entry in book.not_read} <= {"common_practice", "from_memory"}
