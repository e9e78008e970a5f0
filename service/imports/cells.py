"""One cell into one value of one field; CellError with what to do where it cannot be.

A date is taken only as its writer must have meant it, a quantity only with its unit, a word only if it is known.
"""

import datetime as dt
import json
import math
import re
from collections.abc import Callable
from fractions import Fraction
from functools import cache, partial
from typing import Any, Final

import rules
from rules import words
from service.imports.schemas import DateOrder
from service.imports.sheets import Unread, Value
from service.imports.texts import FileFaultError

_ISO: Final = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ](.+))?")
_NUMBERS: Final = re.compile(r"(\d{1,4})([/.\-])(\d{1,2})\2(\d{1,4})(?:[T ](.+))?")
_NAMED: Final = re.compile(r"(?:(\d{1,2})[ \-.]+([A-Za-z]+)|([A-Za-z]+)\.?[ ]+(\d{1,2})(?:st|nd|rd|th)?,?)[ \-.,]+(\d{4}|\d{2})")
_MONTH: Final = re.compile(r"([A-Za-z]+)\.?[ \-.,/]+(\d{4})")
_NOMINAL: Final = re.compile(r"DN\s*(\d+)", re.IGNORECASE)
_TIME: Final = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})(?:\.\d+)?)?\s*([AaPp])?\.?(?:[Mm]\.?)?")
_OFFSET: Final = re.compile(r"(.*?)\s*(Z|[+-]\d{2}:?\d{2})")
_QUANTITY: Final = re.compile(r"([+-]?)(?:(\d+)[ \-]+)?(\d+)\s*/\s*(\d+)(.*)|([+-]?(?:\d+(?:\.\d*)?|\.\d+))(.*)", re.DOTALL)
_NOON: Final = 12


class CellError(FileFaultError):
    """The cell cannot be taken."""


class Hazards:
    """How the hazards of a file are read: by the words of the utility's rulebook, and by what the caller says that others mean."""

    def __init__(self, rulebook: rules.Rulebook | None) -> None:
        self._rulebook = rulebook
        self._meanings = rules.written_hazards(rulebook)

    def state(self, writing: str, meaning: str) -> None:
        """Take the writing for that word from now on; CellError where the word itself means nothing."""
        self._meanings[words.fold(writing)] = self.read(meaning)

    def read(self, writing: str) -> rules.FoundHazard:
        """What the writing means; CellError with the rulebook's words where it means nothing."""
        found = self._meanings.get(words.fold(writing))
        if found is not None:
            return found
        degrees = _known(words.words().vocabularies["hazard"])
        stated = json.dumps({writing[:60]: "health"}, ensure_ascii=False)
        if self._rulebook is None:
            raise CellError("unknown_hazard_word", available=degrees, example=stated)
        own = [entry.word for entry in self._rulebook.hazard_words]
        raise CellError("unknown_hazard_class_word", rulebook=self._rulebook.id, own=own, available=degrees, example=stated)


class Reading:
    """How the cells of one column are read: the unit that its heading or the caller names, and the order of its dates.

    With `months` a month without its day is a date: its first day, by which nothing is due later than it should be.
    """

    __slots__ = ("dates", "hazards", "months", "unit")

    def __init__(
        self, *, unit: str | None, dates: DateOrder | None, months: bool = False, hazards: "Hazards | None" = None
    ) -> None:
        self.unit = unit
        self.dates = dates
        self.months = months
        self.hazards = hazards or Hazards(None)


Parser = Callable[[Value, Reading], Any]


