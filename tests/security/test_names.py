"""Names that are not what they look like: control characters, and characters that turn the direction of what follows them.

The characters are those of the Unicode Character Database's general category Cc and of its property Bidi_Control (UAX 9, section 2: ALM, LRM,
RLM, LRE, RLE, PDF, LRO, RLO, LRI, RLI, FSI, PDI), written here from memory of the annex; Python's own copy of the database gives the category
and the class of each.
"""

import json
import unicodedata
from collections.abc import Iterator

import httpx
import pytest

from service.http.plain_text import text_fault
from service.registry.schemas import Name
from tests.support.world import Place

BIDI = [*"\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"]
CONTROLS = [chr(code) for code in range(0x110000) if unicodedata.category(chr(code)) == "Cc"]
NAMES = ["Ragnhild Ås", "O'Neill & Sons", "محمد", "שלום", "नमस्ते", "Zoë\u200d", "a\u0301b", "水道 一郎", "mixed שלום and English"]


def answered(place: Place, path: str, document: dict[str, object], *, escaped: bool) -> httpx.Response:
    body = json.dumps(document, ensure_ascii=escaped).encode()
    return place.world.operator.post(place.base + path, content=body, headers={"Content-Type": "application/json"})


def test_the_lists_are_those_of_unicodes_own_database() -> None:
    assert len(CONTROLS) == 65
    explicit = {"LRE", "RLE", "PDF", "LRO", "RLO", "LRI", "RLI", "FSI", "PDI"}
    assert {one for one in map(chr, range(0x110000)) if unicodedata.bidirectional(one) in explicit} <= set(BIDI)


@pytest.mark.parametrize("character", [*CONTROLS, *BIDI, "\u2028", "\u2029"], ids=lambda one: f"U+{ord(one):04X}")
def test_a_name_takes_none_of_them(character: str) -> None:
    assert text_fault(f"a{character}b", Name) is not None


@pytest.mark.parametrize("name", NAMES)
def test_a_name_in_any_script_is_taken(place: Place, name: str) -> None:
    assert text_fault(name, Name) is None
    for escaped in (True, False):
        made = answered(place, "/testers", {"name": name, "certificates": []}, escaped=escaped)
        assert (made.status_code, made.json()["name"]) == (201, name)


BAD = "Smith\u202egninnur"


def refused() -> Iterator[tuple[str, dict[str, object], str]]:
    """Where a name is asked: the path, the document, the pointer."""
    for name in (BAD, "Smith\nRunning", "Smith\u0085", "Smith\x7f", "Smith\x1b[2J", "Smith\u200f", "Smith\0"):
        yield "/testers", {"name": name, "certificates": []}, "/name"
    certificate = {"certificate": BAD, "kinds": ["rp"], "valid_from": "2026-01-01", "valid_until": "2027-01-01"}
    yield "/testers", {"name": "A", "certificates": [certificate]}, "/certificates/0/certificate"
    yield "/premises", {"name": BAD, "address": "1 Lane", "connection": "fire"}, "/name"
    yield "/premises", {"name": "A", "address": "1 Lane", "connection": "fire", "contact": {"name": BAD}}, "/contact/name"
    gauge = {"serial_number": BAD, "units": {"pressure": "psi"}, "accuracy": 0.2, "resolution": 0.1, "calibrations": []}
    yield "/gauges", gauge, "/serial_number"


@pytest.mark.parametrize("escaped", [True, False])
@pytest.mark.parametrize(("path", "document", "pointer"), list(refused()))
def test_it_is_refused_with_where_it_is(
    place: Place, path: str, document: dict[str, object], pointer: str, *, escaped: bool
) -> None:
    if not escaped and any(ord(one) < 32 for one in str(document.get("name", ""))):
        escaped = True
    answer = answered(place, path, document, escaped=escaped)
    assert answer.status_code == 400, answer.text
    [fault] = answer.json()["errors"]
    assert fault["pointer"] == pointer
    assert fault["code"] in ("nul_in_text", "line_break_in_text", "control_in_text")


def test_a_change_is_looked_at_as_well(place: Place) -> None:
    path = f"{place.base}/premises/{place.premises}"
    for patch, status in (
        ({"name": BAD}, 400),
        ({"name": "a\nb"}, 400),
        ({"contact": {"name": BAD}}, 400),
        ({"address": "1 Lane\nRear"}, 200),
    ):
        assert place.world.operator.patch(path, json=patch, headers={"If-Match": '"1"'}).status_code == status, patch


def test_a_remark_has_lines_and_may_be_written_from_right_to_left(place: Place) -> None:
    assert place.recorded(remarks="First line.\n\tSecond.\u200fשלום")["report"]["remarks"].count("\n") == 1
