"""What must hold of any ask: more danger never admits more, and nothing is admitted because a table is silent."""

import datetime as dt
from itertools import pairwise
from typing import Any

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from rules.selection import Selection, SelectionRequest, Site, premises_types, select
from rules.selection.tables import index

ON = dt.date(2026, 6, 1)
DEGREES = ("non_health", "health", "severe")
BY_CATEGORY = ("eu-en1717", "gb")
maybe: st.SearchStrategy[Any] = st.sampled_from([msgspec.UNSET, True, False])
sites = st.builds(Site, subject_to_submergence=maybe, drainage=maybe, freezing_exposure=maybe, indoors=maybe)
premises: st.SearchStrategy[Any] = st.sampled_from([msgspec.UNSET, *(one.code for one in premises_types())])


@st.composite
def asks(draw: st.DrawFn) -> SelectionRequest:
    rulebook = draw(st.sampled_from(sorted(index())))
    degree = (
        {"fluid_category": draw(st.integers(1, 5))} if rulebook in BY_CATEGORY else {"hazard": draw(st.sampled_from(DEGREES))}
    )
    return SelectionRequest(
        rulebook=rulebook,
        backpressure_possible=draw(st.booleans()),
        continuous_pressure=draw(st.booleans()),
        purpose=draw(st.sampled_from(["premises_isolation", "point_of_use"])),
        premises=draw(premises),
        site=draw(sites),
        hose_connection=draw(maybe),
        domestic=draw(maybe),
        in_plant_air_gap=draw(maybe),
        **degree,
    )


def admitted(ask: SelectionRequest, **changed: object) -> set[str]:
    return set(select(msgspec.structs.replace(ask, **changed), on=ON).recommended)


@given(asks())
def test_a_stricter_hazard_never_admits_more_kinds(ask: SelectionRequest) -> None:
    if ask.rulebook in BY_CATEGORY:
        ladder = [admitted(ask, fluid_category=category) for category in range(1, 6)]
    else:
        ladder = [admitted(ask, hazard=degree) for degree in DEGREES]
    for milder, stricter in pairwise(ladder):
        assert stricter <= milder


@given(asks())
def test_backpressure_never_admits_more_kinds(ask: SelectionRequest) -> None:
    assert admitted(ask, backpressure_possible=True) <= admitted(ask, backpressure_possible=False)


@given(asks())
def test_continuous_pressure_and_a_flooding_place_never_admit_more_kinds(ask: SelectionRequest) -> None:
    assert admitted(ask, continuous_pressure=True) <= admitted(ask, continuous_pressure=False)
    flooding, dry = Site(subject_to_submergence=True), Site(subject_to_submergence=False)
    assert admitted(ask, site=flooding) <= admitted(ask, site=dry)


@given(asks())
def test_a_type_of_premises_never_admits_more_than_the_hazard_stated_but_where_its_own_table_says_so(
    ask: SelectionRequest,
) -> None:
    # Texas irrigation (PVB and SVB, 30 TAC 344.50) and Florida's residential dual check are the tables that widen.
    widened = {"us-tx": {"dc", "pvb", "svb"}, "us-fl": {"dc", "dcda", "dual_check"}}.get(ask.rulebook, set())
    assert admitted(ask) <= admitted(ask, premises=msgspec.UNSET) | widened


@given(asks())
def test_each_kind_is_decided_by_a_row_and_admissible_where_nothing_excludes_it_and_only_the_site_is_open(
    ask: SelectionRequest,
) -> None:
    answer: Selection = select(ask, on=ON)
    for kind in answer.kinds:
        assert kind.reasons
        assert all(reason.holds == (reason.outcome == "met") for reason in kind.reasons)
        excluded = any(reason.outcome == "not_met" for reason in kind.reasons)
        assert kind.admissible == (not excluded and all(path.startswith("site.") for path in kind.depends_on))
        assert (kind.kind in answer.recommended) == kind.admissible


@given(asks(), st.sampled_from(["hose_connection", "domestic", "in_plant_air_gap"]))
def test_a_fact_that_is_not_stated_never_admits_more_than_it_could_stated(ask: SelectionRequest, fact: str) -> None:
    stated = [admitted(ask, **{fact: value}) for value in (True, False)]
    assert admitted(ask, **{fact: msgspec.UNSET}) <= stated[0] | stated[1]


@given(asks(), premises)
def test_no_type_of_premises_lowers_what_was_stated(ask: SelectionRequest, kind_of_premises: str) -> None:
    answer = select(msgspec.structs.replace(ask, premises=kind_of_premises), on=ON)
    order = ("non_health", "health", "severe", 1, 2, 3, 4, 5)
    assert order.index(answer.hazard.applied) >= order.index(answer.hazard.stated)
    assert bool(answer.flags) == (answer.hazard.applied != answer.hazard.stated)
