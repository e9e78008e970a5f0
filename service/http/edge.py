"""What every request and every answer passes, whatever they are about.

Each request gets an id (the caller's own `X-Request-Id`, where it is a plain word), which its answer and its log line carry. HEAD is
answered as GET without the body (RFC 9110, 9.3.2). A compressed body is refused unread, so that none can swell once inside; so is a
request that names no host, or two (RFC 9112, 3.2). What is computed for callers without a key is measured and counted by address: an
address
that has used up its allowance is answered 429. Nothing that is logged here holds a key, a mark, a body or a query.
"""

import asyncio
import json
import logging
import re
import sys
import time
from contextvars import ContextVar
from typing import Any, Final

from litestar.types import ASGIApp, Message, Receive, Send

from service.auth.rates import Allowances, too_many
from service.http.callers import Caller, Headers, Proxies, caller
from service.http.cross_origin import cross_origin_headers
from service.http.problem_details import MEDIA_TYPE, body_of, headers_of, status_of
from service.problems import ProblemError, problem
from service.services import Services

request_id: ContextVar[str] = ContextVar("request_id", default="")
"""The id of the request that is being answered."""

log = logging.getLogger("nonreturn.requests")

SAVED_SECONDS: Final = 10.0
"""For so long an address saves up what it does not use."""
HELD_SECONDS: Final = 1.0
RESERVED_SECONDS: Final = 0.05
"""So much is taken before a request is answered, and what it did not use is given back: many at once cannot all have the same allowance."""
REQUEST_SECONDS: Final = 0.0002
"""What a request costs besides what is measured: reading its head and sending its answer, in seconds of computing."""

_PROBES: Final = ("/healthz", "/readyz")
"""Held as the others, but always answered: whoever watches the service may share its address with a rude caller, and would restart it."""
_FORWARDED: Final = (b"forwarded", b"x-forwarded-for")
_PLAIN: Final = re.compile(rb"[A-Za-z0-9._-]{1,64}")
# RFC 3986, 3.2.2 and 3.2.3: a registered name or an address, and perhaps a port.
_HOST: Final = re.compile(rb"(?:\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._~!$&'()*+,;=%-]*)(?::\d*)?")
# Duplicate and trailing slashes find no page, and are logged all the same.
_MARK: Final = re.compile(r"^(/+receipts/+[^/]*/+)[^/]+", re.IGNORECASE)
# On every answer: types are as declared, and no page of ours is framed or reveals where its reader came from.
_HEADERS: Final = ((b"x-content-type-options", b"nosniff"), (b"referrer-policy", b"no-referrer"))


