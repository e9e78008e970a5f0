"""How a call is declared: once, as a function whose annotations are its contract.

    @operation("POST", "/v1/rules/verdict", id="judgeTest", summary="…", answers={200: Verdict})
    async def judge_test(call: Call, document: Test) -> Answer: …

A parameter `document` is the JSON body, `query` the query string, both decoded strictly into their structs; everything else a call
needs hangs on `call`. A call that `may_lag` reads from `call.reading`: a replica, where there is one that is near enough. From the same
annotations the published OpenAPI document is made, so that the two cannot part.
"""

import asyncio
import inspect
import math
import re
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from typing import Any, Literal, ParamSpec, TypeVar, get_args, get_type_hints
from urllib.parse import parse_qs, urlsplit
from uuid import UUID

import asyncpg
import msgspec
from litestar import Request, Response
from litestar.handlers import HTTPRouteHandler
from litestar.response import Stream
from litestar.response.base import ASGIResponse
from litestar.response.streaming import ASGIStreamingResponse
from litestar.types import Receive, Send
from msgspec import Struct
from msgspec.structs import replace

from service.auth.access import Principal, Right
from service.clock import Clock
from service.db.pool import Pool, seen_by
from service.db.replica import READ_SECONDS
from service.http.callers import caller
from service.http.documents import convert, decode
from service.http.files import AT_ONCE, FORMATS, LISTED, Table, is_page, pages, table_of, with_format
from service.http.media_types import CSV, JSON, NDJSON
from service.http.preconditions import IfMatch, known_tag, read_if_match, tag_of
from service.http.problem_details import status_of
from service.http.tables import as_csv, as_ndjson
from service.problems import LONGEST_NAME, ProblemError, not_found, problem
from service.services import Services

Method = Literal["GET", "POST", "PUT", "PATCH", "DELETE"]
AS_OF = "Record-As-Of"
KEY_SECONDS = 1.0
"""So often a key is looked at again while a request goes on; what the gatekeeper remembers comes on top."""
REVALIDATED = "public, no-cache"
"""Anyone may keep a published document, and asks whether it has changed before it is used again: what is in force must be right."""
LARGE_BODY = 16 * 1024
"""A body larger than this, in bytes, is decoded beside the event loop: no report is."""
P = ParamSpec("P")
T = TypeVar("T")
_MAX_AGE = re.compile(r"max-age=(\d{1,9})")
_MINIMAL = re.compile(r'(?:^|,)[ \t]*return[ \t]*=[ \t]*"?minimal"?[ \t]*(?=[;,]|$)', re.IGNORECASE)
MINIMAL = {"Preference-Applied": "return=minimal"}
"""The header of an answer with no more than the caller needs (RFC 7240, 3)."""


class Answer(Struct, frozen=True, kw_only=True):
    """What is sent back: a struct (or bytes, or a stream of them), its status, media type and headers."""

    body: Any = None
    status: int = 200
    media_type: str = JSON
    headers: dict[str, str] = {}
    reads_on: bool = False
    """Whether the body sent is still read while this answer is streamed."""


