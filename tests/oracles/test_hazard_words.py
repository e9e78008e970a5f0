"""Each authority's words for degrees of hazard, against its clause; and that no word of one is taken for another's.

The clauses are transcribed here a second time. As which degree a word acts is stated only where the words read say whether it is a hazard
to health; elsewhere nobody can state, and the answers say so.
"""

import datetime as dt
from typing import Any

import msgspec
import pytest

import rules
from rules.errors import DocumentError
from rules.hazard_classes import word_of
from rules.selection import SelectionRequest, select

ON = dt.date(2026, 6, 1)
RECEIVED = dt.datetime(2026, 3, 11, tzinfo=dt.UTC)
RP = {"air_gap", "rp", "rpda", "rpda_ii"}
DC = {"dc", "dcda", "dcda_ii"}

# rulebook: word → (acts as, mark of the word, kinds that the text admits, mark of these)
Row = tuple[str | None, str, set[str] | None, str]
COMMON: dict[str, Row] = {name: (name, "common_practice", None, "") for name in ("severe", "health", "non_health")}
# AS/NZS 3500.1:2018, section 4, as an Australian council explains it (published): death; health; nuisance.
AUSTRALIA: dict[str, Row] = {
    "high": ("health", "published", None, ""),
    "medium": ("health", "published", None, ""),
    "low": ("non_health", "published", None, ""),
}
# CSA B64.10: severe is a danger to health at any concentration, as a Canadian city explains it; the rest, and the kinds, from memory.
CANADA: dict[str, Row] = {
    "severe": ("health", "from_memory", RP, "from_memory"),
    "moderate": (None, "from_memory", RP | DC, "from_memory"),
    "minor": (None, "from_memory", RP | DC | {"dual_check"}, "from_memory"),
}
# Water Supply (Water Fittings) Regulations 1999, schedule 1, as the suppliers explain it (published): 2 aesthetic, 3 slight, 4 significant
# and 5 serious hazard to health. EN 1717:2000 from memory.
CATEGORIES = {1: "non_health", 2: "non_health", 3: "health", 4: "health", 5: "health"}
WORDS: dict[str, dict[str, Row]] = {
    "us-common": COMMON,
    # WAC 246-290-490 (4)(a) table and (4)(b)(ii) (published); that "low" is no hazard to health is from memory of the definitions.
    "us-wa": {
        "severe": ("severe", "published", None, ""),
        "high": ("health", "published", None, ""),
        "low": ("non_health", "from_memory", None, ""),
    },
    # Ohio Adm. Code 3745-95-05 as of 2024-09-16 (published). Whether a system or pollutional hazard is one to health was not read.
    "us-oh": {
        "severe": ("health", "published", {"air_gap"}, "published"),
        "health": ("health", "published", RP, "published"),
        "system": (None, "published", RP, "published"),
        "pollution": (None, "published", RP | DC, "published"),
    },
    # The state's fact sheet on 10 CSR 60-11 (published): "an actual or potential health hazard".
    "us-mo": {"class I": ("health", "published", None, "")},
    # A city's reprint of the table of 30 TAC 290.47.
    "us-tx": {"health": ("health", "from_memory", None, "")},
    # 12VAC5-590-630, Table 630.1 (published, on the state's page): "A health hazard would exist", "A health hazard would not exist".
    "us-va": {"high": ("health", "published", None, ""), "low": ("non_health", "published", None, "")},
    # A county's appendix of the state's older guideline.
    "us-nc": {"severe": (None, "from_memory", RP, "from_memory"), "moderate": (None, "from_memory", RP | DC, "common_practice")},
    "ca-bc": CANADA,
    # The city's form (published) has the two words and says no more of them.
    "ca-on-toronto": {"severe": (None, "published", None, ""), "moderate": (None, "published", None, "")},
    # That the standard's classes hold in New Zealand is this project's reading.
    "nz": {word: (row[0], "common_practice", None, "") for word, row in AUSTRALIA.items()},
    "gb": {f"fluid category {n}": (degree, "published", None, "") for n, degree in CATEGORIES.items()},
    "eu-en1717": {f"fluid category {n}": (degree, "from_memory", None, "") for n, degree in CATEGORIES.items()},
}
WORDS |= dict.fromkeys(("au-nsw", "au-wa", "au-qld", "au-vic"), AUSTRALIA)
# Who inherits them.
WORDS |= {name: COMMON for name in rules.rulebook_ids() if name.startswith("us-") and name not in WORDS}
WORDS |= {name: CANADA for name in rules.rulebook_ids() if name.startswith("ca-") and name not in WORDS}


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_the_words_for_hazards(rulebook: str) -> None:
    book = rules.rulebook(rulebook, ON)
    found: dict[str, Row] = {
        word.word: (
            word.acts_as,
            book.cite(word).provenance,
            None if word.serves is None else set(word.serves.kinds),
            "" if word.serves is None else book.cite(word.serves).provenance,
        )
        for word in book.hazard_words
    }
    assert found == WORDS[rulebook]
    for word in book.hazard_words:
        # Only a rulebook whose own tables grade by the same words chooses by a degree of hazard.
        assert word.chosen_as is None or (word.chosen_as == word.acts_as and rulebook.startswith("us-"))
        assert word.fluid_category is None or word.word == f"fluid category {word.fluid_category}"


