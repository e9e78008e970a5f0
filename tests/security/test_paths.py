"""What stands in a path is data too: a NUL character in it is the sender's fault, whatever the address."""

from typing import Any

import pytest

from service import endpoints as calls
from tests.support.world import World, bearer

FILLED = {"uuid": "01900000-0000-7000-8000-000000000000", "str": "a", "int": "2026", "date": "2026-01-01"}


def paths(call: Any) -> list[str]:
    """The call's path with a NUL in each of its parameters in turn."""
    parts = call.path.split("/")
    filled = [FILLED[part[1:-1].partition(":")[2]] if part.startswith("{") else part for part in parts]
    return [
        "/".join([*filled[:at], f"a%00{filled[at]}", *filled[at + 1 :]]) for at, part in enumerate(parts) if part.startswith("{")
    ]


TRIED = [(call.method, path) for call in calls.operations for path in paths(call)]


@pytest.mark.parametrize(("method", "path"), TRIED, ids=str)
def test_a_nul_in_a_path_is_refused_as_malformed(world: World, method: str, path: str) -> None:
    for headers in ({}, bearer(world.operator_key)):
        answer = world.client.request(method, path, headers=headers)
        assert (answer.status_code, answer.headers["content-type"]) == (400, "application/problem+json"), answer.text
        assert "NUL" in answer.json()["detail"]


def test_a_nul_anywhere_else_in_a_path_too(world: World) -> None:
    for path in ("/%00", "/receipts/a%00b/x", "/receipts/a/%00.x/report.pdf", "/v1%00/rulebooks", "/docs/%00"):
        assert world.client.get(path).status_code == 400, path