class Call:
    """One request: its path parameters, headers, and the parts of the service it may use."""

    __slots__ = ("_reading", "body", "principal", "request", "services")

    def __init__(
        self,
        request: Request[Any, Any, Any],
        services: Services,
        principal: Principal | None,
        body: bytes,
        reading: Pool | None = None,
    ) -> None:
        self.request = request
        self.services = services
        self.principal = principal
        self.body = body
        self._reading = reading

    @property
    def reading(self) -> Pool:
        """Where a call that may lag reads."""
        return self._reading or self.services.pool

    @property
    def clock(self) -> Clock:
        """The service's clock."""
        return self.services.clock

    @property
    def who(self) -> Principal:
        """Who asks; only a call that demands a right has one."""
        if self.principal is None:
            raise problem("key_invalid")
        return self.principal

    def header(self, name: str) -> str | None:
        """A request header, or None."""
        return self.request.headers.get(name)

    def chosen(self, offered: Sequence[str]) -> str:
        """Which of the offered media types the answer is to be: by `format`, else by `Accept`, else the first."""
        named = self.request.query_params.get("format")
        return FORMATS[named] if named in FORMATS else str(self.request.accept.best_match(list(offered), default=offered[0]))

    def prefers(self, media_type: str) -> bool:
        """Whether the caller would rather have this media type than JSON."""
        return self.request.accept.best_match([JSON, media_type], default=JSON) == media_type

    async def compute(self, work: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
        """What the work returns, which takes a while: computed beside the event loop; ProblemError `unavailable` where too much waits."""
        return await computing(self.services, self.principal, work, *arguments, **named)

    @property
    def utility(self) -> str:
        """The utility's code in the path."""
        return str(self.request.path_params["utility"])

    def id(self, name: str) -> UUID:
        """An id in the path."""
        return UUID(str(self.request.path_params[name]))

    def text(self, name: str) -> str:
        """A word in the path."""
        return str(self.request.path_params[name])

    async def pieces(self, *, slowest: float = math.inf) -> AsyncIterator[bytes]:
        """The body as it comes; ProblemError `timeout` for a slow caller, and `check_key`'s once the key may no longer do this.

        For each piece it has as long as for a whole body elsewhere. With `slowest` (bytes a second) a piece gives only as much time back
        as it is worth, so that nobody can keep at it for ever.
        """
        seconds = left = self.services.settings.body_seconds
        coming = aiter(self.request.stream())
        while True:
            start = time.monotonic()
            arriving = asyncio.ensure_future(anext(coming, None))
            try:
                while not arriving.done():
                    remaining = left - (time.monotonic() - start)
                    if remaining <= 0:
                        raise _late(seconds)
                    await asyncio.wait({arriving}, timeout=min(remaining, KEY_SECONDS))
                    await self.check_key()
            finally:
                arriving.cancel()
            piece = arriving.result()
            if piece is None:
                return
            left = seconds if slowest == math.inf else min(seconds, left - (time.monotonic() - start) + len(piece) / slowest)
            yield piece

    async def check_key(self) -> None:
        """ProblemError where the key that began this request was revoked, or its grant of the utility withdrawn, seconds ago.

        For calls that take long. A database that is away says nothing about the key.
        """
        try:
            principal = await self.services.gatekeeper.principal(self.header("authorization"))
        except ProblemError as error:
            if error.code == "unavailable":
                return
            raise
        if not principal.sees(self.utility):
            raise not_found("utility")

    def if_match(self) -> IfMatch:
        """Which versions of the record this change is meant for; ProblemError without an `If-Match`, or with a malformed one."""
        return read_if_match(self.header("if-match"))

    @property
    def wants_minimal(self) -> bool:
        """Whether the caller prefers an answer with no more than it needs (RFC 7240, 4.2)."""
        return _MINIMAL.search(self.header("prefer") or "") is not None


Function = Callable[..., Awaitable[Answer]]


class Operation(Struct, frozen=True, kw_only=True):
    """A declared call, as the router and the OpenAPI document read it."""

    method: Method
    path: str
    id: str
    summary: str
    description: str
    tag: str
    right: Right | None
    companies: bool
    answers: dict[int, Any]
    media_types: dict[int, tuple[str, ...]]
    takes: Any
    patches: Any
    answer_headers: tuple[str, ...]
    query: Any
    wants_query: bool
    request_headers: dict[str, str]
    body_media_type: str
    other_body_media_types: tuple[str, ...]
    line: Any
    answer_line: Any
    public: bool
    function: Function
    table: Table | None
    streams: bool
    may_lag: bool | Callable[[Any], bool]
    tagged_by_digest: bool
    minimal: Any
    tried: Any

    @property
    def is_tagged(self) -> bool:
        """Whether a good answer has an entity tag."""
        shapes = [getattr(shape, "__struct_fields__", ()) for shape in self.answers.values()]
        return self.tagged_by_digest or "ETag" in self.answer_headers or any("version" in members for members in shapes)

    async def answer(self, services: Services, request: Any) -> Answer:
        """What is answered to a request (the framework's, or one that has as much of it as is asked here); it is counted and timed."""
        start, status = time.perf_counter(), 500
        try:
            answer = await self._answer(services, request)
            if self.method == "GET":
                answer = self._unless_known(request, answer)
            status = answer.status
        except ProblemError as error:
            status = status_of(error)
            raise
        finally:
            services.metrics.answered(self.id, status, time.perf_counter() - start)
        return answer

    async def _answer(self, services: Services, request: Any) -> Answer:
        principal = None
        seen_by(None)
        if self.right is not None:
            principal = await services.gatekeeper.principal(request.headers.get("authorization"))
            utility = request.path_params.get("utility")
            services.rates.spend(principal.key_id, time.monotonic())
            principal.require(self.right, utility)
            if principal.company is not None and not self.companies:
                raise problem("not_for_testing_companies")
            seen_by(principal.company)
            if utility is not None and principal.kind == "operator":
                # The operator sees every utility there is, so whether there is one has to be asked.
                await services.registry.utility(utility)
        arguments: dict[str, Any] = {}
        if self.query is not None:
            arguments["query"] = convert(self.query, _single(request))
            if not self.wants_query:
                arguments.pop("query")
        body = b""
        if self.takes is not None:
            _check_media_type(request, self.body_media_type, *self.other_body_media_types)
            # A call that streams reads its body itself, line by line, while it answers.
            body = b"" if self.streams else await _body(request, services.settings.body_seconds)
            if self.takes is not bytes:
                if len(body) > LARGE_BODY:
                    arguments["document"] = await computing(services, principal, decode, self.takes, body)
                else:
                    arguments["document"] = decode(self.takes, body)
        if self.is_list and (media_type := Call(request, services, principal, body).chosen(LISTED)) != JSON:
            return await self._file(request, services, principal, arguments.get("query"), media_type)
        return await self._called(request, services, principal, body, arguments)

    async def _called(
        self, request: Any, services: Services, principal: Principal | None, body: bytes, arguments: dict[str, Any]
    ) -> Answer:
        if self.may_lag if isinstance(self.may_lag, bool) else self.may_lag(arguments["query"]):
            return await self._lagging(request, services, principal, arguments)
        return await self.function(Call(request, services, principal, body), **arguments)

    @property
    def is_list(self) -> bool:
        """Whether its answers are pages of a list that it does not make files of itself."""
        return self.media_types.get(200) == LISTED and is_page(self.answers.get(200))

    async def _file(self, request: Any, services: Services, principal: Principal | None, query: Any, media_type: str) -> Answer:
        """All pages of the list as one file, or as many items as the caller's `limit` says."""
        # A list without parameters is one page.
        left = query.limit if query is not None and "limit" in request.query_params else None

        async def asked(after: Any, size: int) -> Answer:
            seen_by(None if principal is None else principal.company)
            wanted = {} if query is None else {"query": replace(query, after=after, limit=size)}
            return await self._called(request, services, principal, b"", wanted)

        async def following(path: str, size: int) -> Any:
            after = parse_qs(urlsplit(path).query)["after"][0]
            return (await asked(convert(self.query, {"after": after}).after, size)).body

        first = await asked(getattr(query, "after", None), AT_ONCE if left is None else min(AT_ONCE, left))
        chunks = pages(first.body, left, following)
        headers = {name: value for name, value in first.headers.items() if name != "Link"} | {"Vary": "Accept"}
        if media_type == NDJSON:
            return Answer(body=as_ndjson(chunks), media_type=NDJSON, headers=headers)
        name = self.path.rstrip("/").rpartition("/")[2]
        table = self.table or table_of(_item_of(self.answers[200]))
        headers["Content-Disposition"] = f'attachment; filename="{name}.csv"'
        rows = ([table.row(item) for item in chunk] async for chunk in chunks)
        return Answer(body=as_csv(table.columns, rows), media_type=f"{CSV}; header=present", headers=headers)

    def _unless_known(self, request: Any, answer: Answer) -> Answer:
        """The answer with its tag; 304 without a body where the caller has it already (RFC 9110, 13.1.2)."""
        headers = answer.headers
        if self.tagged_by_digest and answer.status == 200 and not isinstance(answer.body, AsyncIterator):  # noqa: PLR2004
            body = content(answer)
            headers = {"ETag": tag_of(body), **({"Cache-Control": REVALIDATED} if self.right is None else {}), **headers}
            answer = msgspec.structs.replace(answer, body=body, headers=headers)
        known = request.headers.get("if-none-match")
        if known is None or "ETag" not in headers:
            return answer
        tag = known_tag(known, headers["ETag"])
        if tag is None:
            return answer
        kept = {name: value for name, value in headers.items() if name in ("Cache-Control", "Vary", AS_OF)}
        return Answer(status=304, media_type=answer.media_type, headers={**kept, "ETag": tag})

    def handler(self, services: Services) -> HTTPRouteHandler:
        """The router's handler for this call."""

        async def handle(request: Request[Any, Any, Any]) -> Response[Any] | Stream:
            return respond(await self.answer(services, request))

        # The framework reads these annotations itself; they stand here resolved.
        handle.__annotations__ = {"request": Request, "return": Response | Stream}
        # Each answer carries its own status; the router's is never used.
        limit: Any = {"request_max_body_size": None} if self.streams else {}
        return HTTPRouteHandler(
            self.path, http_method=[self.method], name=self.id, include_in_schema=False, status_code=200, **limit
        )(handle)

    async def _lagging(
        self, request: Request[Any, Any, Any], services: Services, principal: Principal | None, arguments: dict[str, Any]
    ) -> Answer:
        """The answer, with the moment by which everything that was answered is in it. What the replica refuses, the primary is asked."""
        source = services.reader.source(_oldest_wanted(request.headers.get("cache-control", "")))
        try:
            async with asyncio.timeout(None if source.pool is services.pool else READ_SECONDS):
                answer = await self.function(Call(request, services, principal, b"", source.pool), **arguments)
        except (ProblemError, asyncpg.PostgresError, TimeoutError) as error:
            if source.pool is services.pool:
                raise
            if isinstance(error, TimeoutError) or (isinstance(error, ProblemError) and error.code == "unavailable"):
                services.reader.lost()
            source = services.reader.primary()
            answer = await self.function(Call(request, services, principal, b"", source.pool), **arguments)
        as_of = source.as_of.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        return msgspec.structs.replace(answer, headers={**answer.headers, AS_OF: as_of})


async def computing(
    services: Services, principal: Principal | None, work: Callable[P, T], *arguments: P.args, **named: P.kwargs
) -> T:
    """What the work returns; callers with a key wait for one another only, those without for one another."""
    if principal is None:
        return await services.open_work.run(caller.get().address, work, *arguments, **named)
    return await services.work.run(principal.key_id, work, *arguments, **named)


def _oldest_wanted(cache_control: str) -> float:
    """How old an answer may be, in seconds, by the caller's own `Cache-Control` (RFC 9111, 5.2.1)."""
    if "no-cache" in cache_control.lower():
        return -math.inf
    found = _MAX_AGE.search(cache_control.lower())
    return math.inf if found is None else float(found[1])


class _DuplexResponse(ASGIStreamingResponse):
    """A streamed answer that leaves the incoming messages to whoever reads the body; there, too, it is learnt that the caller left."""

    async def send_body(self, send: Send, receive: Receive) -> None:  # noqa: ARG002 - the framework's own would eat the body
        await self._stream(send)


class _Duplex(Stream):
    """A stream out while the body is still streamed in."""

    def to_asgi_response(
        self, app: Any, request: Any, *, headers: dict[str, str] | None = None, encoded_headers: Any = None, **_more: Any
    ) -> ASGIResponse:
        """The answer, sent by a response of our own."""
        # The framework names its arguments, so they keep their names though they are not needed.
        del app, request
        body: Any = self.iterator
        return _DuplexResponse(
            iterator=body,
            status_code=self.status_code,
            media_type=self.media_type,
            content_length=0,
            headers={**(headers or {}), **self.headers},
            encoded_headers=encoded_headers,
        )


def content(answer: Answer) -> bytes:
    """The bytes of an answer that is not streamed."""
    return answer.body if isinstance(answer.body, bytes) else b"" if answer.body is None else msgspec.json.encode(answer.body)


def respond(answer: Answer) -> Response[Any] | Stream:
    """The framework's response for an answer."""
    if isinstance(answer.body, AsyncIterator):
        stream = _Duplex if answer.reads_on else Stream
        return stream(answer.body, status_code=answer.status, media_type=answer.media_type, headers=answer.headers)
    return Response(content(answer), status_code=answer.status, media_type=answer.media_type, headers=answer.headers)


def operation(
    method: Method,
    path: str,
    *,
    id: str,  # noqa: A002 - OpenAPI's own word
    summary: str,
    answers: dict[int, Any],
    tag: str = "records",
    right: Right | None = None,
    companies: bool = False,
    media_types: dict[int, tuple[str, ...]] | None = None,
    request_headers: dict[str, str] | None = None,
    body_media_type: str = JSON,
    other_body_media_types: tuple[str, ...] = (),
    patches: Any = None,
    answer_headers: tuple[str, ...] = (),
    line: Any = None,
    answer_line: Any = None,
    public: bool = True,
    streams: bool = False,
    may_lag: bool | Callable[[Any], bool] = False,
    table: Table | None = None,
    tagged_by_digest: bool = False,
    minimal: Any = None,
    tried: Any = None,
) -> Callable[[Function], Operation]:
    """Declare a call; see the head of this module. Only one that says `companies` is open to the keys of testing companies.

    One that says `may_lag` (or whose query makes it so) may be answered from a replica.
    `patches` is the shape that a merge patch in the body changes; `answer_headers` are those of a good answer that do not follow from its
    shape. `tagged_by_digest`: its tag is the digest of what is sent. `minimal` is the shape that is answered (or each line of it) where the
    caller prefers `return=minimal`, `tried` that of a dry run.
    `line` and `answer_line` are what each line of NDJSON is, coming and going. A call that answers pages
    gives all of them as a file too (service/http/files.py), whose rows are by `table`, else by the item's members.
    """
    if is_page(answers.get(200)):
        media_types = {200: LISTED} | (media_types or {})

    def declare(function: Function) -> Operation:
        hints = get_type_hints(function)
        parameters = inspect.signature(function).parameters
        declared = Operation(
            method=method,
            path=path,
            id=id,
            summary=summary,
            description=" ".join((inspect.getdoc(function) or "").split()),
            tag=tag,
            right=right,
            companies=companies,
            answers=answers,
            media_types=media_types or {},
            takes=hints.get("document") if "document" in parameters else None,
            patches=patches,
            answer_headers=answer_headers,
            query=_query(hints.get("query") if "query" in parameters else None, (media_types or {}).get(200, ())),
            wants_query="query" in parameters,
            table=table,
            request_headers=request_headers or {},
            body_media_type=body_media_type,
            other_body_media_types=other_body_media_types,
            line=line,
            answer_line=answer_line,
            public=public,
            function=function,
            streams=streams,
            may_lag=may_lag,
            tagged_by_digest=tagged_by_digest,
            minimal=minimal,
            tried=tried,
        )
        # What follows from the rest: preconditions wherever there is a tag, a preference wherever there is a choice.
        sent = {"Prefer": ""} if minimal is not None else {}
        sent |= {"If-None-Match": ""} if method == "GET" and declared.is_tagged else {}
        return msgspec.structs.replace(declared, request_headers={**declared.request_headers, **sent})

    return declare


def _query(shape: Any, offered: tuple[str, ...]) -> Any:
    """The shape of a call's query: with the format of the answer, where it may be a file."""
    return with_format(shape, offered) if CSV in offered else shape


def _item_of(page: Any) -> Any:
    return get_args(next(field.type for field in msgspec.structs.fields(page) if field.name == "items"))[0]


def _single(request: Request[Any, Any, Any]) -> dict[str, Any]:
    """The query as a flat dict; a parameter given twice is refused rather than half ignored."""
    values: dict[str, Any] = {}
    for name, value in request.query_params.multi_items():
        if name in values:
            raise problem("parameter_repeated", parameter=name[:LONGEST_NAME], name=name)
        values[name] = value
    return values


async def _body(request: Request[Any, Any, Any], seconds: float) -> bytes:
    """The whole body; a caller that trickles it in is not waited for."""
    try:
        async with asyncio.timeout(seconds):
            return await request.body()
    except TimeoutError:
        raise _late(seconds) from None


def _late(seconds: float) -> ProblemError:
    return problem("body_late", seconds=seconds)


def _check_media_type(request: Request[Any, Any, Any], *expected: str) -> None:
    given = (request.headers.get("content-type") or expected[0]).partition(";")[0].strip().lower()
    if given not in expected and not (expected[0].endswith("+json") and given == JSON):
        raise problem("media_type", expected=" or ".join(expected), found=given[:100])
