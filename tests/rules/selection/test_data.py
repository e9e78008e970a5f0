"""The data themselves: every value cites a work that is listed, and no table changes without a review seeing it."""

import datetime as dt
import hashlib
from importlib import resources
from typing import Any

import msgspec
import pytest

from rules import load
from rules.files import read
from rules.selection.hydraulics import data
from rules.selection.installation import Installation, placement_data, placement_rules
from rules.selection.tables import cite, index, table

TABLES = sorted({name for entry in index().values() for name in entry.tables})
FOLDER = resources.files("rules") / "data"

# A changed table is a changed rule: the pin is renewed together with an entry in the change log that says what and from when.
PINS = {
    "placement.toml": "33f10c4c52ea1f48",
    "premises.toml": "9f7db9642e3d2571",
    "selection/30-tac-290-47.toml": "12a36eb21832735b",
    "selection/30-tac-344-50.toml": "b38c48eee8eedfa5",
    "selection/62-555-360-fac.toml": "0f01e024236f436d",
    "selection/california-district.toml": "6fa48d83726952d2",
    "selection/en-1717.toml": "bb16c55c95e487f4",
    "selection/gb-water-fittings.toml": "ac49d3d1ec02d944",
    "selection/hydraulics.toml": "0d63c67e14c3935f",
    "selection/index.toml": "6c07119db56d6271",
    "selection/nac-445a.toml": "a4700a5d99c9fa62",
    "selection/north-american-plumbing-code.toml": "c6510790bad6865b",
    "selection/oar-333-061-0071.toml": "3c4f887bbb56e2c5",
    "selection/us-common.toml": "fc2cfc177248f756",
    "selection/wac-246-290-490.toml": "45cafdf765acb8a4",
}


@pytest.mark.parametrize("name", TABLES)
def test_every_row_of_a_table_has_a_source_a_clause_and_a_mark(name: str) -> None:
    one = table(name)
    assert one.id == name
    rows = [
        *one.admissions,
        *one.raises,
        *one.none_required,
        *one.exclusions,
        *one.requirements,
        *one.conditions,
        *one.ranks,
        *one.variants,
    ]
    assert rows
    for row in rows:
        assert row.clause
        assert cite(row).provenance in {"published", "from_memory", "common_practice"}


def test_every_placement_rule_bound_and_constant_has_a_source_a_clause_and_a_mark() -> None:
    rows: list[Any] = [*placement_data().rules, *placement_data().air_gaps, *data().bounds, *data().constants]
    for row in rows:
        assert row.clause
        assert row.source in load.works()
        assert row.says


def test_every_placement_rule_asks_exactly_one_thing_of_kinds_that_are_known() -> None:
    known = {rank.kind for name in TABLES for rank in table(name).ranks}
    for row in placement_data().rules:
        asked = [row.at_least, row.at_least_fact, row.at_most, row.below, row.must_be, row.one_of or None]
        assert sum(one is not None for one in asked) == 1
        assert (row.unit is not None) == (row.must_be is None and row.at_least_fact is None and not row.one_of)
        assert set(row.kinds) <= known


@pytest.mark.parametrize("rulebook", index())
def test_every_kind_has_a_placement_rule_so_that_none_is_met_for_want_of_one(rulebook: str) -> None:
    entry = index()[rulebook]
    rules = placement_rules(entry.placement, dt.date(2026, 6, 1))
    rows: list[Any] = [*rules.rules, *rules.air_gaps]
    placed = {kind for row in rows if not row.advisory for kind in row.kinds}
    assert {rank.kind for name in entry.tables for rank in table(name).ranks} <= placed
    facts = {row.fact for row in rows}
    assert facts <= set(Installation.__struct_fields__)


def test_every_kind_of_air_gap_has_an_air_gap_rule() -> None:
    gaps = {kind for row in placement_data().air_gaps for kind in row.kinds}
    assert {"air_gap", "AA", "AB", "AC", "AD", "AF", "AG", "rp", "rpda"} <= gaps


def test_rules_are_named_once_in_a_table() -> None:
    for name in TABLES:
        one = table(name)
        rules = [
            row.rule for rows in (one.admissions, one.raises, one.exclusions, one.requirements, one.conditions) for row in rows
        ]
        assert len(rules) == len(set(rules))


def test_the_units_and_kinds_of_the_ranks_are_the_catalogue_s_or_carry_their_own_name() -> None:
    kinds = {one.kind for one in load.catalogue().kinds}
    for name in TABLES:
        for rank in table(name).ranks:
            assert rank.name or rank.kind in kinds
    common = table("us-common")
    assert {rank.kind for rank in common.ranks} == kinds - {row.kind for row in common.variants}


@pytest.mark.parametrize("path", PINS)
def test_a_table_is_as_it_was_reviewed(path: str) -> None:
    assert hashlib.sha256((FOLDER / path).read_bytes()).hexdigest()[:16] == PINS[path]


def test_every_file_of_choice_is_pinned() -> None:
    files = {f"selection/{entry.name}" for entry in (FOLDER / "selection").iterdir()}
    assert files | {"placement.toml", "premises.toml"} == set(PINS)


def test_a_misspelt_member_of_a_table_is_refused() -> None:
    with pytest.raises(msgspec.ValidationError):
        read("selection/index.toml", type(table(TABLES[0])))
