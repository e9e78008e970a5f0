"""The headers of requests and answers, as the contract describes them.

Which of them an answer carries follows from what is answered: a record with a version has an `ETag`, a page of a list a `Link`, a new
record a `Location`. The conformance test holds that no answer carries one that is not described.
"""

from typing import Any, Final

from service.http.endpoint import AS_OF, Operation

_TEXT: Final = {"type": "string"}
REQUEST: Final = {
    "If-Match": "The `ETag` of the record as you read it. "
    "Without it the change is refused (428); where the record has changed since, too (412). `*` changes whichever version is there.",
    "If-None-Match": "The `ETag` of what you have already: where it is unchanged, the answer is 304 without a body.",
    "Prefer": "`return=minimal` for an answer in brief (RFC 7240).",
    "Idempotency-Key": "A key of your own for this request, at most 200 visible ASCII characters. "
    "The same key with the same body gives the same answer again.",
}
RESPONSE: Final[dict[str, dict[str, Any]]] = {
    "X-Request-Id": {
        "description": "The request's id, as in the service's log: your own `X-Request-Id` where you sent one.",
        "schema": _TEXT,
    },
    "ETag": {
        "description": "What was answered, as an entity tag: send it in `If-None-Match` to read again, "
        "and a record's in `If-Match` to change it. A compressed answer has a tag of its own, which is taken as well.",
        "schema": _TEXT,
    },
    "Location": {"description": "The path of the record.", "schema": {"type": "string", "format": "uri-reference"}},
    "Preference-Applied": {"description": "`return=minimal` where the answer is in brief (RFC 7240).", "schema": _TEXT},
    "Cache-Control": {"description": "How long the answer may be used again (RFC 9111).", "schema": _TEXT},
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
_NOT_MODIFIED, _UNAUTHENTICATED, _STALE, _TOO_MANY, _UNAVAILABLE = 304, 401, 412, 429, 503


_A_TAG = '"3f0a9c51d2e84b7766a1c0ffee5d9b12"'
"""The tag of something that is there no longer."""


def request_header(name: str, pattern: str) -> dict[str, Any]:
    """A header that a call reads."""
    return {
        "name": name,
        "in": "header",
        "required": name == "If-Match",
        "description": REQUEST[name],
        "schema": {"type": "string", "pattern": pattern} if pattern else {"type": "string"},
        **({"example": _A_TAG} if name == "If-None-Match" else {}),
    }


def refusal_headers(status: int) -> dict[str, Any]:
    """The headers of a refusal with that status, the same for every call."""
    names = ["X-Request-Id"]
    names += ["WWW-Authenticate"] if status == _UNAUTHENTICATED else []
    names += ["ETag"] if status == _STALE else []
    names += ["Retry-After"] if status in (_TOO_MANY, _UNAVAILABLE) else []
    return {name: RESPONSE[name] for name in names}


def response_headers(declared: Operation, status: int, shape: Any) -> dict[str, Any]:
    """The headers of a good answer of that status and shape."""
    return {name: RESPONSE[name] for name in _names(declared, status, shape)}


def _names(declared: Operation, status: int, shape: Any) -> list[str]:
    members = getattr(shape, "__struct_fields__", ())
    names = ["X-Request-Id"]
    tagged = "version" in members or "ETag" in declared.answer_headers or declared.tagged_by_digest or status == _NOT_MODIFIED
    names += ["ETag"] if tagged else []
    names += ["Cache-Control"] if tagged and declared.tagged_by_digest and declared.right is None else []
    names += ["Preference-Applied"] if declared.minimal is not None else []
    names += ["Link"] if {"items", "next"} <= set(members) else []
    names += ["Location"] if status in (201, 202) or "Location" in declared.answer_headers else []
    names += [AS_OF] if declared.may_lag else []
    return names
