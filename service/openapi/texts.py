"""What the contract says about each call: what it does, who may make it, what its answers mean, and what happens when it is sent again.

The texts of the calls are in `operations.toml`. Who may call follows from the rights, and what a refusal means from the kinds of problems.
"""

import tomllib
from pathlib import Path
from typing import Any, Final

import msgspec
from msgspec import Struct, field

from service.auth.access import RIGHTS_OF
from service.http.endpoint import Operation
from service.problems import KINDS


class CallText(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The text of a call; `again` for every call but GET; `answers` where the usual sentence for a status does not do."""

    text: str
    again: str = ""
    answers: dict[str, str] = field(default_factory=dict)


CALLS: Final = msgspec.convert(
    tomllib.loads(Path(__file__).with_name("operations.toml").read_text(encoding="utf-8")), dict[str, CallText]
)
"""The text of each call, by its operation id."""
_ORGANISATIONS: Final = {
    "utility": "the utility",
    "testing_company": "a testing company",
    "regulator": "a regulator",
    "operator": "the operator",
}
_DONE: Final = {
    201: "Created. `Location` is the path of the new record.",
    202: "Accepted. The work continues.",
    204: "Done. There is no body.",
    304: "Nothing has changed: you have the answer already. There is no body.",
}


def description(declared: Operation) -> str:
    """What a call does, who may make it, and what happens when it is sent again: a paragraph each; ValueError for a call without a text."""
    if declared.id not in CALLS:
        raise ValueError(f"Describe the call in service/openapi/operations.toml, under [{declared.id}].")
    call = CALLS[declared.id]
    paragraphs = [call.text, _who(declared)]
    if call.again:
        paragraphs.append(f"Sent again: {call.again[0].lower()}{call.again[1:]}")
    return "\n\n".join(paragraphs)


def _who(declared: Operation) -> str:
    if declared.right is None:
        return "Who may call: anyone. No API key is needed."
    may = [
        name
        for kind, name in _ORGANISATIONS.items()
        if declared.right in RIGHTS_OF[kind] and (kind != "testing_company" or declared.companies)
    ]
    listed = may[0] if len(may) == 1 else f"{', '.join(may[:-1])} or {may[-1]}"
    seen = " A testing company sees only what it is granted." if declared.companies else ""
    return f"Who may call: {listed}, with an API key that has the right `{declared.right}`.{seen}"


def meaning_of(declared: Operation, status: int, shape: Any) -> str:
    """What an answer with this status means."""
    members = set(getattr(shape, "__struct_fields__", ()))
    if chosen := CALLS[declared.id].answers.get(str(status)):
        return chosen
    if status in _DONE:
        return _DONE[status]
    if {"items", "next"} <= members:
        return (
            "The list, or a page of it: read on at `next` until it is null."
            if declared.id != "listChanges"
            else "The changes; continue at `next`."
        )
    if declared.method == "PATCH":
        return "The record as changed, with its new `ETag`."
    if "version" in members:
        return "The record, with its `ETag`."
    return "The answer."


def refusal(status: int) -> str:
    """What a refusal with this status means, and what to do."""
    return " ".join(f"{kind.title}. {kind.advice}" for kind in KINDS.values() if kind.status == status)
