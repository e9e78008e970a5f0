"""What holds for every request: its id, HEAD as RFC 9110 asks, no compressed bodies, an allowance a key, and lines that operators read."""

import asyncio
import json
import logging
import socket
import time
from collections.abc import Iterator
from typing import Any
from urllib.parse import unquote, urlsplit
from uuid import UUID

import pytest
from opentelemetry import trace
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter

from service.app import traced
from service.auth.rates import Rates
from service.http.edge import Lines, request_id
from service.problems import ProblemError
from service.settings import Settings
from tests.support.databases import Database
from tests.support.world import Place, World, world_in


@pytest.fixture
def lines() -> Iterator[list[logging.LogRecord]]:
    """What the service logs of its requests."""
    kept: list[logging.LogRecord] = []

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            record.facts["request_id"] = request_id.get()  # type: ignore[attr-defined]
            kept.append(record)

    log = logging.getLogger("nonreturn.requests")
    handler, level = Keep(), log.level
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    yield kept
    log.removeHandler(handler)
    log.setLevel(level)


def test_every_answer_carries_an_id_of_its_own(world: World) -> None:
    ids = {world.client.get(path).headers["x-request-id"] for path in ("/healthz", "/healthz", "/nothing-here", "/v1/utilities")}
    assert len(ids) == 4
    assert {UUID(one).version for one in ids} == {7}


def test_the_callers_id_is_kept_where_it_is_a_plain_word(world: World) -> None:
    assert world.client.get("/healthz", headers={"X-Request-Id": "round-7.a"}).headers["x-request-id"] == "round-7.a"
    for odd in ("a b", "x" * 65, "<script>", '"', "a;b"):
        assert UUID(world.client.get("/healthz", headers={"X-Request-Id": odd}).headers["x-request-id"])


def test_a_request_is_logged_once_and_names_no_key(place: Place, lines: list[logging.LogRecord]) -> None:
    answer = place.get("/premises", limit=1)

    def reported_of_it() -> list[dict[str, Any]]:
        # A line is written once its answer is on the way, so those of the requests before may come in late.
        return [one for one in map(json.loads, map(Lines().format, lines)) if one["request_id"] == answer.headers["x-request-id"]]

    deadline = time.monotonic() + 5
    while not reported_of_it() and time.monotonic() < deadline:
        time.sleep(0.01)
    [result] = reported_of_it()
    assert (result["method"], result["path"], result["status"]) == ("GET", f"{place.base}/premises", 200)
    assert place.keys["utility"] not in json.dumps(result)
    assert "limit" not in result["path"]


def test_a_failure_is_one_line_with_its_trace() -> None:
    try:
        int("two\nlines")
    except ValueError as error:
        record = logging.LogRecord(
            "nonreturn", logging.ERROR, "", 0, "%s failed", ("GET",), (type(error), error, error.__traceback__)
        )
    line = Lines().format(record)
    assert "\n" not in line
    assert json.loads(line)["trace"].startswith("Traceback")


@pytest.mark.parametrize("path", ["/healthz", "/v1/rulebooks", "/docs", "/openapi.json", "/problems/malformed"])
def test_head_is_get_without_the_body(world: World, path: str) -> None:
    plain = {"Accept-Encoding": "identity"}
    whole, head = world.client.get(path, headers=plain), world.client.head(path, headers=plain)
    assert (head.status_code, head.content) == (200, b"")
    # RFC 9110, 9.3.2: the same header fields as GET.
    assert head.headers["content-length"] == str(len(whole.content))
    assert head.headers["content-type"] == whole.headers["content-type"]


def test_head_states_no_more_than_get(place: Place) -> None:
    assert place.world.client.head(f"{place.base}/premises").status_code == 401
    assert place.world.client.head("/v1/rules/verdict").status_code == 405


@pytest.mark.parametrize("coding", ["gzip", "br", "deflate", "x-unknown"])
def test_a_compressed_body_is_refused_unread(world: World, coding: str) -> None:
    answer = world.client.post(
        "/v1/rules/verdict", content=b"\x1f\x8b", headers={"Content-Encoding": coding, "Content-Type": "application/json"}
    )
    assert answer.status_code == 415
    assert answer.headers["content-type"] == "application/problem+json"
    assert "Content-Encoding" in answer.json()["detail"]


