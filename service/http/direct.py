"""The short way in for reports, which come by the thousand: past the framework, to the same operation.

The framework's routing and its objects cost as much as judging a report. What comes as reports do (JSON whose length is stated and within
bounds, one of each header) is answered here; whatever is unusual in the least, and every other call, goes through the framework.
"""

import re
from collections.abc import Callable, Sequence
from typing import Any, Final

from litestar.datastructures import MultiDict
from litestar.types import ASGIApp, Receive, Scope, Send

from service.http.endpoint import Operation, content
from service.http.problem_details import MEDIA_TYPE, body_of, headers_of, status_of
from service.problems import ProblemError, problem
from service.services import Services

_READ = {b"authorization", b"content-type", b"content-length", b"idempotency-key", b"prefer"}
_PARTS = {"{utility:str}": "(?P<utility>[a-z0-9-]+)", "{id:uuid}": "(?P<id>[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})"}

Answering = Callable[[Exception, str, str], ProblemError]
"""The problem that an error is answered with, from the error, the method and the path."""


class Asked:
    """A request, as much of it as the operations here ask for."""

    query_params: Final = MultiDict[str]()
    """None: a request with a query goes through the framework."""

    def __init__(self, headers: dict[str, str], path_params: dict[str, str], receive: Receive) -> None:
        self.headers = headers
        self.path_params = path_params
        self._receive = receive

    async def body(self) -> bytes:
        """The whole body; ProblemError where the caller leaves in the middle of it."""
        pieces = []
        more = True
        while more:
            message: Any = await self._receive()
            if message["type"] != "http.request":
                raise problem("body_lost")
            pieces.append(message.get("body", b""))
            more = message.get("more_body", False)
        return b"".join(pieces)


class Direct:
    """Answers those operations, and passes on whatever else comes."""

    def __init__(self, inside: ASGIApp, services: Services, operations: Sequence[Operation], problem_for: Answering) -> None:
        self._inside = inside
        self._services = services
        self._problem_for = problem_for
        self._ways = [(operation.method, _pattern(operation.path), operation) for operation in operations]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or pass it on."""
        asked: Any = scope
        if asked["type"] == "http":
            for method, pattern, operation in self._ways:
                if (
                    asked["method"] == method
                    and not asked["query_string"]
                    and (found := pattern.fullmatch(asked["path"])) is not None
                ):
                    headers = self._headers(asked)
                    if headers is not None:
                        await self._answer(operation, asked, Asked(headers, found.groupdict(), receive), send)
                        return
        await self._inside(scope, receive, send)

    def _headers(self, scope: Any) -> dict[str, str] | None:
        """The headers that are read here; None where the framework had better look at them."""
        headers: dict[str, str] = {}
        for name, value in scope["headers"]:
            if name in _READ:
                text = name.decode("latin-1")
                if text in headers:
                    return None
                headers[text] = value.decode("latin-1")
        length = headers.get("content-length", "")
        plain = length.isascii() and length.isdigit() and len(length) < 10 and int(length) <= self._services.settings.body_limit  # noqa: PLR2004 - no such long number need be read
        return headers if plain and "content-type" in headers else None

    async def _answer(self, operation: Operation, scope: Any, asked: Asked, send: Send) -> None:
        try:
            answer = await operation.answer(self._services, asked)
            status, media_type, more, body = answer.status, answer.media_type, answer.headers, content(answer)
        except Exception as error:  # noqa: BLE001 - each is answered as what it is
            problem = self._problem_for(error, scope["method"], scope["path"])
            status, media_type, more, body = status_of(problem), MEDIA_TYPE, headers_of(problem), body_of(problem, scope["path"])
        headers = [(b"content-type", media_type.encode()), (b"content-length", b"%d" % len(body))]
        headers += [(name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in more.items()]
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": body, "more_body": False})


def _pattern(path: str) -> re.Pattern[str]:
    for part, pattern in _PARTS.items():
        path = path.replace(part, pattern)
    return re.compile(path)
