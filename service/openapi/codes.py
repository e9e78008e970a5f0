"""Every code that the service answers with, and what each means, for programs that show texts of their own."""

import tomllib
from functools import cache
from pathlib import Path

import msgspec
from msgspec import Struct

import rules
from service.imports.texts import IMPORT_TEXTS
from service.problems import FAULT_KINDS, KINDS


class ProblemCode(Struct, frozen=True, kw_only=True):
    """A kind of problem."""

    code: str
    """The last part of the problem's `type`."""
    status: int
    """The HTTP status."""
    title: str
    """The problem's `title`."""
    advice: str
    """What to do about it."""


class FaultCode(Struct, frozen=True, kw_only=True):
    """A kind of fault in a request."""

    code: str
    """The fault's `code`."""
    problem: str
    """The code of the problem that it causes."""
    text: str
    """Its text in English; `{name}` is replaced by the parameter `name` of the fault."""


class ImportCode(Struct, frozen=True, kw_only=True):
    """A kind of problem with a file to import."""

    code: str
    """The import problem's `code`."""
    text: str
    """Its text in English; `{name}` is replaced by the parameter `name` of the problem."""


class FlagCode(Struct, frozen=True, kw_only=True):
    """A flag of a verdict, selection or placement."""

    code: str
    """The flag's `code`."""
    meaning: str
    """What was found."""


class ActionCode(Struct, frozen=True, kw_only=True):
    """An action that a verdict, standing or placement requires."""

    code: str
    """The action's `code`."""
    meaning: str
    """What to do."""


class DiagnosisCode(Struct, frozen=True, kw_only=True):
    """A likely cause of a failure."""

    code: str
    """The diagnosis's `code`."""
    meaning: str
    """What probably failed."""


class Codes(Struct, frozen=True, kw_only=True):
    """Every code that the service answers with. New codes may be added at any time."""

    problems: list[ProblemCode]
    """The kinds of problems: what an error answer is."""
    faults: list[FaultCode]
    """The kinds of faults: what exactly is wrong with a request."""
    imports: list[ImportCode]
    """What can be wrong with a file to import; a record that it states can have the faults above."""
    flags: list[FlagCode]
    """Flags on a report, a selection or a placement."""
    actions: list[ActionCode]
    """What to do after a test."""
    diagnoses: list[DiagnosisCode]
    """What probably failed."""


class _Meanings(Struct, frozen=True, forbid_unknown_fields=True):
    flags: dict[str, str]
    actions: dict[str, str]


@cache
def codes() -> Codes:
    """All of them; problems and faults in the order of their files."""
    text = (Path(__file__).parents[1] / "texts" / "codes.toml").read_text(encoding="utf-8")
    meanings = msgspec.convert(tomllib.loads(text), _Meanings)
    return Codes(
        problems=[
            ProblemCode(code=code, status=kind.status, title=kind.title, advice=kind.advice) for code, kind in KINDS.items()
        ],
        faults=[FaultCode(code=code, problem=kind.problem, text=kind.text) for code, kind in FAULT_KINDS.items()],
        imports=[ImportCode(code=code, text=text) for code, text in IMPORT_TEXTS.items()],
        flags=[FlagCode(code=code, meaning=meaning) for code, meaning in meanings.flags.items()],
        actions=[ActionCode(code=code, meaning=meaning) for code, meaning in meanings.actions.items()],
        diagnoses=[DiagnosisCode(code=code, meaning=meaning) for code, meaning in rules.diagnosis_codes().items()],
    )