def judged(rulebook: str, kind: str = "dc", **assembly: Any) -> rules.Verdict:
    readings: list[dict[str, Any]] = [
        {"component": "check_1", "held_at": 0.4, "closed_tight": True},
        {"component": "check_2", "held_at": 1.6, "closed_tight": True},
    ]
    if kind == "rp":
        readings = [{**readings[0], "held_at": 4.0}, readings[1], {"component": "relief_valve", "opened": True, "opened_at": 2.4}]
    document = {
        "rulebook": rulebook,
        "performed_at": "2026-03-10T09:00:00+00:00",
        "assembly": {"kind": kind, **assembly},
        "units": {"pressure": "psi"},
        "gauge": {"calibrated_on": "2026-01-01"},
        "tester": {"certificate": "1", "valid_until": "2027-01-01"},
        "initial_test": {"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": readings},
    }
    return rules.judge(msgspec.convert(document, rules.Test), received_at=RECEIVED)


def codes(verdict: rules.Verdict) -> set[str]:
    return {flag.code for flag in verdict.flags}


def test_a_class_that_acts_as_a_health_hazard_has_its_deadlines_and_says_so() -> None:
    # Missouri: class I is "an actual or potential health hazard" (the state's fact sheet, published).
    verdict = judged("us-mo", hazard_class="class I")
    assert verdict.actions[0].within_days == judged("us-mo", hazard="health").actions[0].within_days
    assert "hazard_class_acts_as" in codes(verdict)
    (flag,) = [flag for flag in verdict.flags if flag.code == "hazard_class_acts_as"]
    assert "class I" in flag.message
    assert "fact sheet" in flag.message
    # No table of this rulebook chooses by class: nobody can say whether a DC serves.
    assert verdict.suitable is None
    assert verdict.suitability.missing == ("hazard",)


def test_a_class_of_which_nobody_read_whether_it_is_a_hazard_to_health_is_treated_as_unknown() -> None:
    # "Moderate" of CSA B64.10: neither the health nor the non-health of the United States.
    verdict = judged("ca-bc", hazard_class="moderate")
    unknown = judged("ca-bc", hazard="unknown")
    assert [action.within_days for action in verdict.actions] == [action.within_days for action in unknown.actions]
    assert "hazard_class_unclear" in codes(verdict)
    assert "assess_hazard" in {action.code for action in verdict.actions}
    # B64.10 admits a DC against it (from memory), though a DC never serves against a health hazard in the United States.
    assert (verdict.suitable, verdict.suitability.source is not None) == (True, True)
    assert judged("us-common", hazard="health").suitable is False
    # Stated by a person besides, the degree decides the deadlines.
    stated = judged("ca-bc", hazard="non_health", hazard_class="moderate")
    assert stated.actions[0].within_days == judged("ca-bc", hazard="non_health").actions[0].within_days
    assert "assess_hazard" not in {action.code for action in stated.actions}


