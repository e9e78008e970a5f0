"""How a problem is answered: problem details (RFC 9457), the only place that maps an error to a status, headers and a body."""

from collections.abc import Mapping
from typing import Final

import msgspec
from msgspec import UNSET, Struct, UnsetType

from service.problems import KINDS, LONGEST_TEXT, MOST_FAULTS, Fault, ProblemError, cut

MEDIA_TYPE: Final = "application/problem+json"
MOST_BYTES: Final = 64 * 1024
"""No problem is larger than this."""


class Problem(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The body of an error answer (RFC 9457)."""

    type: str
    """The path of the page that explains this kind of problem."""
    title: str
    """The kind of problem in words."""
    status: int
    """The HTTP status."""
    detail: str
    """What is wrong and what to do, as a sentence."""
    code: str
    """What is wrong: a code from `GET /v1/codes`, under `faults`."""
    parameters: dict[str, str | int | float | list[str]] | UnsetType = UNSET
    """The values in `detail`, by the names they have in the text at `GET /v1/codes`; only where `errors` is missing."""
    instance: str = ""
    """The path of the request."""
    errors: list[Fault] = []
    """The faults of the request."""
    more: bool = False
    """Whether there are more faults than are listed."""


class RefusedByFrameworkError(ProblemError):
    """A refusal of the framework's own, with the headers that it gave, such as `Allow`."""

    def __init__(self, cause: Fault, headers: Mapping[str, str]) -> None:
        super().__init__(cause)
        self.headers = headers


def status_of(error: ProblemError) -> int:
    """The HTTP status of a problem."""
    return KINDS[error.code].status


def headers_of(error: ProblemError) -> dict[str, str]:
    """The headers of its answer: when to try again (RFC 9110, 10.2.3), the record's tag now, and with what to identify oneself (11.6.1)."""
    headers = dict(error.headers) if isinstance(error, RefusedByFrameworkError) else {}
    if error.wait is not None:
        headers["Retry-After"] = str(max(1, round(error.wait)))
    if error.current_version is not None:
        headers["ETag"] = f'"{error.current_version}"'
    if error.code == "unauthenticated":
        headers["WWW-Authenticate"] = 'Bearer realm="nonreturn"'
    return headers


def body_of(error: ProblemError, instance: str) -> bytes:
    """The problem as JSON, at most MOST_BYTES of it; `instance` is the path of the request."""
    kind = KINDS[error.code]
    problem = Problem(
        type=f"/problems/{error.code}",
        title=kind.title,
        status=kind.status,
        detail=cut(error.detail, LONGEST_TEXT),
        code=error.cause.code,
        parameters=UNSET if error.faults else error.cause.parameters,
        instance=cut(instance, LONGEST_TEXT),
        errors=list(error.faults[:MOST_FAULTS]),
        more=error.more or len(error.faults) > MOST_FAULTS,
    )
    while len(encoded := msgspec.json.encode(problem)) > MOST_BYTES:
        # A hundred long sentences, or characters that JSON writes with six.
        problem = msgspec.structs.replace(problem, errors=problem.errors[: len(problem.errors) // 2], more=True)
    return encoded
