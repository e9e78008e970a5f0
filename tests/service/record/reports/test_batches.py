"""Batches over HTTP: an answer a line, in order; what is bad spoils only itself; sending again changes nothing."""

import asyncio
import errno
import http.client
import io
import json
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from uuid import uuid4

import httpx
import jsonschema
import pytest

from service.http.spool import IN_MEMORY, Spool
from tests.support.databases import Database
from tests.support.world import Place, World, bearer, world_in

NDJSON = "application/x-ndjson"


def send(place: Place, body: Any, key: str = "testing_company", media_type: str = NDJSON) -> httpx.Response:
    headers = bearer(place.keys[key]) | {"Content-Type": media_type}
    return place.world.client.post(f"{place.base}/reports/batches", content=body, headers=headers)


def answers(place: Place, lines: list[Any]) -> list[dict[str, Any]]:
    text = b"".join((line if isinstance(line, bytes) else json.dumps(line).encode()) + b"\n" for line in lines)
    answer = send(place, text)
    assert (answer.status_code, answer.headers["content-type"]) == (200, NDJSON)
    return [json.loads(line) for line in answer.text.splitlines()]


def test_each_line_is_answered_as_a_single_report_would_be(place: Place) -> None:
    ids = [str(uuid4()) for _ in range(3)]
    result = answers(place, [{**place.report(check=held), "id": one} for one, held in zip(ids, (1.8, 0.6, 1.2), strict=True)])
    assert [(one["line"], one["status"], one["id"]) for one in result] == [(n + 1, 201, one) for n, one in enumerate(ids)]
    assert [one["verdict"]["outcome"] for one in result] == ["pass", "fail", "pass"]
    for one in result:
        assert place.get(f"/reports/{one['id']}").json()["verdict"] == one["verdict"]
    assert result[-1]["standing"] == place.standing()


def test_a_bad_line_spoils_only_itself(place: Place, world: World) -> None:
    before = world.database.count("report")
    good, first, red, other, last = place.report(), *(str(uuid4()) for _ in range(4))
    lines = [
        {**good, "id": first},
        b"{",
        {**good, "id": red, "colour": "red", "units": {}},
        b"",
        {**good, "id": other, "assembly_id": str(uuid4())},
        b'{"remarks":"' + b"x" * 300_000 + b'"}',
        b"\xff\xfe",
        {**good, "id": last},
        good,
        {**good, "id": "7"},
        b'"id"',
    ]
    result = answers(place, lines)
    # What was refused is named by its id, so that its sender need not count lines.
    assert [(one["line"], one["status"], one.get("id")) for one in result] == [
        (1, 201, first),
        (2, 400, None),
        (3, 400, red),
        (5, 422, other),
        (6, 413, None),
        (7, 400, None),
        (8, 201, last),
        (9, 400, None),
        (10, 400, None),
        (11, 400, None),
    ]
    # Without an id a line that is sent again would be recorded twice.
    assert [fault["pointer"] for fault in result[7]["problem"]["errors"]] == ["/id"]
    assert {fault["pointer"] for fault in result[2]["problem"]["errors"]} == {"/colour", "/units/pressure"}
    assert result[3]["problem"]["type"] == "/problems/not-applicable"
    assert world.database.count("report") == before + 2


def test_a_batch_sent_again_changes_nothing(place: Place, world: World) -> None:
    lines = [{**place.report(check=1.2 + n / 100), "id": str(uuid4())} for n in range(70)]
    first = answers(place, lines)
    kept = [world.database.count(table) for table in ("report", "change")]
    again = answers(place, lines)
    assert {one["status"] for one in first} == {201}
    assert {one["status"] for one in again} == {200}
    assert [one["verdict"] for one in first] == [one["verdict"] for one in again]
    assert [world.database.count(table) for table in ("report", "change")] == kept
    # Within one batch too; and another content under the same id is that line's conflict.
    twice = {**place.report(check=1.3), "id": str(uuid4())}
    other = {**twice, "line_pressure": 63}
    assert [one["status"] for one in answers(place, [twice, twice, other])] == [201, 200, 409]


