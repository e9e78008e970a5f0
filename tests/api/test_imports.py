"""Import over HTTP: every problem by row and column, nothing written by halves, and the same file twice changes nothing."""

import json
from typing import Any

import httpx

from tests.conftest import Place, World, bearer

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
# One sheet with everything, as a utility might keep it; the second row is another test of the first row's assembly.
SHEET = """Account No.,Customer,Service Address,Connection Type,Serial No.,Type,Hazard,Protection,Size,Installed,Test Date,Test Time,Reason,Tester Cert #,Gauge S/N,Line Pressure (psi),Check 1 (psid),RV opening point (psid),Check #2 (psid),Air Inlet psi,Air inlet fully open,Check Valve psi,Result,Color
C-1,Fenside Café,1 Sluice Lane,Commercial,A-100,RPZ,High,Containment,"3/4"" ",2019-05-01,2025-05-12,09:20,Annual,T-1,G-1,62,7.4,2.8,2.1,,,,Pass,red
C-1,Fenside Café,1 Sluice Lane,Commercial,A-100,Reduced Pressure Principle Assembly,High,Containment,"3/4"" ",2019-05-01,2026-05-10,2:05 PM,Annual,T-1,G-1,60,7.2,1.6,2.0,,,,FAIL,
C-2,"Lawn, large","2 Sluice Lane
rear",Irrigation,A-200,pressure vacuum breaker,health,Point of use,25 mm,,2026-04-02,10:00,Annual,T-1,G-1,55,,,,1.4,Y,1.8,Pass,
C-3,Mill,3 Sluice Lane,Industrial,A-300,DCVA,low,containment,2 in,,,,,,,,,,,,,,,
"""


def load(place: Place, body: bytes | str, *, key: str = "utility", media_type: str = "text/csv", accept: str = "application/json", **options: Any) -> httpx.Response:  # fmt: skip
    query = {name: json.dumps(value) if isinstance(value, dict | bool) else value for name, value in options.items()}
    headers = bearer(place.keys[key]) | {"Content-Type": media_type, "Accept": accept}
    content = body.encode() if isinstance(body, str) else body
    return place.world.client.post(f"{place.base}/imports", content=content, params=query, headers=headers)


def run(place: Place, body: bytes | str, **options: Any) -> dict[str, Any]:
    answer = load(place, body, **options)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def counts(told: dict[str, Any]) -> dict[str, tuple[int, ...]]:
    """New, changed, same and bad, of each thing there is any of."""
    return {
        thing: tuple(one[name] for name in ("new", "changed", "same", "bad"))
        for thing, one in told["counts"].items()
        if any(one.values())
    }


def test_a_sheet_is_loaded_and_loading_it_again_changes_nothing(place: Place, world: World) -> None:
    before = world.database.count("change")
    dry = run(place, SHEET)
    assert (dry["problems"], dry["written"], world.database.count("change")) == ([], False, before)
    told = run(place, SHEET, dry_run=False)
    assert (told["problems"], told["written"]) == ([], True)
    assert counts(told) == counts(dry) == {"premises": (3, 0, 0, 0), "assemblies": (3, 0, 0, 0), "reports": (3, 0, 0, 0)}
    assert (told["outcomes"], told["acceptance"]) == ({"pass": 2, "fail": 1}, {"accepted": 3})
    kept = world.database.count("change")
    again = run(place, SHEET, dry_run=False)
    assert counts(again) == {"premises": (0, 0, 3, 0), "assemblies": (0, 0, 3, 0), "reports": (0, 0, 3, 0)}
    assert world.database.count("change") == kept
