"""Every field-test criterion at, just under and just over its limit, in psi, kPa and bar, through POST /v1/rules/verdict.

The limits stand here a second time on purpose, each beside its source: the rulebooks' data is held against them over HTTP. A limit in
another unit is worked out here from the defining constants of the pound-force per square inch, not by the code under test.
"""

import json
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.world import World

# 1 psi in kPa: 0.453 592 37 kg × 9.806 65 m/s² over (0.0254 m)², by the international agreement of 1959 and the CGPM of 1901.
PSI_IN_KPA = Decimal("0.45359237") * Decimal("9.80665") / Decimal("0.0254") ** 2 / 1000
PSI_IN = {"psi": Decimal(1), "kPa": PSI_IN_KPA, "bar": PSI_IN_KPA / 100}

RP_PLACES = [("rp", "main"), ("rpda", "main"), ("rpda", "bypass")]
DC_PLACES = [("dc", "main"), ("dcda", "main"), ("dcda", "bypass")]

# (places, component, member, minimum in psi, the rule that says so): trade.md's own table, row by row.
ROWS = [
    # Several municipal and provincial test forms print "2 psi or greater"; EPA 816-R-03-002, chapter 5. Published.
    (RP_PLACES, "relief_valve", "opened_at", "2.0", "rp.relief_valve.opened_at"),
    # Trade procedures, "minimum of 5 psi differential" (published); USC Manual, 10th edition (from memory).
    (RP_PLACES, "check_1", "held_at", "5.0", "rp.check_1.held_at"),
    # USC Manual, 10th edition: 1.0 psi in the direction of flow. From memory.
    (RP_PLACES, "check_2", "held_at", "1.0", "rp.check_2.held_at"),
    # USC Foundation newsletter, spring 2001; NEWWA procedure, January 2010. Published.
    (DC_PLACES, "check_1", "held_at", "1.0", "dc.check_1.held_at"),
    (DC_PLACES, "check_2", "held_at", "1.0", "dc.check_2.held_at"),
    # USC Foundation newsletters 1991-2001; EPA 816-R-03-002, chapter 5. Published.
    ([("pvb", "main")], "air_inlet", "opened_at", "1.0", "pvb.air_inlet.opened_at"),
    ([("pvb", "main")], "check", "held_at", "1.0", "pvb.check.held_at"),
    # The published one-hose procedure for ASSE 1056. Published.
    ([("svb", "main")], "air_inlet", "opened_at", "1.0", "svb.air_inlet.opened_at"),
    ([("svb", "main")], "check", "held_at", "1.0", "svb.check.held_at"),
]

# What a Canadian programme's forms print (published, rounded by the publisher): 1 psi → 7 kPa, 2 psi → 14 kPa, 3 psi → 20 kPa;
# 5 psi → 35 kPa from memory. A metric report is judged by the printed figure.
PRINTED_KPA = {"1.0": "7", "2.0": "14", "5.0": "35"}

SOUND_PSI = {
    "rp": {"relief_valve": "2.1", "check_1": "8.0", "check_2": "2.0"},
    "dc": {"check_1": "2.0", "check_2": "2.0"},
    "vb": {"air_inlet": "2.0", "check": "2.0"},
}


def family(kind: str) -> str:
    return {"rp": "rp", "dc": "dc"}.get(kind[:2], "vb")


def document(kind: str, unit: str, rulebook: str, changed: dict[tuple[str, str], float]) -> dict[str, Any]:
    """A test of a sound assembly of that kind, with some readings changed, by (line, component)."""
    readings = []
    for line in ("main", "bypass") if kind.endswith("da") else ("main",):
        for component, psi in SOUND_PSI[family(kind)].items():
            value = changed.get((line, component), float(Decimal(psi) * PSI_IN[unit]))
            reading: dict[str, Any] = {"component": component, "line": line}
            if component in ("relief_valve", "air_inlet"):
                reading |= {"opened": True, "opened_at": value}
                if component == "air_inlet":
                    reading["opened_fully"] = True
            else:
                reading |= {"closed_tight": True, "held_at": value}
            readings.append(reading)
    return {
        "rulebook": rulebook,
        "performed_at": "2026-05-14T09:20:00-07:00",
        "units": {"pressure": unit},
        "assembly": {"kind": kind, "hazard": "health" if family(kind) != "dc" else "non_health"},
        "initial_test": {"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": readings},
    }