def plain(value: Value) -> str:
    """A cell as text: a whole number without a point, a date as ISO 8601 writes it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)  # noqa: PLR2004 - where doubles still count by ones
    if isinstance(value, dt.datetime | dt.date | dt.time):
        return value.isoformat()
    return str(value)


@cache
def _blanks() -> frozenset[str]:
    return frozenset(blank.casefold() for blank in words.words().blanks)


def blank(value: Value) -> bool:
    """Whether the cell is empty."""
    return value is None or (isinstance(value, str) and value.casefold() in _blanks())


def text(value: Value, _how: Reading) -> str:
    """Any text; line breaks within it stay."""
    if isinstance(value, dt.datetime | dt.date | dt.time):
        raise CellError("date_for_text")
    return plain(value)


def serial_number(value: Value, how: Reading) -> str:
    """A text that identifies a thing; CellError for what people write where nobody knows the number."""
    result = text(value, how)
    if not words.is_serial_number(result):
        raise CellError("cell_not_a_serial_number")
    return result


def word(vocabulary: str, value: Value, _how: Reading) -> str:
    """A word of a vocabulary."""
    code = words.meaning(vocabulary, plain(value))
    if code is None:
        raise CellError("unknown_word", available=_known(words.words().vocabularies[vocabulary]))
    return code


def hazard(value: Value, how: Reading) -> rules.FoundHazard:
    """A hazard: the rulebook's own word, or a degree."""
    return how.hazards.read(plain(value))


def yes_no(vocabulary: str, value: Value, how: Reading) -> bool:
    """Yes or no."""
    return value if isinstance(value, bool) else word(vocabulary, value, how) == "yes"


def code_word(value: Value, _how: Reading) -> str:
    """A code of a catalogue: small letters, joined by lines."""
    return re.sub(r"[^a-z0-9]+", "_", plain(value).casefold()).strip("_")


def codes(value: Value, how: Reading) -> list[str]:
    """Kinds, parted by commas, semicolons or spaces' longer cousins."""
    return list(dict.fromkeys(word("kind", part, how) for part in re.split(r"\s*[,;/+&]\s*", plain(value)) if part))


def date(value: Value, how: Reading) -> dt.date:
    """A day."""
    result = moment(value, how)
    return result.date() if isinstance(result, dt.datetime) else result


def moment(value: Value, how: Reading) -> dt.date | dt.datetime:
    """A day, or a day with its time, and its offset from UTC where it is stated."""
    if isinstance(value, dt.datetime):
        return value.date() if value.time() == dt.time() else value.replace(microsecond=0)
    if isinstance(value, dt.date):
        return value
    if not isinstance(value, str):
        raise CellError("not_a_date_cell")
    try:
        return _moment(value, how)
    except ValueError:
        raise CellError("no_such_day", value=value) from None


def _moment(result: str, how: Reading) -> dt.date | dt.datetime:
    if found := _ISO.fullmatch(result):
        day = dt.date(int(found[1]), int(found[2]), int(found[3]))
        return _at(day, found[4])
    if found := _NAMED.fullmatch(result):
        number, name = (found[1], found[2]) if found[1] else (found[4], found[3])
        return dt.date(_year(found[5]), _month(name), int(number))
    if found := _MONTH.fullmatch(result):
        month = _month(found[1])
        if not how.months:
            raise CellError("day_missing")
        return dt.date(int(found[2]), month, 1)
    if found := _NUMBERS.fullmatch(result):
        first, second, third = int(found[1]), int(found[3]), int(found[4])
        if len(found[1]) == 4:  # noqa: PLR2004 - a year in full
            return _at(dt.date(first, second, third), found[5])
        if len(found[4]) != 4:  # noqa: PLR2004 - a year in full
            raise CellError("short_year")
        if how.dates is None:
            possible = {(first, second), (second, first)}
            possible = {item for item in possible if _is_day(third, *item)}
            if not possible:
                raise ValueError
            if len(possible) == 1:
                # Only one order gives a day that the calendar has.
                return _at(dt.date(third, *possible.pop()), found[5])
            raise CellError("day_or_month")
        month, day_ = (first, second) if how.dates == "mdy" else (second, first)
        return _at(dt.date(third, month, day_), found[5])
    raise CellError("not_a_date_text")


def _year(written: str) -> int:
    """A year in full; of two digits 69 to 99 are of the 1900s and the others of the 2000s (POSIX.1-2017, strptime, %y; from memory)."""
    year = int(written)
    if len(written) == 4:  # noqa: PLR2004 - a year in full
        return year
    return year + (1900 if year >= 69 else 2000)  # noqa: PLR2004 - as POSIX has it


def _is_day(year: int, month: int, day: int) -> bool:
    """Whether the calendar has that day."""
    try:
        dt.date(year, month, day)
    except ValueError:
        return False
    return True


