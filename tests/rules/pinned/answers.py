"""The answers that are pinned: a name, and what is answered, for every kind of question that the rules take.

What is asked is chosen by seeded chance among what can be asked, near the limits, so that a changed sign, word or figure anywhere shows
in some answer. Floats are reported to nine digits, in which every machine agrees.
"""

import datetime as dt
import hashlib
import json
import random
from collections.abc import Callable, Iterator
from typing import Any

import msgspec

import rules
from rules import operation, screening, selection
from rules.notices import NoticeFacts, default_steps, fill
from rules.operation.kinds import OPERABLE_KINDS, parts_of
from rules.operation.physics import physics
from rules.selection import tables
from tests.rules.screening import simulated
from tests.rules.standing.test_histories import by_the_rules, history

NOW = dt.datetime(2026, 6, 1, 19, tzinfo=dt.UTC)
ON = dt.date(2026, 6, 1)
UNITS = (
    {"pressure": "psi", "length": "in", "flow": "gpm"},
    {"pressure": "kPa", "length": "mm", "flow": "L/s"},
    {"pressure": "psi", "length": "ft"},
    {"pressure": "psi"},
)
STATUSES = ("leaking", "stuck_open", "stuck_closed")
THOROUGH = frozenset({"us-common", "us-ca", "us-wa", "ca-bc", "eu-en1717"})
"""The rulebooks asked at length; the others extend one of them, and a tenth of the questions shows what they change."""


def questions(rulebook: str, most: int) -> int:
    """How many questions of a kind a rulebook is asked."""
    return most if rulebook in THOROUGH else most // 10


