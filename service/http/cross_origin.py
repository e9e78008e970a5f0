"""Which pages of other origins may read an answer (the Fetch standard's CORS protocol).

What needs no key is for every page. A request with a key is answered only to pages of the origins that the operator names: no other page
may send `Authorization` (its preflight does not allow it), and none may read the answer. There are no cookies to send along.
"""

from typing import Any, Final

EXPOSED: Final = (
    b"Content-Disposition, Date, ETag, Link, Location, Preference-Applied, Record-As-Of, Retry-After, WWW-Authenticate, "
    b"X-Request-Id"
)
"""The headers that a page may read besides those that it always may."""
_OPEN: Final = b"Accept, Cache-Control, Content-Type, Idempotency-Key, If-Match, If-None-Match, Prefer, X-Request-Id"
_METHODS: Final = b"GET, HEAD, POST, PUT, PATCH, DELETE"
_PREFLIGHT_SECONDS: Final = b"7200"


def cross_origin_headers(scope: Any, origins: frozenset[str]) -> list[tuple[bytes, bytes]]:
    """The headers of an answer for a page of another origin; none where the request names no origin."""
    origin, keyed, asks = None, False, False
    for name, value in scope["headers"]:
        if name == b"origin":
            origin = value
        elif name == b"authorization":
            keyed = True
        elif name == b"access-control-request-method":
            asks = True
    if origin is None:
        return []
    headers = [(b"vary", b"Origin")]
    named = origin.decode("latin-1") in origins
    if not named and keyed:
        return headers
    headers.append((b"access-control-allow-origin", origin if named else b"*"))
    if scope["method"] == "OPTIONS" and asks:
        allowed = b"Authorization, " + _OPEN if named else _OPEN
        headers += [
            (b"access-control-allow-methods", _METHODS),
            (b"access-control-allow-headers", allowed),
            (b"access-control-max-age", _PREFLIGHT_SECONDS),
        ]
    else:
        headers.append((b"access-control-expose-headers", EXPOSED))
    return headers


def parse_origins(text: str) -> frozenset[str]:
    """Origins from a list with commas or spaces between; ValueError where one is none (RFC 6454, 7: scheme, host, perhaps a port)."""
    origins = frozenset(text.replace(",", " ").split())
    for origin in origins:
        scheme, _, host = origin.partition("://")
        if scheme not in ("http", "https") or not host or "/" in host or "*" in host:
            raise ValueError(f"NONRETURN_ORIGINS holds origins such as https://portal.example, not {origin!r}")
    return origins
