"""Answers compressed for callers that take gzip (RFC 9110, 12.5.3).

Ours rather than the framework's: that one holds back the lines of a stream until it ends, compresses answers that hold secrets, and leaves
their entity tags as they were. An answer that must not be stored holds a secret, and is never compressed: its length would give the secret
away to somebody who can make the caller send guesses. A record with a version is small, and is sent as it is, so that its tag stays its
version.
"""

import asyncio
import re
import time
import zlib
from typing import Any, Final

from litestar.types import ASGIApp, Message, Receive, Send

from service.http.callers import caller
from service.http.preconditions import GZIP

SMALLEST: Final = 1024
"""An answer shorter than this, in bytes, is sent as it is: it fits a packet anyway."""
LARGE: Final = 64 * 1024
"""An answer longer than this, in bytes, is compressed beside the event loop."""
_LEVEL: Final = 1
_GZIP_FORMAT: Final = 31
_TAKES: Final = re.compile(rb"(?:^|,)[ \t]*gzip[ \t]*(?:;[ \t]*q=([01](?:\.\d{0,3})?)[ \t]*)?(?=,|$)", re.IGNORECASE)
_TEXTS: Final = re.compile(
    rb"text/|application/(?:[a-z.-]+\+)?json|application/(?:x-ndjson|openmetrics-text)|image/svg", re.IGNORECASE
)
_VERSION: Final = re.compile(rb'"\d+"')


class Compressed:
    """The application inside, with its answers compressed where the caller takes that and it is worth it."""

    def __init__(self, inside: ASGIApp) -> None:
        self._inside = inside

    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:
        """Answer one request, or pass on what is none."""
        if scope["type"] == "http" and _takes_gzip(scope["headers"]):
            await self._inside(scope, receive, _Compressor(send).send)
        else:
            await self._inside(scope, receive, send)


class _Compressor:
    """Sends one answer on; its head waits for the first part of its body, which says how long it is."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self._start: Any = None
        self._stream: Any = None

    async def send(self, message: Message) -> None:
        """Send the next message of the answer."""
        part: Any = message
        if part["type"] == "http.response.start":
            self._start = part
            return
        if part["type"] != "http.response.body":
            await self._send(part)
            return
        body, more = part.get("body", b""), part.get("more_body", False)
        if self._start is not None:
            start, self._start = self._start, None
            if _worth_it(start, body, more=more):
                if more:
                    self._stream = zlib.compressobj(_LEVEL, zlib.DEFLATED, _GZIP_FORMAT)
                else:
                    body = await _compress(body)
                start["headers"] = _headers(start["headers"], None if more else len(body))
            await self._send(start)
        if self._stream is not None:
            # Each piece goes out whole: the caller may wait for it before sending more.
            body = self._stream.compress(body) + self._stream.flush(zlib.Z_SYNC_FLUSH if more else zlib.Z_FINISH)
        part["body"] = body
        await self._send(part)


async def _compress(body: bytes) -> bytes:
    if len(body) <= LARGE:
        return zlib.compress(body, _LEVEL, _GZIP_FORMAT)
    return await asyncio.to_thread(_measured, body)


def _measured(body: bytes) -> bytes:
    """The body compressed, with the time that it took added to the caller's."""
    begun = time.thread_time()
    try:
        return zlib.compress(body, _LEVEL, _GZIP_FORMAT)
    finally:
        caller.get().seconds += time.thread_time() - begun


def _takes_gzip(headers: Any) -> bool:
    given = next((value for name, value in headers if name == b"accept-encoding"), b"")
    found = _TAKES.search(given) if given else None
    return found is not None and float(found[1] or 1) > 0


def _worth_it(start: Any, body: bytes, *, more: bool) -> bool:
    if not more and len(body) < SMALLEST:
        return False
    text = False
    for name, value in start["headers"]:
        if name == b"content-type":
            text = _TEXTS.match(value) is not None
        elif name == b"content-encoding" or _keeps_plain(name, value):
            return False
    return text


def _keeps_plain(name: bytes, value: bytes) -> bool:
    """Whether this header is that of a secret, or of a record with a version."""
    return (name == b"cache-control" and b"no-store" in value) or (name == b"etag" and _VERSION.fullmatch(value) is not None)


def _headers(headers: Any, length: int | None) -> list[tuple[bytes, bytes]]:
    """The headers of a compressed answer: another length, another tag, and a note for caches."""
    changed = [(b"content-encoding", b"gzip")]
    vary = [b"accept-encoding"]
    for name, value in headers:
        if name == b"etag":
            changed.append((name, value[:-1] + GZIP.encode() + b'"'))
        elif name == b"vary":
            vary.insert(0, value)
        elif name != b"content-length":
            changed.append((name, value))
    changed.append((b"vary", b", ".join(vary)))
    return changed if length is None else [*changed, (b"content-length", b"%d" % length)]
