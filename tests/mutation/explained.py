"""Survivors that are explained: how a mutant is shown in a line, and which of those no test can kill, by `survivors.toml`."""

import re
from pathlib import Path

import msgspec

from tests.mutation.mutants import Mutant

LISTED = Path(__file__).with_name("survivors.toml")


class Group(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Mutants that no test can kill, as `reported_of` states them (`*` stands for anything), and why."""

    because: str
    mutants: tuple[str, ...]

    def holds(self, result: str) -> bool:
        """Whether a mutant so described is one of them."""
        return any(re.fullmatch(".*".join(map(re.escape, one.split("*"))), result) for one in self.mutants)


def reported_of(mutant: Mutant) -> str:
    """A mutant in a line: where it is, the line's text, what becomes of which part."""
    line = mutant.path.read_text().splitlines()[mutant.first_line - 1].strip()
    return f"{mutant.module}: {line} | {mutant.before} → {mutant.after}"


def listed(of: str = "rules") -> list[Group]:
    """The survivors that are explained: mutants of the `rules`, or numbers of the `data`."""
    return msgspec.toml.decode(LISTED.read_bytes(), type=dict[str, list[Group]])[of]
