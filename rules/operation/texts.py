"""The sentences and words of operations, practice tests and drawings, by code (`data/texts/operation.toml`)."""

from rules import texts
from rules.texts import Value


def sentence(group: str, code: str, **parameters: Value) -> str:
    """The sentence of that code with its parameters; KeyError where the code or a parameter is missing."""
    return texts.say("operation", group, code, parameters)


def word(name: str, code: str) -> str:
    """The words for that code of the parameter `name`; the code itself where there are none."""
    return texts.word("operation", name, code)


def join(items: list[str]) -> str:
    """The items as a list in a sentence."""
    return texts.join("operation", items)
