"""What a caller has already is not sent again (RFC 9110, 13.1.2): wherever an `ETag` is answered, `If-None-Match` is honoured."""

import hashlib

import httpx
import pytest

from tests.support.world import Place, World

PUBLISHED = (
    "/v1/rulebooks",
    "/v1/rulebooks/us-wa?on=2026-06-01",
    "/v1/assembly-kinds",
    "/v1/premises-types",
    "/v1/codes",
    "/openapi.json",
    "/docs",
    "/codes",
    "/problems",
    "/problems/stale",
)
PLAIN = {"Accept-Encoding": "identity"}


def again(client: httpx.Client, path: str, known: str) -> httpx.Response:
    return client.get(path, headers={**PLAIN, "If-None-Match": known})


@pytest.mark.parametrize("path", PUBLISHED)
def test_a_published_document_is_kept_by_its_digest(world: World, path: str) -> None:
    first = world.client.get(path, headers=PLAIN)
    tag = first.headers["etag"]
    assert tag == f'"{hashlib.sha256(first.content).hexdigest()[:32]}"'
    assert first.headers["cache-control"] == "public, no-cache"
    # 13.1.2: `*`, the tag, a weak one of it, and the tag among others all match; the compressed answer's tag as well.
    for known in ("*", tag, f"W/{tag}", f'"x", {tag}', f'{tag[:-1]}-gzip"'):
        unchanged = again(world.client, path, known)
        assert (unchanged.status_code, unchanged.content) == (304, b""), known
        # 15.4.5: what a 200 would have had.
        assert unchanged.headers["cache-control"] == "public, no-cache"
        assert unchanged.headers["etag"].replace("-gzip", "") == tag
    for other in ('"x"', '""', f'"{tag[2:]}'):
        assert again(world.client, path, other).content == first.content
    for malformed in ("x", "**", tag[1:], ""):
        # RFC 9110, 5.5: what a recipient cannot read it may ignore.
        assert again(world.client, path, malformed).status_code == 200, malformed
    head = world.client.head(path, headers={**PLAIN, "If-None-Match": tag})
    assert (head.status_code, head.content) == (304, b"")


def test_a_report_has_a_tag_until_what_is_answered_of_it_changes(place: Place, world: World) -> None:
    report = place.recorded()["report"]["id"]
    path = f"{place.base}/reports/{report}"
    read = world.operator.get(path)
    assert again(world.operator, path, read.headers["etag"]).status_code == 304
    # A report is never changed, but the standing that is answered with it is.
    place.recorded(check=0.2)
    changed = again(world.operator, path, read.headers["etag"])
    assert (changed.status_code, changed.json()["standing"]["status"]) == (200, "failed")
    # Only who may read it learns whether it has changed.
    assert again(world.client, path, changed.headers["etag"]).status_code == 401


def test_a_record_is_read_again_by_its_version(place: Place, world: World) -> None:
    for path in (place.base, f"{place.base}/assemblies/{place.assembly}", f"{place.base}/gauges/{place.gauge}"):
        tag = world.operator.get(path).headers["etag"]
        assert again(world.operator, path, tag).status_code == 304
        name = (
            {"name": "Renamed"}
            if path == place.base
            else {"in_service": False}
            if "assemblies" in path
            else {"serial_number": "G-2"}
        )
        world.operator.patch(path, json=name, headers={"If-Match": tag}).raise_for_status()
        assert again(world.operator, path, tag).status_code == 200
