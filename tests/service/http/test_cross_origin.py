"""Pages of other origins: what the Fetch standard's CORS protocol lets a browser do with our answers (3.2.2 and 3.2.3)."""

from collections.abc import Iterator
from typing import Any

import pytest

from service.settings import Settings
from tests.support.databases import Database
from tests.support.world import World, world_in

NAMED, OTHER = "https://portal.example", "https://elsewhere.example"


@pytest.fixture(scope="module")
def opened(database: Database) -> Iterator[World]:
    with world_in(database, origins=frozenset({NAMED})) as world:
        yield world


def preflight(world: World, origin: str, path: str = "/v1/utilities", method: str = "POST") -> Any:
    wants = {"Origin": origin, "Access-Control-Request-Method": method, "Access-Control-Request-Headers": "authorization"}
    return world.client.options(path, headers=wants)


def test_any_page_may_read_what_needs_no_key(opened: World) -> None:
    answer = opened.client.get("/v1/assembly-kinds", headers={"Origin": OTHER})
    assert answer.headers["access-control-allow-origin"] == "*"
    exposed = answer.headers["access-control-expose-headers"].split(", ")
    assert {"ETag", "Location", "Link", "Retry-After", "X-Request-Id", "Date"} <= set(exposed)
    assert "access-control-allow-credentials" not in answer.headers
    assert "access-control-allow-origin" not in opened.client.get("/v1/assembly-kinds").headers


def test_only_a_named_page_may_read_what_needs_a_key(opened: World) -> None:
    mine = opened.operator.get("/v1/utilities", headers={"Origin": NAMED})
    assert (mine.status_code, mine.headers["access-control-allow-origin"]) == (200, NAMED)
    assert "Origin" in mine.headers["vary"]
    for origin in (OTHER, f"{NAMED}.evil.example", "null", NAMED.replace("https", "http")):
        assert "access-control-allow-origin" not in opened.operator.get("/v1/utilities", headers={"Origin": origin}).headers


def test_a_preflight_lets_only_a_named_page_send_a_key(opened: World) -> None:
    mine, other = preflight(opened, NAMED), preflight(opened, OTHER)
    for answer in (mine, other):
        assert answer.status_code == 200
        assert {"PUT", "PATCH", "DELETE"} <= set(answer.headers["access-control-allow-methods"].split(", "))
        assert int(answer.headers["access-control-max-age"]) > 0
    assert mine.headers["access-control-allow-origin"] == NAMED
    assert "Authorization" in mine.headers["access-control-allow-headers"]
    assert "Authorization" not in other.headers["access-control-allow-headers"]
    # `*` would not cover Authorization either, and is not sent (3.2.3).
    assert "*" not in other.headers["access-control-allow-headers"]


def test_origins_come_from_the_environment() -> None:
    assert Settings.from_environment({"NONRETURN_ORIGINS": f"{NAMED}, {OTHER}"}).origins == {NAMED, OTHER}
    for wrong in ("*", "portal.example", f"{NAMED}/", "https://*.example", "https://"):
        with pytest.raises(ValueError, match="NONRETURN_ORIGINS"):
            Settings.from_environment({"NONRETURN_ORIGINS": wrong})
