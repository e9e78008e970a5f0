"""The sentences of answers: templates by code (`data/texts/*.toml`), filled with named parameters.

Python picks a code and gives parameters; the words are data, so that a translation is one more file. A parameter that is a code
(a component, a line, an outcome) has its words in the same file.
"""

from collections.abc import Mapping, Sequence
from functools import cache

from msgspec import Struct

from rules.files import read

Value = str | int | float


class Texts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One file: templates by group and code, and the words for codes by the name of the parameter."""

    templates: dict[str, dict[str, str]]
    words: dict[str, dict[str, str]] = {}


class _Number(float):
    """A number that prints as people write it, unless the template gives a format of its own."""

    def __format__(self, spec: str) -> str:
        return float.__format__(self, spec) if spec else number(self)


class _Count(int):
    """A count, which a template prints with the noun that fits: `{days:day|days}`."""

    def __format__(self, spec: str) -> str:
        singular, separator, plural = spec.partition("|")
        return f"{int(self)} {singular if self == 1 else plural}" if separator else int.__format__(self, spec)


@cache
def texts(subject: str) -> Texts:
    """The texts of one subject (`field_test`, `standing`, `notices`), read once."""
    return read(f"texts/{subject}.toml", Texts)


def number(value: float) -> str:
    """A reading or limit in digits: at least one decimal, and never rounded to what it is not."""
    digits = f"{value:.9g}"
    return digits if "." in digits or "e" in digits else f"{digits}.0"


def minimum(value: float, observed: float) -> str:
    """A minimum in few digits, on the same side of `observed` as the exact value, so that the two never contradict the outcome."""
    for decimals in range(1, 10):
        digits = f"{value:.{decimals}f}"
        rounded = float(digits)
        if abs(rounded - value) <= abs(value) * 0.005 and (observed < rounded) == (observed < value):
            return digits
    return repr(value)


def sentence(text: str) -> str:
    """The same text with a capital letter."""
    return text[:1].upper() + text[1:]


def word(subject: str, name: str, value: str) -> str:
    """The words for the code `value` of the parameter `name`; the value itself where the file has none."""
    return texts(subject).words.get(name, {}).get(value, value)


def say(subject: str, group: str, code: str, parameters: Mapping[str, Value | Sequence[str]]) -> str:
    """The sentence of that code with every parameter filled in; KeyError where the code or a parameter is missing.

    A list of codes is printed as `a`, `b`.
    """
    words = {name: _in_words(subject, name, value) for name, value in parameters.items()}
    return sentence(texts(subject).templates[group][code].format_map(words))


def _in_words(subject: str, name: str, value: Value | Sequence[str]) -> str | float:
    if isinstance(value, str):
        return word(subject, name, value)
    if isinstance(value, float):
        return _Number(value)
    return _Count(value) if isinstance(value, int) else ", ".join(f"`{item}`" for item in value)


def join(subject: str, items: list[str], by: str = "and") -> str:
    """The items as a list in a sentence: `a, b and c`, or with `or`."""
    last = word(subject, "list", by)
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} {last} {items[-1]}"
