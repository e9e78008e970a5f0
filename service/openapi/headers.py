"""The headers of requests and answers, as the contract describes them.

Which of them an answer carries follows from what is answered: a record with a version has an `ETag`, a page of a list a `Link`, a new
record a `Location`. The conformance test holds that no answer carries one that is not described.
"""

from typing import Any, Final

from service.http.endpoint import AS_OF, Operation

_TEXT: Final = {"type": "string"}
REQUEST: Final = {
    "If-Match": "The `ETag` of the record as you read it. "
    "Without it, or with `*`, the change is refused (428); where the record has changed since, too (412).",
    "Idempotency-Key": "A key of your own for this request, at most 200 visible ASCII characters. "
    "The same key with the same body gives the same answer again.",
}
RESPONSE: Final[dict[str, dict[str, Any]]] = {
    "X-Request-Id": {
        "description": "The request's id, as in the service's log: your own `X-Request-Id` where you sent one.",
        "schema": _TEXT,
    },
    "ETag": {"description": "The version of the record; send it in `If-Match` with a change.", "schema": _TEXT},
    "Location": {"description": "The path of the record.", "schema": {"type": "string", "format": "uri-reference"}},
    "Link": {"description": 'The next page, with `rel="next"` (RFC 8288), where there is one.', "schema": _TEXT},
    "Retry-After": {
        "description": "Send the same request again after so many seconds.",
        "schema": {"type": "integer", "minimum": 0},
    },
    "WWW-Authenticate": {"description": "How to authenticate (RFC 6750).", "schema": _TEXT},
    AS_OF: {
        "description": (
            "The answer holds everything that was answered by this moment; it may come from a replica. Send "
            "`Cache-Control: no-cache` for the record as it is now, or `max-age=N` for one at most N seconds old."
        ),
        "schema": {"type": "string", "format": "date-time"},
    },
}
_UNAUTHENTICATED, _TOO_MANY, _UNAVAILABLE = 401, 429, 503


def request_header(name: str, pattern: str) -> dict[str, Any]:
    """A header that a call reads."""
    return {
        "name": name,
        "in": "header",
        "required": name == "If-Match",
        "description": REQUEST[name],
        "schema": {"type": "string", "pattern": pattern},
    }


def refusal_headers(status: int) -> dict[str, Any]:
    """The headers of a refusal with that status, the same for every call."""
    names = ["X-Request-Id"]
    names += ["WWW-Authenticate"] if status == _UNAUTHENTICATED else []
    names += ["Retry-After"] if status in (_TOO_MANY, _UNAVAILABLE) else []
    return {name: RESPONSE[name] for name in names}


def response_headers(declared: Operation, status: int, shape: Any) -> dict[str, Any]:
    """The headers of a good answer of that status and shape."""
    return {name: RESPONSE[name] for name in _names(declared, status, shape)}


def _names(declared: Operation, status: int, shape: Any) -> list[str]:
    members = getattr(shape, "__struct_fields__", ())
    names = ["X-Request-Id"]
    names += ["ETag"] if "version" in members or "ETag" in declared.answer_headers else []
    names += ["Link"] if {"items", "next"} <= set(members) else []
    names += ["Location"] if status in (201, 202) or "Location" in declared.answer_headers else []
    names += [AS_OF] if declared.may_lag else []
    return names
