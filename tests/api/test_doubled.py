"""A member that stands twice is refused: taking the last without a word would lose what the other said (RFC 8259, section 4)."""

import json

import pytest

from tests.conftest import Place, World

TEST = {
    "rulebook": "us-common", "performed_at": "2026-05-14T09:20:00-07:00", "assembly": {"kind": "pvb", "hazard": "health"},
    "units": {"pressure": "psi"},
    "initial_test": {"readings": [{"component": "check", "closed_tight": True, "held_at": 0.2}]},
}  # fmt: skip


@pytest.mark.parametrize(
    ("once", "twice", "name"),
    [
        ('"held_at": 0.2', '"held_at": 0.2, "held_at": 1.2', "held_at"),
        ('"rulebook"', '"rulebook": "us-wa", "rulebook"', "rulebook"),
    ],
)
def test_a_doubled_member_is_named(world: World, once: str, twice: str, name: str) -> None:
    body = json.dumps(TEST).replace(once, twice, 1)
    answer = world.client.post("/v1/rules/verdict", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 400
    assert f"`{name}`" in answer.json()["errors"][0]["detail"]


def test_a_patch_nested_as_deep_as_can_be_is_a_fault_and_no_failure(place: Place) -> None:
    premises = place.get(f"/premises/{place.premises}")
    for depth in (200, 900, 990, 2_000, 50_000):
        body = '{"name": ' + '{"a":' * depth + "1" + "}" * depth + "}"
        answer = place.world.client.patch(
            f"{place.base}/premises/{place.premises}",
            content=body,
            headers={
                "Authorization": f"Bearer {place.keys['utility']}",
                "If-Match": premises.headers["ETag"],
                "Content-Type": "application/merge-patch+json",
            },
        )
        assert answer.status_code in (400, 413), depth


def test_the_bare_address_leads_to_the_reference(world: World) -> None:
    answer = world.client.get("/")
    assert (answer.status_code, answer.headers["location"]) == (302, "/docs")
    page = world.client.get("/docs")
    assert page.headers["content-type"] == "text/html; charset=utf-8"
