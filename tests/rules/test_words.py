"""How the trade's words are written: what is there means one thing, what is not means nothing."""

from typing import get_args

import pytest

from rules import catalogue, words
from rules.catalogue import Component, Hazard, Kind
from rules.quantities import LengthUnit, PressureUnit


def test_no_writing_means_two_things_in_one_vocabulary() -> None:
    result = words.words()
    vocabularies = {
        **result.vocabularies,
        "headings": result.headings,
        "lines": result.readings.lines,
        "phases": result.readings.phases,
    }
    for name, vocabulary in vocabularies.items():
        meanings: dict[str, set[str]] = {}
        for code, writings in vocabulary.items():
            for one in (code, *writings):
                meanings.setdefault(words.fold(one), set()).add(code)
        assert {one: codes for one, codes in meanings.items() if len(codes) > 1} == {}, name


def test_every_code_that_a_document_takes_can_be_written_and_nothing_else_is_meant() -> None:
    result = words.words()
    assert result.provenance == "common_practice"
    assert set(result.vocabularies["kind"]) == set(get_args(Kind)) == {one.kind for one in catalogue().kinds}
    # A register may say that nobody has assessed it yet.
    assert set(result.vocabularies["hazard"]) == {*get_args(Hazard), "unknown"}
    assert set(result.vocabularies["component"]) == set(get_args(Component))
    assert set(result.units["pressure"]) == set(get_args(PressureUnit))
    assert set(result.units["length"]) == set(get_args(LengthUnit))


# The abbreviations of the trade: common practice, no source; the long names are those of the catalogue and of ASSE's titles (memory).
KINDS = {
    "RPZ": "rp",
    "rp": "rp",
    "R.P.Z.": "rp",
    "RPBA": "rp",
    "Reduced Pressure Principle Assembly": "rp",
    "reduced-pressure zone": "rp",
    "DCVA": "dc",
    "Double Check": "dc",
    "double check valve assembly": "dc",
    "PVB": "pvb",
    "Pressure Vacuum Breaker": "pvb",
    "SVB": "svb",
    "Spill-Resistant Vacuum Breaker": "svb",
    "RPDA": "rpda",
    "DCDA": "dcda",
    "double detector check": "dcda",
    "ASSE 1013": "rp",
    "AVB": "avb",
    "air gap": "air_gap",
    "hydrant": None,
    "": None,
    "RP DC": None,
}


@pytest.mark.parametrize(("written", "kind"), KINDS.items())
def test_kinds_are_known_by_the_names_of_the_trade(written: str, kind: str | None) -> None:
    assert words.meaning("kind", written) == kind


HEADINGS = {
    "Serial No.": "assembly.serial_number",
    "SERIAL_NUMBER": "assembly.serial_number",
    "S/N": "assembly.serial_number",
    "Acct #": "premises.reference",
    "Check #1": "initial.main.check_1.held_at",
    "CV1 (before repair)": "initial.main.check_1.held_at",
    "Final CV 2": "final.main.check_2.held_at",
    "2nd check after repair": "final.main.check_2.held_at",
    "Bypass RV opening point": "initial.bypass.relief_valve.opened_at",
    "Check 1 closed tight": "initial.main.check_1.closed_tight",
    "Air Inlet Opened Fully": "initial.main.air_inlet.opened_fully",
    "RV opened": "initial.main.relief_valve.opened",
    "initial.main.check.leaked": "initial.main.check.leaked",
    "Check": "initial.main.check.held_at",
    "Favourite colour": None,
}


@pytest.mark.parametrize(("heading", "field"), HEADINGS.items())
def test_headings_are_known_however_they_are_spaced_and_pointed(heading: str, field: str | None) -> None:
    assert words.headings().get(words.fold(heading)) == field


def test_every_field_is_a_heading_of_its_own() -> None:
    assert all(words.headings()[words.fold(field)] == field for field in words.fields())
    assert len(words.fields()) == len(set(words.fields())) > 80


def test_units_are_known_as_they_are_written() -> None:
    assert words.units_written()['"'] == words.units_written()["inches"] == ("length", "in")
    assert words.units_written()["psid"] == ("pressure", "psi")
    assert words.fold("✓ ") == "✓"


def test_what_people_write_where_nobody_knows_the_number_is_no_serial_number() -> None:
    # Common practice, no source.
    assert not any(map(words.is_serial_number, ("none", "UNK", "Unknown", "?", "N/A", "0000")))
    assert all(map(words.is_serial_number, ("A-100", "UNK-7", "10", "x1")))
