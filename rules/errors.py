"""The rules core raises few errors. Each is a code with parameters, and its sentence (`data/texts/refusals.toml`) says what to do.

A fault in a test report is no error here: it becomes a finding or a flag. An error means that no answer at all could be given.
"""

from collections.abc import Sequence

from rules.texts import Value, say, texts


class RulesError(Exception):
    """Any error of the rules core; `pointer` is a JSON pointer (RFC 6901) into the document that caused it, or empty."""

    def __init__(self, code: str, pointer: str = "", /, **parameters: Value | Sequence[str]) -> None:
        """KeyError for a code that `refusals.toml` lacks, or a parameter that its text needs."""
        self.code = code
        self.pointer = pointer
        self.parameters = parameters
        self.message = say("refusals", "refusals", code, parameters)
        self.also: tuple[RulesError, ...] = ()
        """The other errors in the same document, so that a caller sees all of them at once."""
        super().__init__(self.message)


class UnknownRulebookError(RulesError):
    """There is no rulebook of that id."""


class NotInForceError(RulesError):
    """The rulebook is not in force on that date; nothing in force is never a pass."""


class NotJudgeableError(RulesError):
    """The question lies outside what the rulebook or the model covers."""


class DocumentError(RulesError):
    """The document is well-formed and still cannot be read: a unit is missing, or a field does not belong there."""


def together(first: RulesError, *others: RulesError) -> RulesError:
    """The first error, with the others in its `also`."""
    first.also = others
    return first


def refusal_texts() -> dict[str, str]:
    """The text of every error by its code, with `{parameters}`."""
    return texts("refusals").templates["refusals"]
