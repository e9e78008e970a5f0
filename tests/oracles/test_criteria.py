"""Every criterion of the field test: a reading at the minimum, just under it and just over it, in psi, kPa and bar.

The figures are written here a second time, from the sources named beside them. All minima are "at least": at the minimum passes.
"""

import datetime as dt
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

import rules
from rules.field_test import verdict as verdict_module
from rules.field_test.plan import plan

RECEIVED = dt.datetime(2026, 5, 15, tzinfo=dt.UTC)
TIGHT = {"inlet": "tight", "outlet": "tight"}
# One psi in kPa and in bar, from the pound, the inch and standard gravity (NIST SP 811, appendix B, from memory).
PSI = {"psi": 1.0, "kPa": 6.894757293168361, "bar": 0.06894757293168361}

# kind, rule, psi, the publisher's metric figure in kPa (a Canadian programme), what is read well beside it, source
Row = tuple[str, str, float, float, str]
ROWS: list[Row] = [
    # Relief valve: municipal and provincial forms print "2 psi or greater"; EPA 816-R-03-002, chapter 5 (published).
    ("rp", "rp.relief_valve.opened_at", 2.0, 14.0, "published"),
    # Check 1 of an RP: trade procedures, "minimum of 5 psi differential" (published); 35 kPa from memory of CSA B64.10.1.
    ("rp", "rp.check_1.held_at", 5.0, 35.0, "published"),
    # Check 2 of an RP: USC Manual, 10th edition (from memory).
    ("rp", "rp.check_2.held_at", 1.0, 7.0, "from_memory"),
    # Double check: USC Foundation newsletter, spring 2001; NEWWA procedure, January 2010 (published).
    ("dc", "dc.check_1.held_at", 1.0, 7.0, "published"),
    ("dc", "dc.check_2.held_at", 1.0, 7.0, "published"),
    # Pressure vacuum breaker: USC Foundation newsletters 1991-2001; EPA 816-R-03-002, chapter 5 (published).
    ("pvb", "pvb.air_inlet.opened_at", 1.0, 7.0, "published"),
    ("pvb", "pvb.check.held_at", 1.0, 7.0, "published"),
    # Spill-resistant vacuum breaker: one-hose procedure for ASSE 1056 (published).
    ("svb", "svb.air_inlet.opened_at", 1.0, 7.0, "published"),
    ("svb", "svb.check.held_at", 1.0, 7.0, "published"),
]
DETECTORS: list[Row] = [(f"{row[0]}da", *row[1:]) for row in ROWS if row[0] in {"rp", "dc"}]
# Well above every minimum, in psi; an RP's check 1 is far enough above its relief valve.
SOUND: dict[str, dict[str, tuple[str, float]]] = {
    "rp": {"check_1": ("held_at", 10.0), "relief_valve": ("opened_at", 4.0), "check_2": ("held_at", 3.0)},
    "dc": {"check_1": ("held_at", 3.0), "check_2": ("held_at", 3.0)},
    "pvb": {"check": ("held_at", 3.0), "air_inlet": ("opened_at", 3.0)},
    "svb": {"check": ("held_at", 3.0), "air_inlet": ("opened_at", 3.0)},
}


def judge(
    kind: str, unit: str, values: dict[str, float], rulebook: str = "us-common", line: str = "main", **more: Any
) -> rules.Verdict:
    """A test with these numbers in that unit on that line, and sound ones elsewhere."""
    readings = []
    for one in ("main", "bypass") if kind in {"rpda", "dcda"} else ("main",):
        for component, (member, sound) in SOUND[kind.removesuffix("da")].items():
            value = values.get(component, sound * PSI[unit]) if one == line else sound * PSI[unit]
            fully = {"opened_fully": True} if component == "air_inlet" else {}
            readings.append({"component": component, member: value, "line": one} | fully)
    facts = {
        "rulebook": rulebook,
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": kind, "hazard": "health"},
        "units": {"pressure": unit},
        "gauge": {"calibrated_on": "2026-01-12"},
        "tester": {"certificate": "T", "kinds": [kind], "valid_from": "2025-01-01", "valid_until": "2027-01-01"},
        "initial_test": {"shutoffs": TIGHT, "readings": readings},
    }
    return rules.judge(msgspec.convert(facts | more, rules.Test), received_at=RECEIVED)


def found(verdict: rules.Verdict, rule: str, line: str = "main") -> rules.Finding:
    (one,) = [one for one in verdict.findings if (one.rule, one.line) == (rule, line)]
    return one