def digest(answers: list[Any]) -> str:
    """Of some answers, whatever the last digits of a machine's arithmetic."""
    result = json.dumps(_rounded(msgspec.to_builtins(answers)), sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(result.encode()).hexdigest()[:16]


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return f"{value:.9g}".replace("-0", "0") if abs(value) < 1e-9 else f"{value:.9g}"
    if isinstance(value, dict):
        return {str(key): _rounded(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(inner) for inner in value]
    return value


def refused_or(work: Any) -> Any:
    """An answer, or the refusal with all its faults."""
    try:
        return work()
    except rules.RulesError as error:
        return [[one.pointer, one.message] for one in (error, *error.also)]
    except msgspec.ValidationError as error:
        return str(error)


# Field tests.


def reading(source: random.Random, part: str, *, sound: bool) -> dict[str, Any]:
    """What a part showed: mostly both members, each now and then left out, near the common limits."""
    facts: dict[str, Any] = {"component": part}
    seen, at = ("closed_tight", "held_at") if part.startswith("check") else ("opened", "opened_at")
    if sound:
        good = {"check_1": 8.2, "relief_valve": 2.4, "check_2": 1.8, "check": 1.5, "air_inlet": 1.3}[part] + source.choice(
            (0, 0.1, -0.1)
        )
        return facts | {seen: True, at: round(good, 1)} | ({"opened_fully": True} if part == "air_inlet" else {})
    near = source.choice(
        (0, 0.9, 1.0, 1.1, 2.0, 1.9, 2.1, 5.0, 5.1, 6.9, 7.0, 8.2, 20.0, 35.0, source.choice((-1, 300)))
    ) + source.choice((0, 0, 0.1))
    if source.random() < 0.85:
        facts[seen] = source.random() < 0.85
    if source.random() < 0.9:
        facts[at] = near
    if part == "air_inlet" and source.random() < 0.8:
        facts["opened_fully"] = source.random() < 0.85
    return facts


def phase(source: random.Random, kind: str) -> dict[str, Any]:
    """One phase of a test, half of them good; in others a part is missing now and then, or one that does not belong there is reported."""
    sound = source.random() < 0.5
    lines = ("main", "bypass") if kind in {"rpda", "dcda"} else ("main",)
    listed = [
        reading(source, part, sound=sound and source.random() < 0.95) | ({"line": line} if line != "main" else {})
        for line in lines
        for part in parts_of(kind)  # type: ignore[arg-type]
        if sound or source.random() < 0.95
    ]
    if source.random() < 0.05:
        listed.append(reading(source, source.choice(("check", "check_2", "relief_valve", "air_inlet")), sound=False))
    words = (*("tight",) * 8, "leaking", "leaking_no_flow_proved", "not_checked")
    shutoffs = {side: source.choice(words) for side in ("inlet", "outlet") if source.random() < 0.8}
    return {"readings": listed} | ({"shutoffs": shutoffs} if shutoffs else {})


def field_test(source: random.Random, rulebook: str, kind: Any) -> dict[str, Any]:
    """A test as reported, with whatever may be reported beside it."""
    test: dict[str, Any] = {
        "rulebook": rulebook,
        "performed_at": source.choice((*("2026-05-14T09:20:00-07:00",) * 9, "2026-06-03T09:20:00-07:00")),
        "assembly": {"kind": kind, "hazard": source.choice(("severe", "health", "non_health"))},
        "units": {"pressure": source.choice((*("psi",) * 6, "kPa", "bar")), "length": "in"},
        "initial_test": phase(source, kind),
    }
    if source.random() < 0.7:
        test["line_pressure"] = source.choice((*(62,) * 9, 5, 14, 149, 200))
    if source.random() < 0.9:
        facts = {
            "accuracy": source.choice((0.2, 0.1, 0.1, 0.3)),
            "resolution": source.choice((0.1, 0.1, 0.1, 0.5)),
            "calibrated_on": source.choice(("2026-01-12", "2026-01-12", "2026-01-12", "2025-05-14", "2025-05-13", "2026-05-20")),
            "height_above_assembly": source.choice((0, 6, -12)),
        }
        test["gauge"] = {name: value for name, value in facts.items() if source.random() < 0.95}
    if source.random() < 0.9:
        test["tester"] = {
            "certificate": "T-1",
            "kinds": source.choice((["rp", "dc"], ["pvb", "svb"], *[["rp", "rpda", "dc", "dcda", "pvb", "svb"]] * 4)),
            "valid_from": source.choice(("2025-03-01", "2025-03-01", "2025-03-01", "2026-05-15")),
            "valid_until": source.choice(("2028-02-29", "2028-02-29", "2028-02-29", "2026-05-13")),
        }
    if source.random() < 0.4:
        test["repairs"] = [
            {
                "component": source.choice(parts_of(kind)),
                "part": source.choice(("disc", "seat", "spring", "other")),
                "action": "replaced",
            }
        ]
    if source.random() < 0.4:
        test["final_test"] = phase(source, kind)
    if source.random() < 0.5:
        test["declared"] = source.choice(("pass", "fail", "incomplete"))
    return test


def judged(test: dict[str, Any]) -> list[Any]:
    """The verdict, and its drawing."""
    asked = msgspec.convert(test, rules.Test)
    previous = rules.PreviousReadings(readings=asked.initial_test.readings) if "declared" in test else msgspec.UNSET
    more: dict[str, Any] = {} if previous is msgspec.UNSET else {"previous": previous}
    verdict = rules.judge(asked, received_at=NOW, **more)
    return [verdict, operation.draw_verdict(asked.assembly.kind, verdict)]


def verdicts(rulebook: str, kind: str) -> list[Any]:
    """Tests of a kind: sixty under a rulebook asked at length."""
    source = random.Random(f"{rulebook} {kind}")  # noqa: S311 - the same tests every time
    return [refused_or(lambda: judged(field_test(source, rulebook, kind))) for _ in range(questions(rulebook, 60))]


# The model.


def condition(source: random.Random, kind: str) -> dict[str, Any]:
    """The condition of some parts, and the springs of some."""
    parts = parts_of(kind)  # type: ignore[arg-type]
    return {
        "conditions": {
            part: source.choice(STATUSES if not part.startswith("check") else STATUSES[:2])
            for part in parts
            if source.random() < 0.35
        },
        "loadings": {part: round(source.uniform(0.3, 9.0), 1) for part in parts if source.random() < 0.4},
    }


def operations(kind: str) -> list[Any]:
    """Forty assemblies of a kind through five steps each, and their drawings."""
    source = random.Random(kind)  # noqa: S311
    found = []
    for _ in range(40):
        steps = [
            {
                "label": source.choice(("", "morning")),
                "supply_pressure": source.choice((60, 0, -10, 8, 1.2, 100)),
                "inlet_shutoff": source.choice(("open", "open", "closed")),
                "outlet_shutoff": source.choice(("open", "open", "closed")),
                "downstream": source.choice(("outlet_open", "outlets_closed", "backpressure")),
                "backpressure": source.choice((0, 5, 70, 120)),
                "outlet_elevation": source.choice((-12, 0, 120)),
                "demand_flow": source.choice((0, 2, 10)),
            }
            for _ in range(5)
        ]
        if source.random() < 0.3:
            steps = [{name: value for name, value in step.items() if source.random() < 0.9} for step in steps]
        asked = {"kind": kind, "units": source.choice(UNITS), "steps": steps} | condition(source, kind)

        def work(asked: dict[str, Any] = asked) -> list[Any]:
            ask = msgspec.convert(asked, operation.OperationRequest)
            answer = operation.operate(ask)
            return [answer, operation.draw_operation(ask, answer)]

        found.append(refused_or(work))
    return found


def practice(kind: str) -> list[Any]:
    """Forty assemblies of a kind tested on the model."""
    source = random.Random(kind)  # noqa: S311
    found = []
    for seed in range(60):
        units = source.choice(UNITS)
        asked: dict[str, Any] = {
            "kind": kind,
            "units": units,
            "line_pressure": 62 if units["pressure"] == "psi" else 400,
            "seed": seed,
            **condition(source, kind),
        }
        if source.random() < 0.5:
            asked["shutoffs"] = {side: source.choice(("tight", "leaking")) for side in ("inlet", "outlet")}
        if source.random() < 0.7:
            facts = {
                "error": source.choice((0.3, -0.2)),
                "resolution": source.choice((0.1, 0.01, 1)),
                "scatter": source.choice((0, 0.05)),
                "height_above_assembly": source.choice((0, 12, -20)),
            }
            asked["gauge"] = {name: value for name, value in facts.items() if source.random() < 0.7}
        if source.random() < 0.3:
            leaking = [part for part, status in asked["conditions"].items() if status == "leaking" and part.startswith("check")]
            asked["leaks"] = {part: source.choice((0.01, 0.1, 3)) for part in leaking or parts_of(kind)}  # type: ignore[arg-type]
        if source.random() < 0.3:
            asked["opens_fully"] = False
        if kind in {"rpda", "dcda"} and source.random() < 0.6:
            asked["bypass"] = condition(source, kind)
        found.append(
            refused_or(lambda asked=asked: operation.practice_test(msgspec.convert(asked, operation.PracticeTestRequest)))
        )
    return found


# Choosing and placing.


def chosen(rulebook: str) -> list[Any]:
    """Hazards and sites: eighty under a rulebook asked at length."""
    source = random.Random(rulebook)  # noqa: S311
    premises = [one.code for one in selection.premises_types()]
    by_category = tables.in_force(rulebook, ON).by_category
    found = []
    for _ in range(questions(rulebook, 80)):
        asked: dict[str, Any] = {
            "rulebook": rulebook,
            "backpressure_possible": source.random() < 0.5,
            "continuous_pressure": source.random() < 0.5,
            "purpose": source.choice(("premises_isolation", "point_of_use")),
            "units": source.choice(UNITS[:2]) | {"temperature": "degF"},
        }
        asked |= (
            {"fluid_category": source.randint(1, 5)}
            if by_category
            else {"hazard": source.choice(("severe", "health", "non_health"))}
        )
        if source.random() < 0.4:
            asked["premises"] = source.choice(premises)
        for fact in ("hose_connection", "domestic", "in_plant_air_gap"):
            if source.random() < 0.6:
                asked[fact] = source.random() < 0.5
        site = {
            "height_above_highest_outlet": source.choice((0, 5, 12, 300)),
            "subject_to_submergence": source.random() < 0.3,
            "drainage": source.random() < 0.6,
            "freezing_exposure": source.random() < 0.3,
            "indoors": source.random() < 0.5,
        }
        asked["site"] = {name: value for name, value in site.items() if source.random() < 0.7}
        if source.random() < 0.6:
            curve = [{"flow": 0, "loss": 3}, {"flow": 20, "loss": 9}, {"flow": 60, "loss": 30}]
            model = {"spring_loading": 6, "loss_coefficient": 8, "bore": 1}
            water = {
                "supply_pressure": source.choice((60, 25, 300, 900)),
                "design_flow": source.choice((0, 20, 33, 70)),
                "outlet_elevation_above_assembly": source.choice((0, 40, 500)),
                "required_outlet_pressure": source.choice((0, 20, 40)),
                "water_temperature": source.choice((60, 140, 200)),
                "booster_pump_downstream": source.random() < 0.3,
                "loss_curves": {"BA": curve} if by_category else {"rp": curve, "dc": curve[:2]},
                "loss_models": {"EA": model} if by_category else {"pvb": model},
            }
            asked["hydraulics"] = {
                name: value
                for name, value in water.items()
                if name in {"supply_pressure", "design_flow"} or source.random() < 0.8
            }
        found.append(refused_or(lambda asked=asked: selection.select(msgspec.convert(asked, selection.SelectionRequest), on=ON)))
    return found


def placed(rulebook: str) -> list[Any]:
    """Installations: eighty under a rulebook asked at length."""
    source = random.Random(rulebook)  # noqa: S311
    kinds = [rank.kind for rank in tables.in_force(rulebook, ON).ranks]
    found = []
    for _ in range(questions(rulebook, 80)):
        facts: dict[str, Any] = {
            "height_above_highest_outlet": source.choice((5, 6, 12, 150, 400)),
            "height_above_downstream_piping": source.choice((5, 6, 12, 150, 400)),
            "height_above_grade": source.choice((6, 12, 30, 60, 70)),
            "subject_to_submergence": source.random() < 0.3,
            "relief_drain": source.choice(("air_gap", "direct", "none")),
            "clearance_all_round": source.choice((3, 12, 300)),
            "clearance_testing_side": source.choice((3, 24, 800)),
            "downstream_shutoff": source.random() < 0.4,
            "hours_under_pressure_per_day": source.choice((4, 12, 13)),
            "orientation": source.choice(("horizontal", "vertical_up", "upright", "inverted")),
            "orientation_listed": source.random() < 0.5,
            "bypass": source.choice(("none", "equal_assembly", "unprotected")),
            "closed_system": source.random() < 0.5,
            "thermal_expansion_provided": source.random() < 0.5,
            "freezing_exposure": source.random() < 0.5,
            "freeze_protected": source.random() < 0.5,
            "fire_line": source.random() < 0.5,
            "metered_bypass": source.random() < 0.5,
            "room_for_testing": source.random() < 0.7,
            "submergence_never_continuous": source.random() < 0.5,
            "relief_drain_capacity": source.choice((50, 120)),
            "relief_discharge": source.choice((60, 120)),
            "relief_air_gap": {
                "vertical_distance": source.choice((1, 2, 3)),
                "effective_diameter": 1,
                "near_walls": source.choice((0, 1, 2)),
                "wall_distance": 2,
            },
            "air_gap": {
                "vertical_distance": source.choice((0.9, 1, 2, 3, 40)),
                "effective_diameter": source.choice((0.5, 1, 20)),
                "near_walls": source.choice((0, 1, 2)),
                "wall_distance": source.choice((1, 3, 4, 100)),
            },
        }
        asked: dict[str, Any] = {
            "rulebook": rulebook,
            "kind": source.choice(kinds),
            "units": source.choice(UNITS[:2]),
            "installation": {name: value for name, value in facts.items() if source.random() < 0.7},
        }
        if source.random() < 0.7:
            asked["size"] = source.choice((0.75, 2, 3, 50, 80))
        found.append(refused_or(lambda asked=asked: selection.place(msgspec.convert(asked, selection.PlacementRequest), on=ON)))
    return found


# What deserves a second look, trends, notices, and what is carried.


def second_looks() -> list[Any]:
    """What the screens say of a programme with one of each dishonesty."""
    source = random.Random(1)  # noqa: S311
    found: list[Any] = [
        simulated.looks(simulated.programme(seed, crooked=crooked)) for seed, crooked in enumerate(simulated.CROOKED.values())
    ]
    changes = [simulated.changed(source, at, (simulated.serial(source), simulated.serial(source))) for at in range(5)]
    changes += [
        msgspec.structs.replace(changes[0], serial_number=("A-1", "A-1"), size=("1 in", "2 in")),
        msgspec.structs.replace(changes[1], replaced=True),
    ]
    return [
        *found,
        list(screening.looks_at_changes(changes)),
        list(screening.looks_at_shared(simulated.register(source, doubled=3))),
    ]


def trended() -> list[Any]:
    """How the readings of ten assemblies go, in two units."""
    source = random.Random(1)  # noqa: S311
    found = []
    for kind in ("rp", "dc", "pvb", "rpda", "svb"):
        tests = []
        for year in range(9):
            result = field_test(source, "us-wa", kind) | {
                "performed_at": f"{2017 + year}-05-{10 + year}T09:20:00-07:00",
                "units": {"pressure": "psi", "length": "in"},
            }
            result["initial_test"] = phase(source, kind)
            test = msgspec.convert(result, rules.Test)
            try:
                verdict = rules.judge(test, received_at=NOW)
            except rules.RulesError:
                continue
            repairs = test.repairs if isinstance(test.repairs, list) else []
            tests.append(
                rules.TrendedTest(
                    report_id=f"{year}",
                    performed_on=test.performed_at.date(),
                    unit="psi",
                    findings=verdict.findings,
                    repairs=repairs if source.random() < 0.3 else [],
                    resolution=0.1,
                )
            )
        found += [rules.trends(tests, unit=unit, next_test_on=dt.date(2027, 5, 1)) for unit in ("psi", "kPa")]
    return found


def notices() -> list[Any]:
    """The common schedule, filled in."""
    facts = NoticeFacts(
        utility="Plain water",
        premises="Plot 1",
        address="1 Sluice Lane",
        reference=None,
        assembly="a pressure vacuum breaker",
        serial_number="S-1",
        position=None,
        due_on=dt.date(2026, 6, 1),
        tested_on=dt.date(2026, 5, 1),
        repair_by=dt.date(2026, 5, 31),
    )
    return [[step, fill(step.subject, facts), fill(step.text, facts)] for step in default_steps()]


def standings() -> list[Any]:
    """How assemblies stand after made-up histories."""
    source = random.Random("standings")  # noqa: S311 - reproducible on purpose
    return [by_the_rules(history(source)) for _ in range(600)]


def carried() -> list[Any]:
    """What is carried and what each rulebook says."""
    return [
        rules.carried(ON),
        rules.catalogue(),
        physics(),
        list(selection.premises_types()),
        operation.protection_matrix(),
        [rules.publish(one, ON) for one in rules.rulebook_ids()],
    ]


def cases() -> Iterator[tuple[str, Callable[[], list[Any]]]]:
    """Every pinned group of answers: its name, and how it is had."""
    for book in rules.rulebook_ids():
        for kind in ("rp", "rpda", "dc", "dcda", "pvb", "svb"):
            yield f"verdicts {book} {kind}", lambda book=book, kind=kind: verdicts(book, kind)  # type: ignore[misc]
    for kind in OPERABLE_KINDS:
        yield f"operation {kind}", lambda kind=kind: operations(kind)  # type: ignore[misc]
    for kind in ("rp", "rpda", "dc", "dcda", "pvb", "svb"):
        yield f"practice test {kind}", lambda kind=kind: practice(kind)  # type: ignore[misc]
    for book in sorted(tables.index()):
        yield f"selection {book}", lambda book=book: chosen(book)  # type: ignore[misc]
        yield f"placement {book}", lambda book=book: placed(book)  # type: ignore[misc]
    yield from (
        ("second looks", second_looks),
        ("trends", trended),
        ("notices", notices),
        ("standings", standings),
        ("carried", carried),
    )
