"""Everything that goes wrong, as problem details (RFC 9457). The only place where a fault gets its status code.

`type` is a page the service itself serves (`/problems/{code}`); `detail` says what to do; `errors` lists every fault of a bad
document with a JSON pointer (RFC 6901) to it.
"""

from typing import Final

import msgspec
from msgspec import Struct

MEDIA_TYPE: Final = "application/problem+json"
MOST_FAULTS: Final = 100
"""A problem lists so many faults at most; `more` says that there are others."""
MOST_BYTES: Final = 64 * 1024
"""No problem is larger."""
LONGEST_NAME: Final = 200
LONGEST_TEXT: Final = 1000
"""So many characters of a name, and of a sentence, that came with a request are repeated at most."""


def cut(name: str, longest: int = LONGEST_NAME) -> str:
    """The text, without its end where it is too long to repeat."""
    return name if len(name) <= longest else f"{name[: longest - 1]}…"


class Fault(Struct, frozen=True, kw_only=True):
    """One thing wrong with a document: where, and what to do about it."""

    pointer: str
    """Where the fault is: a JSON pointer (RFC 6901) into the body."""
    detail: str
    """What is wrong and what to send instead."""


class ProblemKind(Struct, frozen=True, kw_only=True):
    """A kind of problem: its status, its title, and the advice its page gives."""

    status: int
    title: str
    advice: str


KINDS: Final[dict[str, ProblemKind]] = {
    "malformed": ProblemKind(
        status=400,
        title="The request cannot be read",
        advice="Every fault found is listed under `errors`, each with a JSON pointer to where it stands. Mend all of them and send again; nothing was stored.",
    ),
    "unauthenticated": ProblemKind(
        status=401,
        title="A good access key is needed",
        advice="Send `Authorization: Bearer <key>` with a key that is neither expired nor revoked. The operator or the utility issues keys.",
    ),
    "forbidden": ProblemKind(
        status=403,
        title="This key may not do that",
        advice="The key is good but lacks the right. Ask whoever issued it for one that holds the right named in `detail`.",
    ),
    "not-found": ProblemKind(
        status=404,
        title="There is no such thing here",
        advice="Nothing of that address is known to this key. Check the utility's code and the id.",
    ),
    "method-not-allowed": ProblemKind(
        status=405, title="That cannot be done with this address", advice="The `Allow` header names the methods that serve here."
    ),
    "timeout": ProblemKind(
        status=408,
        title="The body did not arrive in time",
        advice="Nothing was stored. Send the whole body at once; retries are safe.",
    ),
    "conflict": ProblemKind(
        status=409,
        title="That contradicts what is recorded",
        advice="What is recorded stands. To correct a report, send a new one, with an id of its own, that names the wrong one under `supersedes`.",
    ),
    "stale": ProblemKind(
        status=412,
        title="The record has changed since you read it",
        advice="Read it again, look at what changed, and send the change with the new `ETag` in `If-Match`.",
    ),
    "too-large": ProblemKind(status=413, title="The body is too large", advice="Send less at once; `detail` names the limit."),
    "unsupported-media-type": ProblemKind(
        status=415, title="The body is of a kind not read here", advice="Send JSON with `Content-Type: application/json`."
    ),
    "not-applicable": ProblemKind(
        status=422,
        title="Well formed, but it cannot be answered",
        advice="The document reads well but asks what cannot be answered: a rulebook that is not carried or not in force on that day, a thing that is not registered. `errors` says which.",
    ),
    "match-required": ProblemKind(
        status=428,
        title="Say which version you change",
        advice="Read the record and send its `ETag` in `If-Match`, so that nobody's change is lost.",
    ),
    "too-many-requests": ProblemKind(
        status=429,
        title="Too many requests at once",
        advice="Send the same request again after the time in `Retry-After`. Many reports go better in one batch.",
    ),
    "record-altered": ProblemKind(
        status=500,
        title="The record was altered",
        advice="What is kept no longer fits the hash or the tree head made when it was recorded, so nothing is signed or proved of it. The operator runs `nonreturn audit`, which says what was altered.",
    ),
    "internal": ProblemKind(
        status=500,
        title="The service failed",
        advice="The fault is ours. Nothing was stored unless a later read shows it; it is safe to send the same request again.",
    ),
    "not-set-up": ProblemKind(
        status=503,
        title="This service is not set up for that",
        advice="The service works, but its operator has not given it what this call needs; `detail` says what.",
    ),
    "unavailable": ProblemKind(
        status=503,
        title="The service cannot answer just now",
        advice="Send the same request again after the time in `Retry-After`. Retries are safe.",
    ),
}


class Problem(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The body of an error answer."""

    type: str
    """The path of the page that explains this kind of problem."""
    title: str
    """The kind of problem in words."""
    status: int
    """The HTTP status."""
    detail: str
    """What is wrong here and what to do."""
    instance: str = ""
    """The path of the request."""
    errors: list[Fault] = []
    """The faults of the document."""
    more: bool = False
    """Whether there are more faults than are listed."""


class ProblemError(Exception):
    """Raised anywhere in the service to answer with a problem; `code` is a key of KINDS."""

    def __init__(
        self,
        code: str,
        detail: str,
        faults: list[Fault] | None = None,
        headers: dict[str, str] | None = None,
        *,
        more: bool = False,
    ) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail
        self.faults = faults or []
        self.headers = headers or {}
        self.more = more

    @property
    def status(self) -> int:
        """The HTTP status of this problem."""
        return KINDS[self.code].status

    def body(self, instance: str) -> bytes:
        """The problem as JSON, at most MOST_BYTES of it; `instance` is the path of the request."""
        kind = KINDS[self.code]
        problem = Problem(
            type=f"/problems/{self.code}",
            title=kind.title,
            status=kind.status,
            detail=cut(self.detail, LONGEST_TEXT),
            instance=cut(instance, LONGEST_TEXT),
            errors=[
                Fault(pointer=cut(fault.pointer), detail=cut(fault.detail, LONGEST_TEXT)) for fault in self.faults[:MOST_FAULTS]
            ],
            more=self.more or len(self.faults) > MOST_FAULTS,
        )
        while len(encoded := msgspec.json.encode(problem)) > MOST_BYTES:
            # A hundred long sentences, or characters that JSON writes with six.
            problem = msgspec.structs.replace(problem, errors=problem.errors[: len(problem.errors) // 2], more=True)
        return encoded


def not_found(what: str) -> ProblemError:
    """What is not there, and what belongs to others: the two are told alike, so that neither shows that it exists."""
    return ProblemError("not-found", f"There is no {what} of that address for this key.")
