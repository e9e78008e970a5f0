"""The texts of answers: every template is used, every parameter is filled, and numbers never contradict the outcome beside them."""

import ast
import math
import string
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

import rules
from rules import texts
from rules.errors import DocumentError, RulesError, refusal_texts
from rules.field_test.actions import preparations
from rules.field_test.diagnosis import Rows
from rules.field_test.flags import severities
from rules.field_test.shutoffs import Spoils
from rules.field_test.statements import protections
from rules.files import read
from rules.notices.data import notice_data
from tests.rules.pinned import answers

COMPUTED = ("possible", "impossible", "not_stated", "not_guarded")
ROOT = Path(rules.__file__).parent
USED_IN = {"field_test": ("field_test",), "standing": ("standing",), "notices": ("notices",)}


# The codes of the rows of data that have texts.
CODES: dict[str, set[str]] = {
    "field_test": {
        *(row.code for row in read("diagnosis.toml", Rows).diagnoses),
        *(row.code for row in read("shutoffs.toml", Spoils).spoils),
        *(row.code for row in preparations()),
        *(row.code for row in protections().statements),
    },
    "standing": set(),
    "notices": {*(row.step for row in notice_data().steps), *notice_data().placeholders},
}


def named_in(folders: tuple[str, ...]) -> set[str]:
    """Every string that stands in the code of these folders."""
    trees = [ast.parse(path.read_text()) for folder in folders for path in (ROOT / folder).glob("*.py")]
    return {
        node.value for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


@pytest.mark.parametrize("subject", USED_IN)
def test_every_template_is_named_in_the_code(subject: str) -> None:
    named = named_in(USED_IN[subject]) | CODES[subject]
    # The codes of a summary are an outcome and a protection, those of a gauge held wrongly its level.
    composed = {
        "pass",
        "fail",
        "incomplete",
        "full",
        "degraded",
        "unknown",
        "lost",
        "unreliable",
        "high",
        "low",
        "held",
        "refused",
        "not_judged",
    }
    for group, templates in texts.texts(subject).templates.items():
        for code in templates:
            first, _, case = code.partition(".")
            assert code in named or ({first, case} - {""} <= named | composed), f"{group}: {code}"


def test_every_flag_has_a_text_and_every_text_a_flag() -> None:
    assert {code.partition(".")[0] for code in texts.texts("field_test").templates["flags"]} == set(severities())


def refusals() -> Iterator[tuple[str, set[str]]]:
    """Every error that the rules make with a code written out: the code, and the names of its parameters."""
    errors = {RulesError.__name__, *(error.__name__ for error in RulesError.__subclasses__())}
    for path in ROOT.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in errors:
                if isinstance(node.args[0], ast.Constant):
                    yield str(node.args[0].value), {str(keyword.arg) for keyword in node.keywords}
                elif path.name != "floor.py":  # What a local rulebook is refused for: below.
                    # Whether a hazard or a purpose is unknown is picked from two codes.
                    assert (path.name, node.args[0].id) == ("suitability.py", "code")  # type: ignore[attr-defined]
                    yield "unknown_hazard", {str(keyword.arg) for keyword in node.keywords}
                    yield "unknown_purpose", {str(keyword.arg) for keyword in node.keywords}


def test_every_refusal_has_a_text_with_its_parameters_and_every_text_a_refusal() -> None:
    made = dict(refusals())
    assert set(made) == {code for code in refusal_texts() if not code.startswith("local_")}
    # A parameter that the text leaves out still helps a program; one that the text needs and the error lacks would be a fault.
    for code, given in refusals():
        assert fields(refusal_texts()[code]) <= given, code


def test_every_refusal_of_a_local_rulebook_has_a_text_and_every_text_a_refusal() -> None:
    # Each is made with its parameters in test_local_rulebooks.py.
    written = {
        str(node.value)
        for path in ROOT.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.startswith("local_")
    }
    assert written - {"local_codes"} == {code for code in refusal_texts() if code.startswith("local_")}


def test_a_refusal_is_rendered_again_from_its_code_and_parameters() -> None:
    error = DocumentError("unit_missing", "/units/length", dimension="length", available=("in", "ft"))
    assert error.message == str(error) == "`units.length` is missing. Send one of: `in`, `ft`."
    assert error.message == texts.say("refusals", "refusals", error.code, error.parameters)
    with pytest.raises(KeyError):
        DocumentError("unit_missing", "/units/length")


def fields(template: str) -> set[str]:
    """The parameters that a template names."""
    return {name for _, name, _, _ in string.Formatter().parse(template) if name}


def test_a_missing_parameter_or_code_is_an_error() -> None:
    with pytest.raises(KeyError):
        texts.say("field_test", "flags", "near_limit", {"component": "check_1"})
    with pytest.raises(KeyError):
        texts.say("field_test", "flags", "no_such_code", {})


@pytest.mark.parametrize("kind", ["rp", "rpda", "dc", "dcda", "pvb", "svb"])
def test_a_message_is_rendered_again_from_its_code_and_parameters(kind: str) -> None:
    rendered = 0
    for verdict, *_ in (answer for answer in answers.verdicts("us-common", kind) if not isinstance(answer[0], list)):
        for flag in verdict.flags:
            parameters = {} if flag.parameters is msgspec.UNSET else flag.parameters
            code = f"{flag.code}.{parameters['case']}" if "case" in parameters else flag.code
            template = texts.texts("field_test").templates["flags"][code]
            wanted = {name for _, name, _, _ in string.Formatter().parse(template) if name}
            assert wanted - set(parameters) <= {"because", "repair"}, code
            if wanted <= set(parameters) and not wanted & {
                "kind",
                "leak",
                "limit",
                "at_least",
                "at_most",
                "converted",
                "observed",
            }:
                assert texts.say("field_test", "flags", code, parameters) == flag.message
                rendered += 1
        assert all(finding.code in texts.texts("field_test").templates["findings"] for finding in verdict.findings)
        assert "{" not in "".join([verdict.summary, *(one.message for one in (*verdict.findings, *verdict.flags))])
    assert rendered > 10


def test_every_row_has_its_texts_and_no_text_is_without_a_row() -> None:
    templates = texts.texts("field_test").templates
    for groups, rows in (
        (("likely", "causes", "repairs"), {row.code for row in read("diagnosis.toml", Rows).diagnoses}),
        (("leaks", "leak_repairs"), {row.code for row in read("shutoffs.toml", Spoils).spoils}),
        (("protection",), {row.code for row in protections().statements} | {f"computed_{known}" for known in COMPUTED}),
    ):
        for group in groups:
            assert set(templates[group]) == rows
    steps = {row.step for row in notice_data().steps}
    assert set(texts.texts("notices").templates["subjects"]) == set(texts.texts("notices").templates["texts"]) == steps


def test_rows_with_texts_have_codes_of_their_own() -> None:
    for codes in (
        [row.code for row in read("diagnosis.toml", Rows).diagnoses],
        [row.code for row in read("shutoffs.toml", Spoils).spoils],
    ):
        assert len(set(codes)) == len(codes) > 9


@pytest.mark.parametrize(
    ("value", "observed", "printed"),
    [
        (1.0, 0.9999999, "1.0"),
        (6.894757293168361, 6.9, "6.9"),
        (6.894757293168361, 6.89, "6.9"),
        (6.894757293168361, 6.895, "6.89"),
        (0.06894757293168361, 0.1, "0.069"),
        (0.06894757293168361, 0.06895, "0.0689"),
        (13.789514586336722, 13.789, "13.8"),
    ],
)
def test_a_minimum_is_printed_short_and_on_its_side_of_the_reading(value: float, observed: float, printed: str) -> None:
    assert texts.minimum(value, observed) == printed
    assert (observed < float(printed)) == (observed < value)


@pytest.mark.parametrize(
    ("value", "printed"), [(1, "1.0"), (0.6, "0.6"), (50.0, "50.0"), (0.9999999, "0.9999999"), (1e12, "1e+12")]
)
def test_a_number_has_at_least_one_decimal(value: float, printed: str) -> None:
    assert texts.number(value) == printed


def test_a_minimum_that_no_rounding_keeps_apart_from_the_reading_is_printed_in_full() -> None:
    value = 1 / 3
    assert texts.minimum(value, 0.2) == "0.333"
    assert texts.minimum(value, math.nextafter(value, 0)) == "0.3333333333333333"


@pytest.mark.parametrize(("days", "said"), [(1, "within 1 day."), (2, "within 2 days."), (0, "within 0 days.")])
def test_a_count_has_the_noun_that_fits(days: int, said: str) -> None:
    assert texts.say("standing", "standing", "retest_within", {"days": days}).endswith(said)