def test_a_body_that_trickles_in_is_not_waited_for(database: Database) -> None:
    with world_in(database, body_seconds=0.3) as world:
        address = urlsplit(world.url)
        with socket.create_connection((address.hostname, address.port), timeout=10) as connection:
            connection.sendall(
                b"POST /v1/rules/verdict HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 900\r\n\r\n{"
            )
            answer = b""
            while b"/problems/" not in answer and (more := connection.recv(65_536)):
                answer += more
        assert answer.startswith(b"HTTP/1.1 408 ")
        assert b"/problems/timeout" in answer


def test_a_key_that_sends_too_much_is_answered_with_when_to_come_back(database: Database) -> None:
    with world_in(database, rate=3.0) as world:
        world.operator.get("/v1/utilities")
        answers = [world.operator.get("/v1/utilities") for _ in range(30)]
        refused = [one for one in answers if one.status_code == 429]
        assert refused
        assert answers[0].status_code == 200
        assert refused[0].json()["type"] == "/problems/too-many-requests"
        assert int(refused[0].headers["retry-after"]) >= 1
        # Another caller is not kept waiting.
        assert world.client.get("/v1/rulebooks").status_code == 200


def spent(rates: Rates, key: str, moments: list[float]) -> list[bool]:
    """Which of the requests at those moments were let through."""
    listed = []
    for moment in moments:
        try:
            rates.spend(key, moment)
        except ProblemError:
            listed.append(False)
        else:
            listed.append(True)
    return listed


def test_an_allowance_is_saved_up_for_two_seconds_and_no_longer() -> None:
    rates = Rates(2.0)
    assert spent(rates, "a", [0, 0, 0, 0, 0]) == [True, True, True, True, False]
    assert spent(rates, "b", [0]) == [True]
    assert spent(rates, "a", [0.5, 0.5]) == [True, False]
    assert spent(rates, "a", [1000.0] * 5) == [True, True, True, True, False]
    assert spent(Rates(0), "a", [0] * 100) == [True] * 100


def test_requests_are_reported_to_opentelemetry_where_that_is_asked(database: Database) -> None:
    spans = InMemorySpanExporter()
    provider = TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(spans))
    trace.set_tracer_provider(provider)
    with world_in(database, telemetry=True) as world:
        world.client.get("/v1/rulebooks", headers={"traceparent": "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01"})
    servers = [one for one in spans.get_finished_spans() if one.kind is trace.SpanKind.SERVER]
    # The example of W3C Trace Context, section 3.2: the trace goes on under the caller's id.
    assert [f"{one.context.trace_id:032x}" for one in servers] == ["0af7651916cd43dd8448eb211c80319c"]


@pytest.mark.parametrize(
    "path", ["/receipts/water/MARK.7731", "/receipts/water/MARK.7731/report.pdf", "/Receipts/water/MARK%2e7731/x"]
)
def test_a_receipts_mark_is_in_no_span(path: str) -> None:
    spans = InMemorySpanExporter()
    provider = TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(spans))

    async def answer(_scope: Any, _receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    app: Any = traced(answer)
    app.tracer = provider.get_tracer("test")
    scope = {
        "type": "http",
        "method": "GET",
        "path": unquote(path),
        "raw_path": path.encode(),
        "root_path": "",
        "headers": [],
        "query_string": b"",
        "scheme": "http",
        "http_version": "1.1",
        "server": ("127.0.0.1", 80),
        "client": ("127.0.0.1", 1),
    }

    async def nothing(*_: Any) -> Any:
        return {"type": "http.request", "body": b"", "more_body": False}

    asyncio.run(app(scope, nothing, nothing))
    [server] = [one for one in spans.get_finished_spans() if one.kind is trace.SpanKind.SERVER]
    assert any("/receipts/" in str(value).lower() for value in server.attributes.values())
    assert "7731" not in server.to_json()


@pytest.mark.parametrize("variables", [{"NONRETURN_LOG": "loud"}, {"NONRETURN_RATE": "many"}, {"NONRETURN_PORT": "x"}])
def test_a_setting_that_cannot_be_read_is_refused(variables: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=r"."):
        Settings.from_environment(variables)


def test_settings_are_what_the_environment_says() -> None:
    facts: dict[str, Any] = {"NONRETURN_LOG": "INFO", "NONRETURN_RATE": "12.5", "NONRETURN_TELEMETRY": "1"}
    read = Settings.from_environment(facts)
    assert (read.log, read.rate, read.telemetry) == ("info", 12.5, True)
