"""What `data/notices.toml` holds: the default steps, and what a text may name. The table is the law; this only gives it its shape."""

from functools import cache
from typing import Annotated, Literal

from msgspec import Meta, Struct

from rules.files import read
from rules.rulebook import Addressee, Occasion
from rules.sources import Cited


class NoticeStep(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One notice of a schedule: `days` after (below zero: before) the day that its occasion counts from, to whom, in which words.

    `due` counts from the due day of a test that is still to come or overdue, the others from the day of the failing test. `retest` is for a
    failure in a report that was refused, on which nobody may order a repair; otherwise an assembly that failed with protection lost is
    `unprotected`, any other failed one `failed`. `subject` and `text` may name
    placeholders in braces; `{{` and `}}` stand for braces themselves.
    """

    step: Annotated[str, Meta(min_length=1, max_length=60, pattern=r"^[a-z0-9][a-z0-9_-]*\Z")]
    """The step's own code."""
    occasion: Occasion
    """Why there is a notice."""
    days: Annotated[int, Meta(ge=-1000, le=10_000)]
    """How many days after the day it counts from; negative: before."""
    to: Addressee
    """Who gets it."""
    subject: Annotated[str, Meta(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+\Z")]
    """The subject line; it may hold placeholders in braces."""
    text: Annotated[str, Meta(min_length=1, max_length=5000)]
    """The text; it may hold placeholders in braces."""


class Placeholder(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a name in braces stands for, what stands there when it is not known, and the occasions for which it is."""

    says: str
    absent: str = ""
    occasions: tuple[Occasion, ...] = ("due", "failed", "unprotected", "retest")


class NoticeData(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The data file as a whole; `unit` is the unit of the steps' days."""

    unit: Literal["d"]
    caution: str
    months: tuple[str, ...]
    placeholders: dict[str, Placeholder]
    steps: tuple[NoticeStep, ...]


@cache
def notice_data() -> NoticeData:
    """The defaults for notices."""
    return read("notices.toml", NoticeData)