def around(unit: str, minimum: float) -> list[tuple[float, str]]:
    """The minimum as typed, and the readings a hundredth of a psi to either side."""
    step = 0.01 * PSI[unit]
    return [(minimum, "met"), (minimum - step, "not_met"), (minimum + step, "met")]


@pytest.mark.parametrize("row", ROWS + DETECTORS, ids=lambda row: f"{row[0]} {row[1]}")
@pytest.mark.parametrize("unit", ["psi", "kPa", "bar"])
def test_a_reading_at_under_and_over_the_minimum(row: Row, unit: str) -> None:
    kind, rule, psi, _, known = row
    component = rule.split(".")[1]
    for line in ("main", "bypass") if kind in {"rpda", "dcda"} else ("main",):
        for reading, outcome in around(unit, psi * PSI[unit]):
            verdict = judge(kind, unit, {component: reading}, line=line)
            finding = found(verdict, rule, line)
            assert (finding.outcome, verdict.outcome) == (outcome, "pass" if outcome == "met" else "fail"), reading
            assert finding.source.provenance == known
            assert finding.observed == pytest.approx(reading)


@pytest.mark.parametrize("row", ROWS + DETECTORS, ids=lambda row: f"{row[0]} {row[1]}")
@pytest.mark.parametrize("unit", ["kPa", "bar"])
def test_a_metric_report_in_canada_is_judged_by_the_printed_metric_figure(row: Row, unit: str) -> None:
    # 2 psi → 14 kPa, 1 psi → 7 kPa, 3 psi → 20 kPa: printed by Canadian municipal forms (published). 5 psi → 35 kPa: from memory.
    kind, rule, _, printed, _ = row
    minimum = printed if unit == "kPa" else printed / 100
    for reading, outcome in around(unit, minimum):
        finding = found(judge(kind, unit, {rule.split(".")[1]: reading}, "ca-bc"), rule)
        assert (finding.outcome, finding.at_least) == (outcome, minimum)
        assert finding.source.provenance == ("from_memory" if printed == 35.0 else "published")


@pytest.mark.parametrize("rulebook", [one.id for one in rules.carried(dt.date(2026, 6, 1)) if one.judges_tests])
def test_a_report_in_psi_is_judged_by_the_figure_in_psi_wherever_it_is(rulebook: str) -> None:
    for kind, rule, psi, _, _ in ROWS + DETECTORS:
        for reading, outcome in around("psi", psi):
            finding = found(judge(kind, "psi", {rule.split(".")[1]: reading}, rulebook), rule)
            assert (finding.outcome, finding.at_least) == (outcome, psi), (kind, rule, reading)


# The buffer, check 1's drop less the relief valve's opening, at least 3 psi or 20 kPa: Canadian municipal forms after CSA B64.10.1,
# "Buffer (3 psi or greater) A − B = C" (published). Advisory in most programmes of the United States (common practice, no source).
@pytest.mark.parametrize(
    ("unit", "drop", "opening", "outcome"),
    [
        ("psi", 5.3, 2.3, "met"),
        ("psi", 5.29, 2.3, "not_met"),
        ("psi", 5.31, 2.3, "met"),
        ("kPa", 36.1, 16.1, "met"),
        ("kPa", 36.0, 16.1, "not_met"),
        ("bar", 0.36, 0.16, "met"),
        ("bar", 0.36, 0.161, "not_met"),
    ],
)
def test_the_buffer_is_a_criterion_in_canada_and_a_note_in_the_united_states(
    unit: str, drop: float, opening: float, outcome: str
) -> None:
    values = {"check_1": drop, "relief_valve": opening}
    canada = judge("rp", unit, values, "ca-bc")
    assert found(canada, "rp.buffer").outcome == outcome
    assert canada.outcome == ("pass" if outcome == "met" else "fail")
    assert found(canada, "rp.buffer").source.provenance == "published"
    assert judge("rp", unit, values).outcome == "pass"


@pytest.mark.parametrize(("drop", "noted"), [(5.3, []), (5.29, ["buffer_low"])])
def test_a_low_buffer_is_noted(drop: float, noted: list[str]) -> None:
    verdict = judge("rp", "psi", {"check_1": drop, "relief_valve": 2.3})
    assert [one.code for one in verdict.flags if one.code == "buffer_low"] == noted
    assert verdict.acceptance == "accepted"


def facts(kind: str, component: str, **result: bool) -> rules.Verdict:
    readings = [
        {"component": one, member: value} | ({"opened_fully": True} if one == "air_inlet" else {})
        for one, (member, value) in SOUND[kind].items()
        if one != component
    ]
    return judge(kind, "psi", {}, initial_test={"shutoffs": TIGHT, "readings": [*readings, {"component": component, **result}]})