def cases() -> Iterator[Any]:
    for places, component, member, psi, rule in ROWS:
        for kind, line in places:
            for unit, factor in PSI_IN.items():
                limit = Decimal(psi) * factor
                yield pytest.param(
                    kind, line, component, member, unit, "us-common", limit, rule, id=f"{kind}-{line}-{rule}-{unit}"
                )
            printed = Decimal(PRINTED_KPA[psi])
            yield pytest.param(kind, line, component, member, "kPa", "ca-bc", printed, rule, id=f"{kind}-{line}-{rule}-printed")


def judged(world: World, asked: dict[str, Any]) -> dict[str, Any]:
    answer = world.client.post("/v1/rules/verdict", json=asked)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def finding(verdict: dict[str, Any], rule: str, line: str) -> dict[str, Any]:
    [found] = [one for one in verdict["findings"] if (one["rule"], one["line"]) == (rule, line)]
    return dict(found)


@pytest.mark.parametrize(("kind", "line", "component", "member", "unit", "rulebook", "limit", "rule"), list(cases()))
def test_a_reading_at_the_minimum_passes_and_one_just_under_it_fails(
    world: World, *, kind: str, line: str, component: str, member: str, unit: str, rulebook: str, limit: Decimal, rule: str
) -> None:
    # At the minimum a reading passes; readings are as read, never rounded up (a judging fact of the trade).
    small = Decimal("0.000001") * PSI_IN[unit]
    for value, outcome in ((limit, "met"), (limit + small, "met"), (limit - small, "not_met")):
        verdict = judged(world, document(kind, unit, rulebook, {(line, component): float(value)}))
        found = finding(verdict, rule, line)
        assert found["outcome"] == outcome, (value, found)
        assert found["observed"] == float(value)
        assert found["at_least"] == pytest.approx(float(limit), rel=1e-12)
        assert found["source"]["title"]
        assert found["source"]["clause"]
        assert found["source"]["provenance"] in ("published", "from_memory")
        # A drop of check 1 so low that the relief valve's opening is not below it is a contradiction reported by a flag, not a pass.
        assert (verdict["outcome"] == "pass") == (outcome == "met"), (value, verdict["summary"], verdict["flags"])


@pytest.mark.parametrize(("unit", "limit"), [("psi", "3.0"), ("kPa", "20"), ("bar", "0.2")])
def test_the_buffer_is_a_criterion_in_canada_and_a_note_elsewhere(world: World, unit: str, limit: str) -> None:
    # Canadian municipal forms after CSA B64.10.1 print "Buffer (3 psi or greater) A - B = C"; advisory in most US programmes. They print 20 kPa
    # for it, which judges every metric report: 0.2 bar.
    opening = Decimal(3) * PSI_IN[unit]
    small = Decimal("0.00001") * PSI_IN[unit]
    for over, passes in ((Decimal(0), True), (small, True), (-small, False)):
        changed = {
            ("main", "relief_valve"): round(float(opening), 9),
            ("main", "check_1"): round(round(float(opening), 9) + float(Decimal(limit) + over), 9),
        }
        canadian = judged(world, document("rp", unit, "ca-bc", changed))
        assert (canadian["outcome"] == "pass") == passes, (over, canadian["summary"])
        assert (finding(canadian, "rp.buffer", "main")["outcome"] == "met") == passes
    low = {("main", "relief_valve"): float(opening), ("main", "check_1"): float(opening + Decimal("2.5") * PSI_IN[unit])}
    american = judged(world, document("rp", unit, "us-common", low))
    assert american["outcome"] == "pass"
    [note] = [one for one in american["flags"] if one["code"] == "buffer_low"]
    assert note["severity"] == "note"


@pytest.mark.parametrize("component", ["check_1", "check_2"])
def test_a_check_that_leaked_fails_whatever_the_others_did(world: World, component: str) -> None:
    # "Closed tight" is asked of check 2 by the USC Manual, 9th edition (from memory); common practice for every check.
    asked = document("rp", "psi", "us-common", {})
    for reading in asked["initial_test"]["readings"]:
        if reading["component"] == component:
            del reading["held_at"]
            reading["closed_tight"] = False
    assert judged(world, asked)["outcome"] == "fail"


def test_check_2_of_an_rp_may_be_reported_by_tightness_alone(world: World) -> None:
    # USC Manual, 9th edition: check 2 closed tight against backpressure, no number. From memory.
    asked = document("rp", "psi", "us-common", {})
    for reading in asked["initial_test"]["readings"]:
        if reading["component"] == "check_2":
            del reading["held_at"]
    assert judged(world, asked)["outcome"] == "pass"


