"""Field tests as they come in: of several kinds, mostly passing, some failing or repaired, each with readings of its own."""

import datetime as dt
import random
from typing import Any

from service.record.reports.rows import FactsRow

KINDS = ("rp", "rp", "dc", "pvb")
"""What the assemblies of a generated utility are, in turn."""

CERTIFICATES = (
    '[{"certificate": "T-1", "kinds": ["rp", "dc", "pvb", "svb"], "valid_from": "2015-01-01", "valid_until": "2099-12-31"}]'
)
CALIBRATIONS = '[{"calibrated_on": "%s"}]'
TIGHT = {"inlet": "tight", "outlet": "tight"}


def hazard_of(kind: str) -> Any:
    """What an assembly of that kind guards against here."""
    return "non_health" if kind == "dc" else "health"


def phase(kind: str, source: random.Random, *, sound: bool, lost: bool = False) -> dict[str, Any]:
    """One test of that kind, to 0.1 psi; an unsound one misses one minimum, or every one where nothing is left that protects."""

    def check(name: str, least: float, most: float) -> dict[str, Any]:
        return {"component": name, "closed_tight": True, "held_at": round(source.uniform(least, most), 1)}

    if kind == "pvb":
        readings = [
            {
                "component": "air_inlet",
                "opened": True,
                "opened_at": round(source.uniform(0.1, 0.6) if lost else source.uniform(1.3, 3.0), 1),
                "opened_fully": True,
            },
            check("check", *((1.3, 3.0) if sound else (0.2, 0.7))),
        ]
    elif kind == "dc":
        readings = [
            check("check_1", *((1.3, 3.0) if sound else (0.2, 0.7))),
            check("check_2", *((0.2, 0.7) if lost else (1.3, 3.0))),
        ]
    else:
        relief = source.uniform(2.3, 3.5) if sound else source.uniform(0.5, 1.7)
        readings = [
            {"component": "relief_valve", "opened": True, "opened_at": round(relief, 1)},
            check("check_1", *((0.2, 0.7) if lost else (6.8, 9.0))),
            check("check_2", *((0.2, 0.7) if lost else (1.3, 3.0))),
        ]
    return {"shutoffs": TIGHT, "readings": readings}


def test_of(kind: str, source: random.Random) -> dict[str, Any]:
    """What a report says of a test of that kind: 90 of 100 pass at once, 8 after a repair, 2 fail, one in four of those with nothing left that protects."""
    luck = source.random()
    document: dict[str, Any] = {
        "reason": "periodic",
        "units": {"pressure": "psi"},
        "line_pressure": source.randrange(45, 95),
        "initial_test": phase(kind, source, sound=luck < 0.9, lost=luck > 0.995),
        "remarks": "Tested at the meter box. " + "The customer was informed beforehand and was present. " * source.randrange(3),
    }
    if 0.9 <= luck < 0.98:
        part = {"rp": "relief_valve", "dc": "check_1", "pvb": "check"}[kind]
        document["repairs"] = [{"component": part, "part": "disc", "action": "replaced"}]
        document["final_test"] = phase(kind, source, sound=True)
    return document


def known_of(kind: str, calibrated_on: str) -> FactsRow:
    """What the registry of a generated utility knows of such an assembly, its tester and its gauge."""
    return FactsRow(
        n=1,
        kind=kind,
        hazard=hazard_of(kind),
        nominal_size=None,
        installed_on=None,
        in_service=True,
        connection="non_residential",
        created_at=dt.datetime(2020, 1, 1, tzinfo=dt.UTC),
        certificates=CERTIFICATES,
        tester_known=True,
        accuracy=0.2,
        resolution=0.1,
        gauge_unit="psi",
        calibrations=CALIBRATIONS % calibrated_on,
        previous_judged=None,
    )