def test_a_single_report_and_a_line_with_the_same_id_are_one(place: Place) -> None:
    report_id, document = str(uuid4()), place.report()
    assert place.put(report_id, document).status_code == 201
    assert [one["status"] for one in answers(place, [{**document, "id": report_id}])] == [200]


def test_an_answer_comes_while_the_sender_still_sends(place: Place, world: World) -> None:
    """One connection, its body held open: the first line's answer is there before the second line is sent."""
    address = urlsplit(world.url)
    connection = http.client.HTTPConnection(str(address.hostname), address.port, timeout=20)
    try:
        connection.putrequest("POST", f"{place.base}/reports/batches")
        for name, value in (
            bearer(place.keys["testing_company"]) | {"Content-Type": NDJSON, "Transfer-Encoding": "chunked"}
        ).items():
            connection.putheader(name, value)
        connection.endheaders()

        def line(document: dict[str, Any]) -> None:
            data = json.dumps(document).encode() + b"\n"
            connection.send(f"{len(data):x}\r\n".encode() + data + b"\r\n")

        line({**place.report(), "id": str(uuid4())})
        answer = connection.getresponse()
        assert json.loads(answer.readline())["line"] == 1
        line({**place.report(check=0.6), "id": str(uuid4())})
        second = json.loads(answer.readline())
        assert (second["line"], second["verdict"]["outcome"]) == (2, "fail")
        connection.send(b"0\r\n\r\n")
        assert answer.read() == b""
    finally:
        connection.close()


@pytest.mark.slow
def test_a_batch_much_larger_than_a_body_may_be_goes_through_a_client_that_reads_last(place: Place, world: World) -> None:
    """More than the limit of a single body in, and more out than the sockets hold, from a client that sends all before it reads."""
    assemblies = [place.new_assembly("pvb") for _ in range(20)]
    lines = [
        json.dumps({**place.report(assembly_id=assemblies[n % 20]), "id": str(uuid4())}).encode() + b"\n" for n in range(1500)
    ]
    assert sum(map(len, lines)) > 2 * 256 * 1024
    answer = send(place, iter(lines))
    listed = [json.loads(line) for line in answer.text.splitlines()]
    assert len(answer.content) > 2_000_000
    assert [(one["line"], one["status"]) for one in listed] == [(n + 1, 201) for n in range(1500)]


def test_only_who_may_report_may_send_and_only_lines(place: Place) -> None:
    assert send(place, b"{}\n", key="regulator").status_code == 403
    for other in ("text/csv", "application/json", "text/plain", "application/merge-patch+json"):
        assert send(place, b"{}\n", media_type=other).status_code == 415, other
    empty = send(place, b"\n\n")
    assert (empty.status_code, empty.content) == (200, b"")


async def test_a_spool_gives_back_in_order_what_went_in_and_holds_little_in_memory() -> None:
    spool = Spool()
    pieces = [bytes([n % 256]) * 10_000 for n in range(100)]
    for piece in pieces[:60]:
        await spool.put(piece)
    read = await spool.get()
    assert len(read) <= IN_MEMORY + 10_000
    for piece in pieces[60:]:
        await spool.put(piece)
    spool.end()
    while more := await spool.get():
        read += more
    assert read == b"".join(pieces)
    spool.close()


@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n"])
def test_the_last_line_needs_no_end(place: Place, end: bytes) -> None:
    answer = send(place, json.dumps({**place.report(), "id": str(uuid4())}).encode() + end)
    assert [json.loads(line)["status"] for line in answer.text.splitlines()] == [201]


def test_the_contract_describes_a_line_and_its_answer(place: Place) -> None:
    contract = place.world.client.get("/openapi.json").json()
    call = contract["paths"]["/v1/utilities/{utility}/reports/batches"]["post"]
    coming, going = call["requestBody"]["content"][NDJSON]["schema"], call["responses"]["200"]["content"][NDJSON]["schema"]
    # JSON Schema 2020-12, 8.4 and 8.5: what media type a string holds, and the schema of that.
    assert [(one["type"], one["contentMediaType"]) for one in (coming, going)] == [("string", "application/json")] * 2
    line, answer = (
        jsonschema.Draft202012Validator({**one["contentSchema"], "components": contract["components"]}) for one in (coming, going)
    )
    good = place.report() | {"id": str(uuid4())}
    line.validate(good)
    assert not line.is_valid(good | {"colour": "red"})
    result = answers(place, [good, {"colour": "red"}])
    for one in result:
        answer.validate(one)
    assert not answer.is_valid({name: value for name, value in result[0].items() if name != "line"})


