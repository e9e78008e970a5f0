"""Answers are compressed for callers that take gzip, but never one that holds a secret; Python's `gzip` reads what was sent."""

import gzip
import http.client
import json
import zlib
from urllib.parse import urlsplit
from uuid import uuid4

import pytest

from service.http.compression import SMALLEST
from service.secrets import Secret
from tests.support.databases import Database
from tests.support.world import Place, World, bearer, world_in


def raw(world: World, path: str, accepts: str, **headers: str) -> tuple[http.client.HTTPResponse, bytes]:
    """An answer as its bytes came."""
    parts = urlsplit(world.url)
    connection = http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=10)
    try:
        connection.request("GET", path, headers={"Accept-Encoding": accepts, **headers})
        answer = connection.getresponse()
        return answer, answer.read()
    finally:
        connection.close()


# RFC 9110, 12.5.3 and 12.4.2: names without regard to case, weights, and q=0 for what is not taken.
@pytest.mark.parametrize(
    ("accepts", "compressed"),
    [
        ("gzip", True),
        ("br, GZIP;q=0.2", True),
        ("deflate,gzip ; q=1.000,br", True),
        ("identity", False),
        ("gzip;q=0", False),
        ("br, gzip;q=0.000", False),
        ("x-gzipped", False),
        ("", False),
    ],
)
@pytest.mark.parametrize("path", ["/v1/assembly-kinds", "/openapi.json", "/docs"])
def test_an_answer_is_compressed_for_who_takes_gzip(world: World, path: str, accepts: str, *, compressed: bool) -> None:
    _, plain = raw(world, path, "identity")
    answer, body = raw(world, path, accepts)
    assert int(answer.headers["content-length"]) == len(body)
    assert (answer.headers["content-encoding"] == "gzip") is compressed
    if compressed:
        assert gzip.decompress(body) == plain
        assert len(body) < len(plain) / 2
        assert "accept-encoding" in answer.headers["vary"].lower()
        # RFC 9110, 8.8.3: another representation, so another strong tag; with it nothing is sent again.
        assert answer.headers["etag"].endswith('-gzip"')
        unchanged, nothing = raw(world, path, accepts, **{"If-None-Match": answer.headers["etag"]})
        assert (unchanged.status, nothing) == (304, b"")
    else:
        assert body == plain


def test_what_is_small_goes_as_it_is(world: World) -> None:
    answer, body = raw(world, "/healthz", "gzip")
    assert len(body) < SMALLEST
    assert answer.headers["content-encoding"] is None


def test_no_answer_with_a_secret_is_compressed(place: Place, world: World) -> None:
    # BREACH: where a secret and what somebody else chose are compressed together, the length gives the secret away.
    long = "L" * 200
    path = f"/v1/organisations/{place.organisations['utility']}/keys"
    made = world.operator.post(path, json={"label": long}, headers={"Accept-Encoding": "gzip"})
    assert made.json()["key"]
    assert "content-encoding" not in made.headers
    listed = world.operator.get(path, headers={"Accept-Encoding": "gzip"})
    assert "nonreturn_" not in listed.text


def test_a_webhook_secret_is_not_compressed(database: Database) -> None:
    with world_in(database, webhook_key=Secret(b"k" * 32), deliver=False) as world:
        hook = {"url": "https://hooks.example/" + "in" * 600}
        made = world.operator.post(f"{world.place().base}/webhooks", json=hook, headers={"Accept-Encoding": "gzip"})
        assert made.status_code == 201, made.text
        assert made.json()["secret"]
        assert len(made.content) > SMALLEST
        assert "content-encoding" not in made.headers
        world.close()


def test_the_lines_of_a_batch_are_answered_one_by_one(place: Place, world: World) -> None:
    # Whoever waits for each answer before it sends the next line would wait for ever for one that is held back to be compressed.
    parts = urlsplit(world.url)
    connection = http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=10)
    connection.putrequest("POST", f"{place.base}/reports/batches", skip_accept_encoding=True)
    headers = {"Accept-Encoding": "gzip", "Content-Type": "application/x-ndjson", "Transfer-Encoding": "chunked"}
    for name, value in (headers | bearer(place.keys["utility"])).items():
        connection.putheader(name, value)
    connection.endheaders()
    stream, text, answer = zlib.decompressobj(31), b"", None
    for number in (1, 2, 3):
        line = json.dumps({**place.report(), "id": str(uuid4())}).encode() + b"\n"
        connection.send(b"%x\r\n%s\r\n" % (len(line), line))
        if answer is None:
            answer = connection.response_class(connection.sock, method="POST")
            answer.begin()
            assert answer.headers["content-encoding"] == "gzip"
        while text.count(b"\n") < number:
            text += stream.decompress(answer.read1())
    connection.send(b"0\r\n\r\n")
    assert answer is not None
    text += stream.decompress(answer.read())
    connection.close()
    assert stream.eof
    assert [(result["line"], result["status"]) for result in map(json.loads, text.splitlines())] == [(1, 201), (2, 201), (3, 201)]
