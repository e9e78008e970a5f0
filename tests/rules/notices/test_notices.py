"""Which step is the right one on a day, and what a template may hold."""

import datetime as dt
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules import DocumentError, notices
from rules.load import works
from rules.notices.data import notice_data
from rules.notices.text import faults
from rules.texts import texts
from tests.rules.refusals import whole

DUE = dt.date(2026, 6, 30)
FACTS = notices.NoticeFacts(
    utility="Alder Water",
    premises="Plot 1",
    address="1 Sluice Lane",
    reference=None,
    assembly="pressure vacuum breaker assembly",
    serial_number="S-1",
    position=None,
    due_on=DUE,
    tested_on=None,
    repair_by=None,
)


def step(**changes: Any) -> notices.NoticeStep:
    return msgspec.convert(
        {"step": "one", "occasion": "due", "days": 0, "to": "customer", "subject": "s", "text": "{caution}"} | changes,
        notices.NoticeStep,
    )


def right(steps: tuple[notices.NoticeStep, ...], occasion: str, counted_from: dt.date, on: dt.date) -> list[str]:
    """The steps whose stretch of days holds the day counted from."""
    return [
        one.step.step
        for one in notices.windows(steps, on)
        if one.step.occasion == occasion and (one.after is None or counted_from > one.after) and counted_from <= one.until
    ]


# The schedule of the data file: 30 days ahead, 1, 30 and 60 days after the due day. Common practice, no source.
@pytest.mark.parametrize(
    ("on", "expected"),
    [
        ("2026-05-30", []),
        ("2026-05-31", ["due"]),
        ("2026-06-30", ["due"]),
        ("2026-07-01", ["overdue_first"]),
        ("2026-07-29", ["overdue_first"]),
        ("2026-07-30", ["overdue_second"]),
        ("2026-08-28", ["overdue_second"]),
        ("2026-08-29", ["overdue_final"]),
        ("2036-01-01", ["overdue_final"]),
    ],
)
def test_the_last_step_whose_day_has_come_is_the_right_one(on: str, expected: list[str]) -> None:
    assert right(notices.default_steps(), "due", DUE, dt.date.fromisoformat(on)) == expected


@given(
    days=st.lists(st.integers(-1000, 10_000), unique=True, max_size=6),
    counted_from=st.dates(),
    on=st.dates(),
)
def test_whatever_the_schedule_at_most_one_step_is_right_and_it_is_the_latest_reached(
    days: list[int], counted_from: dt.date, on: dt.date
) -> None:
    steps = tuple(step(step=f"s{n}", days=n) if n >= 0 else step(step=f"m{-n}", days=n) for n in days)
    passed = (on - counted_from).days
    reached = [n for n in days if n <= passed]
    # At the very ends of the calendar there is no day so many days before; nobody's test is due there.
    if dt.date(50, 1, 1) < counted_from < dt.date(9950, 1, 1) and dt.date(50, 1, 1) < on < dt.date(9950, 1, 1):
        expected = [f"s{max(reached)}" if max(reached) >= 0 else f"m{-max(reached)}"] if reached else []
        assert right(steps, "due", counted_from, on) == expected
    else:
        assert len(right(steps, "due", counted_from, on)) <= 1


def test_steps_to_others_and_of_other_occasions_do_not_push_each_other_out() -> None:
    steps = (step(step="a", days=1), step(step="b", days=2, to="utility"), step(step="c", days=3, occasion="failed"))
    assert right(steps, "due", DUE, DUE + dt.timedelta(days=5)) == ["a", "b"]
    assert right(steps, "failed", DUE, DUE + dt.timedelta(days=5)) == ["c"]


def test_the_default_schedule_says_how_it_is_known_and_can_be_followed() -> None:
    data = notice_data()
    assert works()[str(data.source)].provenance == data.provenance == "common_practice"
    steps = notices.default_steps()
    notices.check(steps)
    assert [one.step for one in steps] == [
        "due",
        "overdue_first",
        "overdue_second",
        "overdue_final",
        "failed",
        "unprotected",
        "retest",
    ]
    # At once: a failure is notified on the day of its test.
    assert [one.days for one in steps if one.occasion != "due"] == [0, 0, 0]
    assert set(data.placeholders) == {*notices.NoticeFacts.__struct_fields__, "caution"}
    assert len(texts("notices").words["month"]) == 12


def test_every_fault_of_a_schedule_is_reported_with_its_place() -> None:
    steps = (
        step(),
        step(subject="{owner}", text="Hello { {due_on.year} {0} {due_on!r} {tested_on}"),
        step(step="two", occasion="failed", days=-1, text="{{caution}}"),
    )
    with pytest.raises(DocumentError) as caught:
        notices.check(steps)
    found = [(one.pointer, one.message) for one in (whole(caught.value), *caught.value.also)]
    assert [pointer for pointer, _ in found] == [
        "/steps/1/step",
        "/steps/1/days",
        "/steps/1/subject",
        *["/steps/1/text"] * 6,
        "/steps/2/days",
        "/steps/2/text",
    ]
    assert "`{owner}`" in found[2][1]
    assert "`{due_on}`" in found[2][1]
    assert "`{tested_on}`" not in found[2][1]


# What Python's own format strings would follow into an object, or choke on.
@pytest.mark.parametrize(
    "template",
    [
        "{due_on.__class__}",
        "{utility.__init__.__globals__}",
        "{due_on[0]}",
        "{due_on!r}",
        "{due_on:>99999999}",
        "{}",
        "{0}",
        "{ due_on }",
        "{",
        "}",
        "{due_on",
        "due_on}",
        "{{{due_on}}",
    ],
)
def test_a_template_is_no_format_string(template: str) -> None:
    assert faults(template, "due", "")


def test_what_is_filled_in_is_never_read_as_a_template_and_stays_on_its_line() -> None:
    facts = msgspec.structs.replace(FACTS, premises="{caution} {{x}}\r\nBcc: all\u2028\u202e", serial_number="{")
    assert notices.fill("{premises}|{serial_number}|{position}|{{{due_on}}}", facts) == (
        "{caution} {{x}} Bcc: all |{|not recorded|{30 June 2026}"
    )


def test_what_is_not_known_leaves_nothing_or_says_so() -> None:
    facts = msgspec.structs.replace(FACTS, address=None, tested_on=None, serial_number=None)
    assert notices.fill("<{address}> <{tested_on}> <{serial_number}>", facts) == "<> <> <not recorded>"


@pytest.mark.parametrize("one", notices.default_steps(), ids=lambda one: one.step)
def test_every_default_text_tells_what_to_do_and_carries_the_caution(one: notices.NoticeStep) -> None:
    days = {"due_on": DUE} if one.occasion == "due" else {"due_on": None, "tested_on": DUE, "repair_by": DUE}
    result = notices.fill(one.text, msgspec.structs.replace(FACTS, **days))
    assert "What to do:" in result
    assert texts("notices").templates["notice"]["caution"] in result
    assert "30 June 2026" in result
    assert "1 Sluice Lane" in result
    assert not set("{}") & set(result)
    assert "\n" not in notices.fill(one.subject, msgspec.structs.replace(FACTS, **days))