class Edge:
    """The application as the server sees it: the one inside, and what holds for all requests around it."""

    def __init__(self, inside: ASGIApp, services: Services) -> None:
        self._inside = inside
        self._services = services
        self._proxies = Proxies(services.settings.trusted_proxies)
        self._allowances = Allowances(services.settings.open_rate, saved=SAVED_SECONDS)
        self._warned = False

    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:
        """Answer one request, or pass on what is none."""
        if scope["type"] != "http":
            await self._inside(scope, receive, send)
            return
        headers = scope["headers"]
        given = next((value for name, value in headers if name == b"x-request-id"), b"")
        own = given if _PLAIN.fullmatch(given) else str(self._services.clock.new_id()).encode()
        token = request_id.set(own.decode())
        # The server, which sees its own scope, leaves out the body of an answer to HEAD.
        asked: Any = scope if scope["method"] != "HEAD" else {**scope, "method": "GET"}
        start, status = time.perf_counter(), 0

        async def answered(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                present = {name for name, _ in message["headers"]}
                more = [(b"x-request-id", own), *(header for header in _HEADERS if header[0] not in present)]
                message["headers"] = [*message["headers"], *more, *cross_origin_headers(scope, self._services.settings.origins)]
            await send(message)

        self._services.metrics.in_flight.inc()
        try:
            refused = _refusal(asked)
            if refused is not None:
                await _refuse(refused, asked, answered)
            elif self._known(headers):
                await self._inside(asked, receive, answered)
            else:
                await self._answer_openly(asked, receive, answered)
        finally:
            self._services.metrics.in_flight.dec()
            if log.isEnabledFor(logging.INFO):
                seconds = time.perf_counter() - start
                facts = {"method": scope["method"], "path": path_to_log(scope["path"]), "status": status}
                log.info("answered", extra={"facts": {**facts, "ms": round(seconds * 1000, 2)}})
            request_id.reset(token)

    def _known(self, headers: Headers) -> bool:
        """Whether a request has a key that was valid when it was last looked up, so that its allowance is the key's."""
        key = next((value for name, value in headers if name == b"authorization"), None)
        return key is not None and self._services.gatekeeper.knows(key.decode("latin-1"))

    async def _answer_openly(self, scope: Any, receive: Receive, send: Send) -> None:
        """Answer a request whose caller is known by its address only, within what that address may have."""
        who = Caller(self._address(scope))
        wait = self._allowances.wait(who.address, RESERVED_SECONDS, time.monotonic())
        if wait:
            # Held for a moment, with its connection, so that who sends the next request at once does not get busier with each refusal.
            await asyncio.sleep(min(wait, HELD_SECONDS))
            wait = self._allowances.wait(who.address, RESERVED_SECONDS, time.monotonic())
        if wait and scope["path"] not in _PROBES:
            await _refuse(too_many("address_busy", wait), scope, send)
            return
        self._allowances.charge(who.address, RESERVED_SECONDS, time.monotonic())
        token = caller.set(who)
        try:
            await who.measure(self._inside(scope, receive, send))  # type: ignore[arg-type]
        finally:
            caller.reset(token)
            self._allowances.charge(who.address, who.seconds + REQUEST_SECONDS - RESERVED_SECONDS, time.monotonic())

    def _address(self, scope: Any) -> str:
        peer = (scope.get("client") or ("",))[0]
        if (scheme := self._proxies.scheme(peer, scope["headers"])) is not None:
            scope["scheme"] = scheme
        if not self._warned and not self._proxies.trusts(peer) and any(name in _FORWARDED for name, _ in scope["headers"]):
            self._warned = True
            log.warning(
                "Requests come through a proxy that is not trusted; if it is yours, name it in NONRETURN_TRUSTED_PROXIES."
            )
        return self._proxies.address(peer, scope["headers"])


def path_to_log(path: str) -> str:
    """A path as it is logged: without the mark of a receipt's page, which is all that its reader needs."""
    return _MARK.sub(r"\1…", path)


def _refusal(scope: Any) -> ProblemError | None:
    """What is wrong with a request's head, whatever it asks."""
    if "\0" in scope["path"]:
        return problem("nul_in_path")
    hosts = []
    for name, value in scope["headers"]:
        if name == b"host":
            hosts.append(value)
        elif (name == b"content-encoding" and value.lower() != b"identity") or (
            name == b"transfer-encoding" and value.strip().lower() != b"chunked"
        ):
            return problem("body_compressed")
    if (len(hosts) != 1 and scope["http_version"] == "1.1") or not all(map(_HOST.fullmatch, hosts)):
        return problem("host_header")
    return None


async def _refuse(refused: ProblemError, scope: Any, send: Send) -> None:
    body = body_of(refused, scope["path"])
    headers = [(b"content-type", MEDIA_TYPE.encode()), (b"content-length", str(len(body)).encode())]
    headers += [(name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in headers_of(refused).items()]
    await send({"type": "http.response.start", "status": status_of(refused), "headers": headers})
    await send({"type": "http.response.body", "body": body, "more_body": False})


class Lines(logging.Formatter):
    """A log record as one line of JSON: when, how grave, by which part, what, for which request, and the trace of a failure."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        facts: dict[str, Any] = {
            "time": f"{self.formatTime(record, '%Y-%m-%dT%H:%M:%S')}.{int(record.msecs):03}Z",
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if request_id.get():
            facts["request_id"] = request_id.get()
        facts.update(getattr(record, "facts", {}))
        if record.exc_info:
            facts["trace"] = self.formatException(record.exc_info)
        return json.dumps(facts, ensure_ascii=False, default=str)

    converter = staticmethod(time.gmtime)


def write_logs(level: str) -> None:
    """Write log records of that level and above to standard error, a line of JSON each."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(Lines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level.upper())
    # The server's own loggers bring handlers of their own otherwise.
    for name in ("uvicorn", "uvicorn.error", "uvicorn.access", "asyncpg", "httpx", "httpcore"):
        other = logging.getLogger(name)
        other.handlers[:] = []
        other.propagate = True
        other.setLevel(max(root.level, logging.WARNING) if name in ("httpx", "httpcore") else logging.NOTSET)
