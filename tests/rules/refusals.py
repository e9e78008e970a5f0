"""What every refusal of the rules holds to (rules/errors.py): each is a whole sentence, and states what it was about."""

import re
from typing import Any, TypeVar

from rules import RulesError

T = TypeVar("T", bound=RulesError)


def whole(error: T) -> T:
    """The error, after its message and those it carries were read."""
    carried: list[Any] = [error, *error.also]
    for one in carried:
        assert re.fullmatch(r"[A-Za-z`].+[.]", one.message, re.DOTALL), one.message
        assert str(one) == one.message
        assert "None" not in one.message
    return error