@pytest.mark.parametrize(
    ("kind", "component", "good", "bad"),
    [
        # Check 2 of an RP closes tight against backpressure: USC Manual, 9th edition (from memory).
        ("rp", "check_2", {"closed_tight": True}, {"closed_tight": False}),
        # An air inlet opens fully as the body drains (from memory).
        ("pvb", "air_inlet", {"opened_at": 1.4, "opened_fully": True}, {"opened_at": 1.4, "opened_fully": False}),
        ("svb", "air_inlet", {"opened_at": 1.4, "opened_fully": True}, {"opened_at": 1.4, "opened_fully": False}),
        # A relief valve that did not open fails the assembly whatever the checks did (common practice, no source).
        ("rp", "relief_valve", {"opened": True, "opened_at": 3.0}, {"opened": False}),
    ],
)
def test_what_is_seen_counts(kind: str, component: str, good: dict[str, Any], bad: dict[str, Any]) -> None:
    assert facts(kind, component, **good).outcome == "pass"
    assert facts(kind, component, **bad).outcome == "fail"


# What a failure means for protection: common practice, no source; the EPA manual describes the same for vacuum breakers.
@pytest.mark.parametrize(
    ("kind", "low", "protection"),
    [
        ("pvb", [], "full"),
        ("pvb", ["check"], "degraded"),
        ("pvb", ["air_inlet"], "degraded"),
        ("pvb", ["check", "air_inlet"], "lost"),
        ("svb", ["check"], "degraded"),
        ("svb", ["check", "air_inlet"], "lost"),
        ("rp", ["check_1"], "degraded"),
        ("rp", ["relief_valve"], "degraded"),
        ("rp", ["check_1", "relief_valve", "check_2"], "lost"),
        ("dc", ["check_1"], "degraded"),
        ("dc", ["check_1", "check_2"], "lost"),
        ("dcda", ["check_1", "check_2"], "lost"),
    ],
)
@pytest.mark.parametrize("line", ["main", "bypass"])
def test_the_barriers_left(kind: str, low: list[str], protection: str, line: str) -> None:
    where = line if kind == "dcda" else "main"
    values = dict.fromkeys(low, 0.0)
    assert judge(kind, "psi", values, line=where).initial.mechanical_protection == protection


# A check that holds less than its minimum does not leak and can still prevent backflow: a testers' association's article on the double
# check ("between 0 and 1.0"), published. Common practice, no source, for the parts of other kinds.
@pytest.mark.parametrize(
    ("kind", "values", "protection"),
    [
        ("dc", {"check_1": 0.5, "check_2": 0.5}, "degraded"),
        ("dc", {"check_1": 0.5, "check_2": 0.0}, "degraded"),
        # The gauge, ±0.2 psi, does not distinguish these from 0.
        ("dc", {"check_1": 0.2, "check_2": 0.2}, "unknown"),
        ("dc", {"check_1": 0.3, "check_2": 0.3}, "degraded"),
        ("rp", {"check_1": 4.9, "relief_valve": 1.9, "check_2": 0.9}, "degraded"),
        ("pvb", {"check": 0.4, "air_inlet": 0.4}, "degraded"),
        ("svb", {"check": 0.4, "air_inlet": 0.4}, "degraded"),
    ],
)
def test_a_part_below_its_minimum_fails_and_is_still_a_barrier(kind: str, values: dict[str, float], protection: str) -> None:
    verdict = judge(kind, "psi", values)
    assert (verdict.outcome, verdict.initial.mechanical_protection) == ("fail", protection)


def test_a_gauges_own_accuracy_decides_which_number_it_distinguishes_from_nothing() -> None:
    # JCGM 106:2012 (published) for the principle: a reading within the limits of error shows nothing surely.
    low = {"check_1": 0.3, "check_2": 0.3}
    fine, coarse = (
        judge("dc", "psi", low, gauge={"calibrated_on": "2026-01-12", "accuracy": accuracy}) for accuracy in (0.1, 0.3)
    )
    assert (fine.initial.mechanical_protection, coarse.initial.mechanical_protection) == ("degraded", "unknown")