@pytest.mark.parametrize("kind", ["rp", "rpda"])
def test_a_relief_valve_that_did_not_open_fails_whatever_the_checks_did(world: World, kind: str) -> None:
    # A judging fact of the trade; EPA 816-R-03-002, chapter 5.
    asked = document(kind, "psi", "us-common", {})
    reading = next(one for one in asked["initial_test"]["readings"] if one["component"] == "relief_valve")
    del reading["opened_at"]
    reading["opened"] = False
    assert judged(world, asked)["outcome"] == "fail"


@pytest.mark.parametrize("kind", ["pvb", "svb"])
def test_an_air_inlet_that_opens_in_time_but_not_fully_fails(world: World, kind: str) -> None:
    # Opens at 1.0 psi or more, and fully as the body drains: USC Manual, 9th edition, from memory.
    asked = document(kind, "psi", "us-common", {})
    asked["initial_test"]["readings"][0]["opened_fully"] = False
    assert judged(world, asked)["outcome"] == "fail"


@pytest.mark.parametrize(
    ("check", "air_inlet", "protection"),
    # The four rows of the PVB under backsiphonage: the check or the air inlet alone still stops it, neither does not; parts below their
    # minimum still are barriers.
    [("2.0", "2.0", "full"), ("0", "2.0", "degraded"), ("2.0", "0", "degraded"), ("0", "0", "lost"), ("0.4", "0.4", "degraded")],
)
@pytest.mark.parametrize("kind", ["pvb", "svb"])
def test_a_vacuum_breaker_protects_by_the_barriers_that_are_left(
    world: World, *, kind: str, check: str, air_inlet: str, protection: str
) -> None:
    changed = {("main", "check"): float(check), ("main", "air_inlet"): float(air_inlet)}
    assert judged(world, document(kind, "psi", "us-common", changed))["initial"]["protection"] == protection


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=12,
)


def places_in(node: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place in a document, as the members and indexes that lead to it."""
    yield at
    for name, value in node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ():
        yield from places_in(value, (*at, name))


def with_at(node: Any, place: tuple[Any, ...], value: Any) -> Any:
    """The document with another value at that place."""
    if not place:
        return value
    copy = dict(node) if isinstance(node, dict) else list(node)
    copy[place[0]] = with_at(copy[place[0]], place[1:], value)
    return copy


GOOD = document("rpda", "psi", "us-wa", {}) | {
    "line_pressure": 62,
    "declared": "pass",
    "gauge": {"accuracy": 0.2, "resolution": 0.1, "calibrated_on": "2026-01-12"},
    "tester": {"certificate": "T-1", "kinds": ["rp"], "valid_from": "2025-03-01", "valid_until": "2028-02-29"},
    "repairs": [{"component": "check_1", "part": "disc", "action": "replaced"}],
}
PLACES = list(places_in(GOOD))


def answered(answer: httpx.Response) -> None:
    assert answer.status_code in {200, 400, 413, 422}, answer.text
    if answer.status_code == 200:
        assert answer.json()["outcome"] in ("pass", "fail", "incomplete")
    else:
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["detail"]


def encoded(value: Any) -> bytes:
    """As JSON, or as near to it as the value allows: lone surrogates and NaN go out as Python writes them."""
    return json.dumps(value).encode()


EVERYDAY = settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True, database=None)
THOROUGH = settings(EVERYDAY, max_examples=1_500)


def post(world: World, body: bytes) -> None:
    answered(world.client.post("/v1/rules/verdict", content=body, headers={"Content-Type": "application/json"}))


@EVERYDAY
@given(value=JSON)
def test_any_json_at_all_gets_an_answer(world: World, value: Any) -> None:
    post(world, encoded(value))


@EVERYDAY
@given(place=st.sampled_from(PLACES), value=JSON)
def test_a_test_with_anything_in_any_place_gets_an_answer(world: World, place: tuple[Any, ...], value: Any) -> None:
    post(world, encoded(with_at(GOOD, place, value)))


@EVERYDAY
@given(body=st.binary(max_size=200))
def test_any_bytes_at_all_get_an_answer(world: World, body: bytes) -> None:
    post(world, body)


@pytest.mark.slow
@THOROUGH
@given(places=st.lists(st.tuples(st.sampled_from(PLACES), JSON), min_size=1, max_size=3))
def test_a_test_spoilt_in_several_places_gets_an_answer(world: World, places: list[tuple[tuple[Any, ...], Any]]) -> None:
    spoilt: Any = GOOD
    for place, value in places:
        try:
            spoilt = with_at(spoilt, place, value)
        except (KeyError, IndexError, TypeError):
            # An earlier change took that place away.
            continue
    post(world, encoded(spoilt))