async def test_whoever_puts_into_a_full_spool_waits_until_some_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.http.spool.MOST", 100_000)
    spool = Spool()
    await spool.put(b"x" * IN_MEMORY)
    await spool.put(b"y" * 150_000)
    waiting = asyncio.ensure_future(spool.put(b"z"))
    await asyncio.sleep(0.05)
    assert not waiting.done()
    read = b""
    while len(read) < IN_MEMORY + 150_000:
        read += await spool.get()
    await asyncio.wait_for(waiting, 5)
    spool.end()
    while more := await spool.get():
        read += more
    assert read == b"x" * IN_MEMORY + b"y" * 150_000 + b"z"
    spool.close()


async def test_where_the_disk_takes_nothing_more_a_spool_waits_for_its_reader_and_loses_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No room in the temporary folder, or no such folder: answers go on, no faster than they are read."""
    tried = []

    def full(*_: Any, **__: Any) -> Any:
        tried.append(1)
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("service.http.spool.tempfile.TemporaryFile", full)
    spool = Spool()
    pieces = [bytes([n % 256]) * 10_000 for n in range(200)]

    async def put() -> None:
        for piece in pieces:
            await spool.put(piece)
        spool.end()

    putting = asyncio.create_task(put())
    read = b""
    while more := await asyncio.wait_for(spool.get(), 5):
        assert len(more) <= IN_MEMORY + 10_000
        read += more
        await asyncio.sleep(0)
    await putting
    assert tried
    assert read == b"".join(pieces)


async def test_a_file_that_takes_half_a_piece_is_written_over(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    class Filling(io.FileIO):
        room = 350_000

        def write(self, data: Any) -> int:
            left = max(0, self.room - self.tell())
            if not left:
                raise OSError(errno.ENOSPC, "No space left on device")
            return super().write(data[:left])

    monkeypatch.setattr("service.http.spool.tempfile.TemporaryFile", lambda **_: Filling(tmp_path / "spool", "w+"))
    spool = Spool()
    pieces = [bytes([n % 256]) * 30_000 for n in range(60)]

    async def put() -> None:
        for piece in pieces:
            await spool.put(piece)
        spool.end()

    putting = asyncio.create_task(put())
    await asyncio.sleep(0.05)
    assert not putting.done()
    read = b""
    while more := await asyncio.wait_for(spool.get(), 5):
        read += more
    await putting
    assert read == b"".join(pieces)
    spool.close()


def test_a_batch_whose_sender_falls_silent_is_answered_so_and_what_came_is_recorded(database: Database) -> None:
    with world_in(database, body_seconds=0.6) as world:
        place = world.place()
        address = urlsplit(world.url)
        ids = [str(uuid4()) for _ in range(2)]
        lines = b"".join(json.dumps({"id": one, **place.report()}).encode() + b"\n" for one in ids)
        connection = http.client.HTTPConnection(str(address.hostname), address.port, timeout=10)
        connection.putrequest("POST", f"{place.base}/reports/batches")
        for name, value in {
            **bearer(place.keys["testing_company"]),
            "Content-Type": NDJSON,
            "Transfer-Encoding": "chunked",
        }.items():
            connection.putheader(name, value)
        connection.endheaders()
        connection.send(b"%x\r\n%b\r\n" % (len(lines) + 5, lines + b'{"id"'))
        listed = [json.loads(line) for line in connection.getresponse().read().splitlines()]
        connection.close()
        assert [(one["line"], one["status"]) for one in listed] == [(1, 201), (2, 201), (3, 408)]
        assert listed[2]["problem"]["type"] == "/problems/timeout"
        assert all(place.get(f"/reports/{one}").status_code == 200 for one in ids)
