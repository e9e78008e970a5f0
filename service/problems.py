"""The kinds of problems, the faults in a request, and the texts of both. How they are answered: service/http/problem_details.py.

The texts are data: `texts/problems.toml` has the status, title and advice of each kind, `texts/faults.toml` the kind and the text of each
fault. A fault is a code with parameters, and its text is rendered from them; no other module writes the text of a problem.
"""

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from string import Formatter
from typing import Any, Final

import msgspec
from msgspec import UNSET, Struct, UnsetType

from rules import RulesError, refusal_texts

MOST_FAULTS: Final = 100
"""A problem lists at most this many faults; `more` says that there are others."""
LONGEST_NAME: Final = 200
LONGEST_TEXT: Final = 1000
"""A name, and a sentence, that came with a request are repeated up to this many characters."""

Value = str | int | float | Sequence[str]
"""What a parameter of a fault may be."""


def cut(name: str, longest: int = LONGEST_NAME) -> str:
    """The text, shortened if it is too long to repeat."""
    return name if len(name) <= longest else f"{name[: longest - 1]}…"


class ProblemKind(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A kind of problem: its status, its title, and the advice on its page."""

    status: int
    title: str
    advice: str


class FaultKind(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A kind of fault: the problem that it causes, and its text with `{parameters}`."""

    problem: str
    text: str


def _read(name: str, shape: Any) -> Any:
    return msgspec.convert(tomllib.loads((Path(__file__).parent / "texts" / name).read_text(encoding="utf-8")), shape)


KINDS: Final[dict[str, ProblemKind]] = _read("problems.toml", dict[str, ProblemKind])
"""Every kind of problem, by its code."""
FAULT_KINDS: Final[dict[str, FaultKind]] = _read("faults.toml", dict[str, FaultKind]) | {
    code: FaultKind(problem="not-applicable", text=text) for code, text in refusal_texts().items()
}
"""Every kind of fault, by its code."""
_TYPES: Final[dict[str, dict[str, str]]] = _read("types.toml", dict[str, dict[str, str]])


class Fault(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One thing wrong with a request: what it is, where it is, and what to send instead."""

    code: str
    """What is wrong: a code from `GET /v1/codes`, under `faults`."""
    detail: str
    """What is wrong and what to send instead, as a sentence."""
    pointer: str | UnsetType = UNSET
    """Where the fault is in the request body: a JSON pointer (RFC 6901); empty for the whole body."""
    parameter: str | UnsetType = UNSET
    """The query or path parameter that the fault is in."""
    parameters: dict[str, str | int | float | list[str]] | UnsetType = UNSET
    """The values in the sentence, by the names they have in the text at `GET /v1/codes`."""


class ProblemError(Exception):
    """Raised anywhere in the service where something is not found, contradicts the record, is stale, unavailable and so on.

    `code` is the problem's kind, a key of KINDS; the answer's status follows from it in one place, service/http/problem_details.py.
    `wait`: after so many seconds the same may be tried again. `current_version`: that of the record which has changed.
    """

    def __init__(
        self,
        cause: Fault,
        faults: Sequence[Fault] = (),
        *,
        wait: float | None = None,
        current_version: int | None = None,
        kind: str = "",
        more: bool = False,
    ) -> None:
        super().__init__(cause.detail)
        self.code = kind or FAULT_KINDS[cause.code].problem
        self.detail = cause.detail
        self.cause = cause
        self.faults = faults
        self.wait = wait
        self.current_version = current_version
        self.more = more


def fault(
    code: str,
    /,
    *,
    pointer: str | UnsetType = UNSET,
    parameter: str | UnsetType = UNSET,
    **values: Value,
) -> Fault:
    """A fault at a place of the body (`pointer`) or in a query or path parameter; KeyError for a code that `faults.toml` lacks."""
    kept = {name: _shortened(value, LONGEST_TEXT // 2 if name == "error" else LONGEST_NAME) for name, value in values.items()}
    return Fault(
        code=code,
        detail=cut(render(code, kept), LONGEST_TEXT),
        pointer=pointer if pointer is UNSET else cut(pointer),
        parameter=parameter,
        parameters=kept or UNSET,
    )


def problem(
    code: str,
    /,
    *,
    pointer: str | UnsetType = UNSET,
    parameter: str | UnsetType = UNSET,
    wait: float | None = None,
    current_version: int | None = None,
    **values: Value,
) -> ProblemError:
    """The problem that one fault causes; `errors` lists the fault if it has a place."""
    cause = fault(code, pointer=pointer, parameter=parameter, **values)
    return ProblemError(
        cause, [] if pointer is UNSET and parameter is UNSET else [cause], wait=wait, current_version=current_version
    )


def rules_fault(error: RulesError) -> Fault:
    """One error of the rules as a fault, with its code and parameters."""
    values: Any = error.parameters
    return fault(error.code, pointer=error.pointer, **values)


def problem_of(faults: Sequence[Fault], *, kind: str = "", more: bool = False) -> ProblemError:
    """The problem of a request with these faults, of which there is at least one; `more` where others were not listed."""
    if len(faults) == 1 and not more:
        return ProblemError(faults[0], faults, kind=kind)
    cause = fault("more_faults" if more else "several_faults", count=len(faults))
    return ProblemError(cause, faults, kind=kind or FAULT_KINDS[faults[0].code].problem, more=more)


def not_found(thing: str) -> ProblemError:
    """The problem of a record that is missing or belongs to others: both get the same answer, so that neither is revealed."""
    return problem("thing_not_found", thing=thing)


def render(code: str, values: Mapping[str, Value]) -> str:
    """The text of a fault with its parameters filled in."""
    return _FORMATTER.vformat(FAULT_KINDS[code].text, (), values)


class _TextFormatter(Formatter):
    """Writes lists with commas, and types (`{expected:type}`) in words."""

    def format_field(self, value: Any, format_spec: str) -> Any:
        if format_spec in _TYPES:
            names = [value] if isinstance(value, str) else value
            return " or ".join(_TYPES[format_spec][name] for name in names)
        if isinstance(value, (list, tuple)):
            return ", ".join(f"`{name}`" for name in value)
        return format(value, format_spec or ".10g") if isinstance(value, float) else str(value)


_FORMATTER: Final = _TextFormatter()


def _shortened(value: Value, longest: int) -> str | int | float | list[str]:
    if isinstance(value, str):
        return cut(value, longest)
    return value if isinstance(value, (int, float)) else [cut(part) for part in value[:MOST_FAULTS]]