@pytest.mark.parametrize(
    ("word", "kind", "suitable"),
    # Ohio Adm. Code 3745-95-05 (published): severe: air gap; system and health: air gap, RP, RPDA; pollution: also DC and DCDA.
    [
        ("severe", "rp", False),
        ("system", "rp", True),
        ("health", "dc", False),
        ("system", "dc", False),
        ("pollution", "dc", True),
    ],
)
def test_the_authoritys_own_list_of_kinds_decides(word: str, kind: str, suitable: bool) -> None:  # noqa: FBT001 - the row's answer
    verdict = judged("us-oh", kind, hazard_class=word)
    assert verdict.suitable is suitable
    assert verdict.suitability.source is not None
    assert verdict.suitability.source.provenance == "published"


def test_a_word_that_stands_for_a_degree_is_chosen_for_as_that_degree() -> None:
    # WAC 246-290-490 (4)(a), published: low admits a DCVA, high does not.
    for word, kind, suitable in (("high", "dc", False), ("high", "rp", True), ("low", "dc", True)):
        assert judged("us-wa", kind, hazard_class=word).suitable is suitable, (word, kind)


def test_an_authority_of_whose_words_nothing_is_known_takes_none() -> None:
    book = msgspec.structs.replace(rules.rulebook("us-wa", ON), hazard_words=())
    with pytest.raises(DocumentError, match=r"`us-wa` has no hazard classes of its own\. Send `hazard`\.") as raised:
        word_of(book, "high")
    assert raised.value.pointer == "/hazard_class"


def test_a_word_that_the_rulebook_does_not_have_is_refused_with_its_words() -> None:
    with pytest.raises(DocumentError, match="`severe`, `high`, `low`") as raised:
        judged("us-wa", hazard_class="moderate")
    assert raised.value.pointer == "/assembly/hazard_class"
    with pytest.raises(DocumentError, match="means a `health` hazard, but `hazard` is `non_health`"):
        judged("us-mo", hazard="non_health", hazard_class="class I")
    with pytest.raises(DocumentError, match="Send `hazard`, or `hazard_class`"):
        judged("us-wa")


def chosen(rulebook: str, **stated: Any) -> Any:
    document = {
        "rulebook": rulebook,
        "backpressure_possible": False,
        "continuous_pressure": True,
        "purpose": "premises_isolation",
        **stated,
    }
    return select(msgspec.convert(document, SelectionRequest), on=ON)


def test_a_selection_takes_the_rulebooks_own_word() -> None:
    # Washington's table (4)(a), published: low admits a DCVA, high does not.
    for word, hazard in (("low", "non_health"), ("high", "health"), ("severe", "severe")):
        by_word, by_degree = chosen("us-wa", hazard_class=word), chosen("us-wa", hazard=hazard)
        assert (by_word.recommended, by_word.kinds) == (by_degree.recommended, by_degree.kinds)
        assert (by_word.hazard.applied, by_word.hazard.hazard_class) == (hazard, word)
    category = chosen("gb", hazard_class="fluid category 4")
    assert category.recommended == chosen("gb", fluid_category=4).recommended
    assert category.hazard.applied == 4


@pytest.mark.parametrize(("rulebook", "word"), [("us-mo", "class I"), ("us-oh", "system"), ("us-va", "high")])
def test_a_selection_that_no_table_decides_says_that_it_cannot_decide(rulebook: str, word: str) -> None:
    found = chosen(rulebook, hazard_class=word)
    assert (found.outcome, found.recommended, found.hazard.applied, found.hazard.stated) == ("not_determined", (), None, None)
    assert found.not_stated == ("hazard",)
    assert word in found.summary


def test_a_selection_takes_one_statement_of_the_hazard() -> None:
    with pytest.raises(DocumentError, match="not both"):
        chosen("us-wa", hazard_class="low", hazard="health")
    with pytest.raises(DocumentError, match="has no hazard class `fluid category 4`"):
        chosen("us-wa", hazard_class="fluid category 4")
