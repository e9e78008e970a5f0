"""The default steps (`data/notices.toml`) with their texts (`data/texts/notices.toml`), and what a text may name."""

from functools import cache
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.files import read
from rules.load import catalogue
from rules.rulebook import Addressee, Occasion
from rules.sources import Cited
from rules.texts import texts


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
    inspection_subject: Annotated[str, Meta(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+\Z")] | UnsetType = UNSET
    """The subject line about what is inspected rather than tested; without it, `subject`."""
    inspection_text: Annotated[str, Meta(min_length=1, max_length=5000)] | UnsetType = UNSET
    """The text about what is inspected rather than tested; without it, `text`."""

    def about(self, kind: str) -> tuple[str, str]:
        """The subject and the text about that kind."""
        if not catalogue().is_inspected(kind):
            return self.subject, self.text
        subject = self.subject if self.inspection_subject is UNSET else self.inspection_subject
        return subject, self.text if self.inspection_text is UNSET else self.inspection_text


class DefaultStep(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A step of the default schedule; its subject and text are under its code in the texts."""

    step: str
    occasion: Occasion
    days: int
    to: Addressee


class Placeholder(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The occasions on which a placeholder is known."""

    occasions: tuple[Occasion, ...] = ("due", "failed", "unprotected", "retest")


class NoticeData(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The data file as a whole; `unit` is the unit of the steps' days."""

    unit: Literal["d"]
    placeholders: dict[str, Placeholder]
    steps: tuple[DefaultStep, ...]


@cache
def notice_data() -> NoticeData:
    """The defaults for notices."""
    return read("notices.toml", NoticeData)


@cache
def default_steps() -> tuple[NoticeStep, ...]:
    """The schedule of a utility that has set none of its own: common practice, no source."""
    templates = texts("notices").templates
    return tuple(
        NoticeStep(
            step=row.step,
            occasion=row.occasion,
            days=row.days,
            to=row.to,
            subject=templates["subjects"][row.step],
            text=templates["texts"][row.step],
            inspection_subject=templates["inspection_subjects"][row.step],
            inspection_text=templates["inspection_texts"][row.step],
        )
        for row in notice_data().steps
    )
