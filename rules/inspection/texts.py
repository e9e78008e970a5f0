"""The sentences of inspections, by group and code (`data/texts/inspection.toml`)."""

from rules.texts import Value, say


def sentence(group: str, code: str, **parameters: Value) -> str:
    """The sentence of that code with its parameters; KeyError where the code or a parameter is missing."""
    return say("inspection", group, code, parameters)
