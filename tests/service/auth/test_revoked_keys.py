"""A key that is revoked, or whose utility is withdrawn, ends what it has under way: an open batch and an import, within seconds."""

import asyncio
import http.client
import json
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from typing import Any
from urllib.parse import urlsplit
from uuid import uuid4

import pytest

from service.imports.writing import Writer
from tests.service.imports.test_imports import SHEET
from tests.support.world import Place, bearer

SOON = 5.0
"""Seconds within which a key has ended, once what the gatekeeper remembers is out of date (the tests' clock says so)."""


def new_key(place: Place, kind: str) -> tuple[str, str]:
    """A key of its own for an organisation of the place, and the path under which it is revoked."""
    keys = f"/v1/organisations/{place.organisations[kind]}/keys"
    made = place.world.made(keys, label="to be revoked")
    return made["key"], f"{keys}/{made['id']}"


def revoked(place: Place, path: str, _kind: str) -> None:
    place.world.operator.delete(path).raise_for_status()


def withdrawn(place: Place, _path: str, kind: str) -> None:
    place.world.operator.delete(f"{place.base}/grants/{place.organisations[kind]}").raise_for_status()


ENDINGS = [(revoked, 401), (withdrawn, 404)]


class Sending:
    """A request whose body is held open."""

    def __init__(self, connection: http.client.HTTPConnection) -> None:
        self.connection = connection

    def send(self, data: bytes) -> None:
        """Send a piece of the body."""
        self.connection.send(f"{len(data):x}\r\n".encode() + data + b"\r\n")


@contextmanager
def sending(place: Place, path: str, key: str, **headers: str) -> Iterator[Sending]:
    """A request to a path of the utility, its body to come."""
    address = urlsplit(place.world.url)
    with closing(http.client.HTTPConnection(str(address.hostname), address.port, timeout=20)) as connection:
        connection.putrequest("POST", place.base + path)
        for name, value in (bearer(key) | headers | {"Transfer-Encoding": "chunked"}).items():
            connection.putheader(name, value)
        connection.endheaders()
        yield Sending(connection)


@pytest.mark.parametrize(("end", "status"), ENDINGS)
def test_an_open_batch_ends(place: Place, end: Callable[..., None], status: int) -> None:
    key, path = new_key(place, "testing_company")
    headers = {"Content-Type": "application/x-ndjson"}
    with sending(place, "/reports/batches", key, **headers) as batch:
        batch.send(json.dumps({"id": str(uuid4()), **place.report()}).encode() + b"\n")
        answer = batch.connection.getresponse()
        assert json.loads(answer.readline())["status"] == 201
        end(place, path, "testing_company")
        place.world.clock.pass_by(seconds=6)
        started = time.monotonic()
        # Whether or not the sender goes on sending.
        last: dict[str, Any] = json.loads(answer.readline())
        assert (last["line"], last["status"], time.monotonic() - started < SOON) == (2, status, True)
        assert answer.readline() == b""


def test_a_batch_whose_key_is_valid_goes_on(place: Place) -> None:
    key, _ = new_key(place, "testing_company")
    with sending(place, "/reports/batches", key, **{"Content-Type": "application/x-ndjson"}) as batch:
        batch.send(json.dumps({"id": str(uuid4()), **place.report()}).encode() + b"\n")
        answer = batch.connection.getresponse()
        assert json.loads(answer.readline())["status"] == 201
        time.sleep(2.5)
        place.world.clock.pass_by(seconds=6)
        batch.send(json.dumps({"id": str(uuid4()), **place.report()}).encode() + b"\n")
        assert json.loads(answer.readline())["status"] == 201


@pytest.mark.parametrize(("end", "status"), ENDINGS)
def test_an_import_ends_while_its_file_is_sent(place: Place, end: Callable[..., None], status: int) -> None:
    key, path = new_key(place, "utility")
    with sending(place, "/imports", key, **{"Content-Type": "text/csv"}) as file:
        file.send(SHEET.encode()[:200])
        end(place, path, "utility")
        place.world.clock.pass_by(seconds=6)
        started = time.monotonic()
        assert (file.connection.getresponse().status, time.monotonic() - started < SOON) == (status, True)


@pytest.mark.parametrize("accept", ["application/json", "application/x-ndjson"])
def test_an_import_ends_between_two_lots_that_it_writes(place: Place, monkeypatch: pytest.MonkeyPatch, accept: str) -> None:
    key, path = new_key(place, "utility")
    create, written = Writer._create, list[str]()

    async def create_and_revoke(self: Writer, thing: str, staged: list[Any]) -> None:
        await create(self, thing, staged)
        written.append(thing)
        if len(written) == 1:
            await asyncio.to_thread(revoked, place, path, "utility")
            place.world.clock.pass_by(seconds=6)

    monkeypatch.setattr(Writer, "_create", create_and_revoke)
    before = place.world.database.count("assembly")
    headers = bearer(key) | {"Content-Type": "text/csv", "Accept": accept}
    answer = place.world.client.post(f"{place.base}/imports?dry_run=false", content=SHEET.encode(), headers=headers)
    if accept == "application/json":
        assert answer.status_code == 401
    else:
        lines = [json.loads(line) for line in answer.text.splitlines()]
        assert lines[-1]["problem"]["detail"].startswith("The import stopped here")
        assert not any("run" in line for line in lines)
    assert written == ["premises"]
    assert place.world.database.count("assembly") == before
