"""What every request and every answer passes, whatever they are about.

Each request gets an id (the asker's own `X-Request-Id`, where it is a plain word), which its answer and its log line carry. HEAD is
answered as GET without the body (RFC 9110, 9.3.2). A compressed body is refused unread, so that none can swell once inside; so is a
request that names no host, or two (RFC 9112, 3.2). Nothing that is logged here holds a key, a mark, a body or a query.
"""

import json
import logging
import re
import sys
import time
from contextvars import ContextVar
from typing import Any, Final

from litestar.types import ASGIApp, Message, Receive, Send

from service.clock import Clock
from service.metrics import Metrics
from service.problems import MEDIA_TYPE, ProblemError

request_id: ContextVar[str] = ContextVar("request_id", default="")
"""The id of the request that is being answered."""

log = logging.getLogger("nonreturn.requests")

_PLAIN: Final = re.compile(rb"[A-Za-z0-9._-]{1,64}")
# RFC 3986, 3.2.2 and 3.2.3: a registered name or an address, and perhaps a port.
_HOST: Final = re.compile(rb"(?:\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._~!$&'()*+,;=%-]*)(?::\d*)?")
# Duplicate and trailing slashes find no page, and are logged all the same.
_MARK: Final = re.compile(r"^(/+receipts/+[^/]*/+)[^/]+", re.IGNORECASE)
# On every answer: types are as told, and no page of ours is framed or tells where its reader came from.
_HEADERS: Final = ((b"x-content-type-options", b"nosniff"), (b"referrer-policy", b"no-referrer"))


class Edge:
    """The application as the server sees it: the one inside, and what holds for all requests around it."""

    def __init__(self, inside: ASGIApp, clock: Clock, metrics: Metrics) -> None:
        self._inside = inside
        self._clock = clock
        self._metrics = metrics

    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:
        """Answer one request, or pass on what is none."""
        if scope["type"] != "http":
            await self._inside(scope, receive, send)
            return
        headers = scope["headers"]
        given = next((value for name, value in headers if name == b"x-request-id"), b"")
        own = given if _PLAIN.fullmatch(given) else str(self._clock.new_id()).encode()
        token = request_id.set(own.decode())
        # The server, which sees its own scope, leaves out the body of an answer to HEAD.
        asked: Any = scope if scope["method"] != "HEAD" else {**scope, "method": "GET"}
        start, status = time.perf_counter(), 0

        async def answered(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                present = {name for name, _ in message["headers"]}
                more = [(b"x-request-id", own), *(one for one in _HEADERS if one[0] not in present)]
                message["headers"] = [*message["headers"], *more]
            await send(message)

        self._metrics.in_flight.inc()
        try:
            refused = _refusal(asked)
            if refused is None:
                await self._inside(asked, receive, answered)
            else:
                await _refuse(refused, asked, answered)
        finally:
            self._metrics.in_flight.dec()
            if log.isEnabledFor(logging.INFO):
                seconds = time.perf_counter() - start
                told = {"method": scope["method"], "path": path_to_log(scope["path"]), "status": status}
                log.info("answered", extra={"told": {**told, "ms": round(seconds * 1000, 2)}})
            request_id.reset(token)


def path_to_log(path: str) -> str:
    """A path as it is logged: without the mark of a receipt's page, which is all that its reader needs."""
    return _MARK.sub(r"\1…", path)


def _refusal(scope: Any) -> ProblemError | None:
    """What is wrong with a request's head, whatever it asks."""
    if "\0" in scope["path"]:
        return ProblemError("malformed", "The path has a NUL character (`%00`) in it; leave it out.")
    hosts = []
    for name, value in scope["headers"]:
        if name == b"host":
            hosts.append(value)
        elif (name == b"content-encoding" and value.lower() != b"identity") or (
            name == b"transfer-encoding" and value.strip().lower() != b"chunked"
        ):
            return ProblemError(
                "unsupported-media-type", "Compressed bodies are not read here; send it as it is, without `Content-Encoding`."
            )
    if (len(hosts) != 1 and scope["http_version"] == "1.1") or not all(map(_HOST.fullmatch, hosts)):
        return ProblemError("malformed", "Send one `Host` header that names a host, as HTTP/1.1 asks.")
    return None


async def _refuse(problem: ProblemError, scope: Any, send: Send) -> None:
    body = problem.body(scope["path"])
    headers = [(b"content-type", MEDIA_TYPE.encode()), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": problem.status, "headers": headers})
    await send({"type": "http.response.body", "body": body, "more_body": False})


class Lines(logging.Formatter):
    """A log record as one line of JSON: when, how grave, by which part, what, for which request, and the trace of a failure."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        told: dict[str, Any] = {
            "time": f"{self.formatTime(record, '%Y-%m-%dT%H:%M:%S')}.{int(record.msecs):03}Z",
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if request_id.get():
            told["request_id"] = request_id.get()
        told.update(getattr(record, "told", {}))
        if record.exc_info:
            told["trace"] = self.formatException(record.exc_info)
        return json.dumps(told, ensure_ascii=False, default=str)

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
