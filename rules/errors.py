"""The rules core raises few errors, and each is a whole sentence that says what to do.

What a test report says badly is no error here: it becomes a finding or a flag. An error means that no answer at all could be given.
"""


class RulesError(Exception):
    """Any error of the rules core; `pointer` is a JSON pointer (RFC 6901) into the document that caused it, or empty."""

    def __init__(self, message: str, pointer: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.pointer = pointer
        self.also: tuple[RulesError, ...] = ()
        """What else is wrong with the same document, so that all of it can be told at once."""


class UnknownRulebookError(RulesError):
    """There is no rulebook of that id."""


class NotInForceError(RulesError):
    """The rulebook says nothing on that date; nothing in force is never a pass."""


class NotJudgeableError(RulesError):
    """The question lies outside what the rulebook or the model covers."""


class DocumentError(RulesError):
    """The document is well-formed and still cannot be read: a unit is missing, or a member does not belong where it stands."""


def together(first: RulesError, *others: RulesError) -> RulesError:
    """The first error, carrying the others."""
    first.also = others
    return first
