"""A member that stands twice is refused: taking the last without a word would lose what the other said (RFC 8259, section 4)."""

import json
from typing import Any

import msgspec
import pytest

from service.http import documents
from service.problems import ProblemError
from tests.support.world import Place, World


class Loose(msgspec.Struct, omit_defaults=True):
    """A document with members of any kind."""

    name: str
    remarks: str = ""
    many: Any = None


TEST = {
    "rulebook": "us-common",
    "performed_at": "2026-05-14T09:20:00-07:00",
    "assembly": {"kind": "pvb", "hazard": "health"},
    "units": {"pressure": "psi"},
    "initial_test": {"readings": [{"component": "check", "closed_tight": True, "held_at": 0.2}]},
}


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


@pytest.mark.parametrize(
    "body",
    [
        b'{"name": "a", "name": "b"}',
        b'{"name" : "a", "name" : "b"}',
        b'{"name":"a","remarks":"\\u0022:","name":"b"}',
        b'{"name":"a","remarks":"\\":","name":"b"}',
        b'{"name":"a","many":{"x":{"y":1,"y":1}}}',
        b'{"name":"a","many":{"na\\u006de":1,"name":2}}',
    ],
)
def test_however_a_doubled_member_is_written_it_is_found(body: bytes) -> None:
    with pytest.raises(ProblemError) as refused:
        documents.decode(Loose, body)
    assert "more than once" in refused.value.detail


@pytest.mark.parametrize(
    "body", [b'{"name":"\\":"}', b'{"name":"a\\u0022:b","many":{"x":{"y":1},"z":{"y":1}}}', b'{"name": "a", "remarks": ""}']
)
def test_what_only_looks_doubled_is_not(body: bytes) -> None:
    assert documents.decode(Loose, body)
