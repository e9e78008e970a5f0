"""Good questions to the rules, from which those that are tried begin."""

from typing import Any

_UNITS = {"pressure": "psi", "length": "in", "flow": "gpm"}
OF_THE_RULES: dict[str, dict[str, Any]] = {
    "selectAssembly": {
        "rulebook": "us-wa",
        "hazard": "health",
        "backpressure_possible": False,
        "continuous_pressure": False,
        "purpose": "point_of_use",
        "units": _UNITS,
        "site": {
            "height_above_highest_outlet": 12,
            "subject_to_submergence": False,
            "drainage": True,
            "freezing_exposure": False,
            "indoors": True,
        },
    },
    "checkPlacement": {"rulebook": "us-wa", "kind": "pvb", "units": _UNITS, "height_above_highest_outlet": 12},
    "operateAssembly": {
        "kind": "pvb",
        "units": _UNITS,
        "conditions": {"check": "leaking"},
        "loadings": {"check": 1.5, "air_inlet": 1.3},
        "steps": [
            {"label": "a", "supply_pressure": 60, "downstream": "outlet_open", "outlet_elevation": -12},
            {"supply_pressure": -10, "downstream": "backpressure", "backpressure": 5},
        ],
    },
    "runPracticeTest": {"kind": "rp", "units": _UNITS, "conditions": {"check_1": "leaking"}, "supply_pressure": 60},
}