def test_a_locally_stricter_minimum_leaves_a_part_sound(monkeypatch: pytest.MonkeyPatch) -> None:
    """No rulebook has one; a district may (common practice)."""
    book = rules.rulebook("us-common", RECEIVED.date())
    criteria = tuple(
        msgspec.structs.replace(one, at_least=1.5) if one.rule == "dc.check_1.held_at" else one for one in book.criteria
    )
    strict = msgspec.structs.replace(book, criteria=criteria, digest="stricter")
    monkeypatch.setattr(verdict_module, "plan_on", lambda _, __, kind, unit: plan(strict, kind, unit))
    verdict = judge("dc", "psi", {"check_1": 1.2})
    assert (verdict.outcome, verdict.initial.mechanical_protection) == ("fail", "full")
    assert judge("dc", "psi", {"check_1": 0.9}).initial.mechanical_protection == "degraded"


def test_a_stricter_local_minimum_fails_an_assembly_whose_parts_are_sound() -> None:
    # A buffer of 2.4 psi: Canadian forms ask 3 psi (published), and each part is at or above its own minimum.
    verdict = judge("rp", "psi", {"check_1": 5.4, "relief_valve": 3.0}, "ca-bc")
    assert (verdict.outcome, verdict.initial.mechanical_protection) == ("fail", "full")
    # 34.5 kPa is 5.004 psi; the form prints 35 kPa for 5 psi (from memory), and a reading is judged by the printed figure alone.
    metric = judge("rp", "kPa", {"check_1": 34.5, "relief_valve": 14.0}, "ca-bc")
    assert (metric.outcome, metric.initial.mechanical_protection) == ("fail", "degraded")


def test_a_relief_valve_cannot_open_above_check_1s_drop() -> None:
    # In a no-flow RP the zone sits below the inlet by check 1's drop; a relief valve opening there would discharge (common practice).
    verdict = judge("rp", "psi", {"check_1": 6.0, "relief_valve": 6.0})
    assert (verdict.outcome, verdict.acceptance) == ("incomplete", "held")
    assert [one.code for one in verdict.flags if one.severity == "hold"] == ["relief_opening_not_below_check_1"]


KINDS = st.sampled_from(["rp", "rpda", "dc", "dcda", "pvb", "svb"])
TENTHS = st.integers(0, 160).map(lambda tenths: tenths / 10)
VALUES = st.fixed_dictionaries(dict.fromkeys(("check_1", "check_2", "relief_valve", "check", "air_inlet"), TENTHS))


@given(KINDS, VALUES, st.sampled_from(["check_1", "check_2", "relief_valve", "check", "air_inlet"]), TENTHS)
def test_raising_a_reading_never_turns_a_pass_into_a_fail(kind: str, values: dict[str, float], raised: str, by: float) -> None:
    # Every criterion is a minimum. Only a rulebook whose buffer is a criterion is different: there a relief valve may open too early.
    if judge(kind, "psi", values).outcome == "pass":
        assert judge(kind, "psi", values | {raised: values[raised] + by}).outcome != "fail"


@given(KINDS, VALUES, st.sampled_from(["kPa", "bar"]))
def test_the_unit_does_not_change_the_verdict(kind: str, values: dict[str, float], unit: str) -> None:
    # Away from the minima by a hair, so that the conversion of a reading that lies on one does not decide.
    psi = {name: value + 0.003 * (place + 1) for place, (name, value) in enumerate(values.items())}
    one = judge(kind, "psi", psi)
    other = judge(kind, unit, {name: value * PSI[unit] for name, value in psi.items()})
    assert (one.outcome, one.initial, one.acceptance) == (other.outcome, other.initial, other.acceptance)
    assert [(each.rule, each.outcome) for each in one.findings] == [(each.rule, each.outcome) for each in other.findings]


@given(KINDS, VALUES, st.randoms(use_true_random=False))
def test_the_order_of_readings_does_not_matter_and_the_same_test_gives_the_same_bytes(
    kind: str, values: dict[str, float], random: Any
) -> None:
    verdict = judge(kind, "psi", values)
    assert msgspec.json.encode(verdict) == msgspec.json.encode(judge(kind, "psi", values))
    lines = ("main", "bypass") if kind in {"rpda", "dcda"} else ("main",)
    readings = [
        {"component": component, member: values[component] if line == "main" else sound, "line": line}
        | ({"opened_fully": True} if component == "air_inlet" else {})
        for line in lines
        for component, (member, sound) in SOUND[kind.removesuffix("da")].items()
    ]
    random.shuffle(readings)
    shuffled = judge(kind, "psi", {}, initial_test={"shutoffs": TIGHT, "readings": readings})
    assert (shuffled.outcome, shuffled.findings, shuffled.summary) == (verdict.outcome, verdict.findings, verdict.summary)
    assert sorted(one.code for one in shuffled.flags) == sorted(one.code for one in verdict.flags)