def _month(name: str) -> int:
    wanted = name.casefold()
    for number, month in enumerate(words.words().months, start=1):
        if len(wanted) >= 3 and month.casefold().startswith(wanted):  # noqa: PLR2004 - Jan, Feb: three letters distinguish them
            return number
    raise CellError("not_a_month", value=name)


def _at(day: dt.date, result: str | None) -> dt.date | dt.datetime:
    if not result:
        return day
    zone: dt.tzinfo | None = None
    if found := _OFFSET.fullmatch(result):
        result, zone = found[1], dt.datetime.fromisoformat(f"2000-01-01T00:00:00{found[2]}").tzinfo
    return dt.datetime.combine(day, time(result, None), zone)


def time(value: Value, _how: Reading | None) -> dt.time:
    """A time of day."""
    if isinstance(value, dt.datetime):
        value = value.time()
    if isinstance(value, dt.time):
        return value.replace(microsecond=0)
    found = _TIME.fullmatch(value) if isinstance(value, str) else None
    if found is None:
        raise CellError("not_a_time_of_day")
    hour, minute, second = int(found[1]), int(found[2]), int(found[3] or 0)
    try:
        if found[4]:
            if not 1 <= hour <= _NOON:
                raise ValueError  # noqa: TRY301 - reported like any other
            hour = hour % _NOON + (_NOON if found[4] in "Pp" else 0)
        return dt.time(hour, minute, second)
    except ValueError:
        raise CellError("no_such_time") from None


def number(value: Value, how: Reading) -> float:
    """A plain number."""
    size, unit = _number_and_rest(value)
    if unit:
        raise CellError("not_a_plain_number")
    del how
    return size


def quantity(dimension: str, value: Value, how: Reading) -> tuple[float, str]:
    """A number and its unit: the cell's own, else the one that the heading or the caller names."""
    if dimension == "length" and isinstance(value, str) and (nominal := _NOMINAL.fullmatch(value)):
        # DN, a nominal diameter, is a number of millimetres (ISO 6708; from memory).
        return float(nominal[1]), "mm"
    size, rest = _number_and_rest(value)
    if not rest:
        if how.unit is None:
            example = "psi" if dimension == "pressure" else "in"
            raise CellError("cell_unit_missing", example=example, dimension=dimension)
        return size, how.unit
    known = words.units_written().get(rest.casefold().rstrip("."))
    if known is None or known[0] != dimension:
        raise CellError("unknown_unit", value=rest[:40], dimension=dimension, available=_known(words.words().units[dimension]))
    return size, known[1]


def _number_and_rest(value: Value) -> tuple[float, str]:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise CellError("number_as_date")
    if not isinstance(value, str):
        return _finite(value), ""
    found = _QUANTITY.fullmatch(value)
    if found is None:
        raise CellError("not_a_number")
    if found[6] is not None:
        size, rest = _finite(found[6]), found[7].strip()
        if rest[:1] == ",":
            raise CellError("comma_unclear")
        return size, rest
    if int(found[4]) == 0:
        raise CellError("division_by_zero")
    whole = Fraction(int(found[2] or 0)) + Fraction(int(found[3]), int(found[4]))
    return _finite(-whole if found[1] == "-" else whole), found[5].strip()


def _finite(result: float | str | Fraction) -> float:
    try:
        size = float(result)
    except OverflowError:
        size = math.inf
    if not math.isfinite(size):
        raise CellError("number_too_large")
    return size


def reading(vocabulary: str, value: Value, how: Reading) -> tuple[float, str] | bool:
    """What a component showed: a pressure, or in words whether it closed tight or opened."""
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and (code := words.meaning(vocabulary, value)) is not None:
        return code == "yes"
    if isinstance(value, str) and not re.search(r"\d", value):
        raise CellError("not_a_reading", available=_known(words.words().vocabularies[vocabulary], writings=True))
    return quantity("pressure", value, how)


def _known(known: dict[str, tuple[str, ...]], *, writings: bool = False) -> list[str]:
    """The codes of a vocabulary, or of each the first way to write it."""
    return [result[0] for result in known.values()] if writings else list(known)


def shown(value: Value) -> str:
    """A cell as a problem shows it, shortened."""
    return "" if value is None or isinstance(value, Unread) else plain(value)[:100]


KIND: Final = partial(word, "kind")
