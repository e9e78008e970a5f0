"""Every problem and fault has a code; `GET /v1/codes` and the page /codes list them all, with those of the rules."""

import ast
import re
import tomllib
from pathlib import Path
from typing import Any, get_args
from urllib.parse import urlsplit

import msgspec
import pytest

import rules
import service
from rules.field_test.actions import preparations
from rules.texts import texts
from service.http.problem_details import body_of
from service.imports.texts import IMPORT_TEXTS
from service.problems import FAULT_KINDS, KINDS, Fault, fault, problem_of, render
from tests.support.world import Place, World

SERVICE = Path(service.__file__).parent
RULES = Path(rules.__file__).parent


@pytest.fixture(scope="module")
def codes(world: World) -> dict[str, Any]:
    """As anyone reads them, without a key."""
    answer = world.client.get("/v1/codes")
    assert answer.status_code == 200
    return dict(answer.json())


def listed(codes: dict[str, Any], kind: str) -> set[str]:
    return {one["code"] for one in codes[kind]}


def test_every_problem_and_every_fault_is_listed(codes: dict[str, Any]) -> None:
    assert listed(codes, "problems") == set(KINDS)
    assert listed(codes, "faults") == set(FAULT_KINDS)
    assert {one["problem"] for one in codes["faults"]} <= set(KINDS)
    # The faults of the rules have codes of their own.
    own = tomllib.loads((SERVICE / "texts" / "faults.toml").read_text(encoding="utf-8"))
    assert set(own) | set(rules.refusal_texts()) == set(FAULT_KINDS)
    assert not set(own) & set(rules.refusal_texts())


def test_every_code_of_the_rules_is_listed(codes: dict[str, Any]) -> None:
    """As the rules' own data and modules have them."""
    source = "\n".join(path.read_text(encoding="utf-8") for path in RULES.rglob("*.py"))
    severities = re.findall(r"^(\w+) = ", (RULES / "data" / "flags.toml").read_text(encoding="utf-8"), re.MULTILINE)
    flags = {*severities, *re.findall(r"SelectionFlag\(\s*code=\"(\w+)\"", source)}
    assert len(flags) > 30
    assert listed(codes, "flags") == flags
    actions = {
        *re.findall(r"PlacementAction\(\s*code=\"(\w+)\"", source),
        *(code.partition(".")[0] for code in texts("field_test").templates["actions"]),
        *(row.code for row in preparations()),
        *get_args(rules.StandingAction),
    }
    assert listed(codes, "actions") == actions
    written = (RULES / "data" / "diagnosis.toml").read_text(encoding="utf-8")
    assert listed(codes, "diagnoses") == set(re.findall(r"^code = \"(\w+)\"", written, re.MULTILINE))


def test_every_code_is_raised_somewhere_and_every_raised_code_has_a_text() -> None:
    raised: set[str] = set()
    for path in (*SERVICE.rglob("*.py"), *RULES.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                raised.add(node.value)
            if (
                isinstance(node, ast.Call)
                and getattr(node.func, "id", "") in ("problem", "fault")
                and isinstance(node.args[0], ast.Constant)
            ):
                assert node.args[0].value in FAULT_KINDS, path
    assert set(FAULT_KINDS) - raised == set()


def test_every_problem_of_an_import_is_listed_raised_and_no_fault(codes: dict[str, Any]) -> None:
    written: set[str] = set()
    for path in (SERVICE / "imports").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                written.add(node.value)
            if (
                isinstance(node, ast.Call)
                and getattr(node.func, "id", "") in ("say", "CellError", "SheetError", "ArchiveError")
                and isinstance(node.args[0], ast.Constant)
            ):
                assert node.args[0].value in IMPORT_TEXTS, path
    assert listed(codes, "imports") == set(IMPORT_TEXTS)
    assert {code for code in IMPORT_TEXTS if code.removesuffix("_of_sheet") not in written} == set()
    assert not set(IMPORT_TEXTS) & set(FAULT_KINDS)


def test_a_fault_says_what_it_is_with_what_values_and_where(world: World, place: Place) -> None:
    body = world.client.post("/v1/rules/verdict", json={"rulebook": 7, "colour": "blue", "line_pressure": -1e9}).json()
    assert (body["type"], body["code"], body.get("more", False)) == (
        "/problems/malformed",
        "several_faults",
        False,
    )
    by_pointer = {one["pointer"]: one for one in body["errors"]}
    assert by_pointer["/rulebook"] == {
        "code": "wrong_type",
        "pointer": "/rulebook",
        "detail": "Send text, not a whole number such as 3.",
        "parameters": {"expected": ["string"], "found": "integer"},
    }
    assert by_pointer["/colour"]["parameters"]["name"] == "colour"
    assert by_pointer["/colour"]["detail"].startswith("Unknown field `colour`. Available: `rulebook`, ")
    assert by_pointer["/assembly"]["code"] == "field_missing"
    assert by_pointer["/line_pressure"]["code"] == "too_small"
    [query] = place.get("/standings", limit="many").json()["errors"]
    assert (query["code"], query["parameter"], "pointer" in query) == ("wrong_type", "limit", False)
    assert query["detail"] == "Send a whole number such as 3, not text."
    [cursor] = place.get("/assemblies", after="nowhere").json()["errors"]
    assert cursor == {
        "code": "invalid_cursor",
        "parameter": "after",
        "detail": "Invalid cursor; use the `next` of the previous page.",
    }
    missing = world.operator.get(f"{place.base}/premises/0192c80d-ca80-707c-86d8-8e6b2e0d33dc").json()
    assert (missing["code"], missing["parameters"]) == ("thing_not_found", {"thing": "premises"})


def test_a_text_is_its_template_with_its_parameters(codes: dict[str, Any], world: World) -> None:
    """Whoever translates the templates can render every fault from its code and parameters alone."""
    body = world.client.post("/v1/rules/verdict", json={"rulebook": 7, "units": {"pressure": "feet"}, "x": 1}).json()
    for one in body["errors"]:
        assert render(one["code"], one.get("parameters", {})) == one["detail"]
    names = {name for kind in FAULT_KINDS.values() for name in re.findall(r"(?<!\{)\{(\w+)", kind.text)}
    assert names
    assert {one["text"] for one in codes["faults"]} == {kind.text for kind in FAULT_KINDS.values()}


def test_a_translation_of_many_faults_still_fits_the_bound() -> None:
    many = [fault("unknown_field", pointer="/x", name="x" * 500, available=["y" * 500] * 50) for _ in range(200)]
    body = body_of(problem_of(many, more=True), "/v1/rules/verdict")
    assert len(body) <= 64 * 1024
    assert all(msgspec.convert(one, Fault).code == "unknown_field" for one in msgspec.json.decode(body)["errors"])


@pytest.mark.parametrize("path", ["/codes", "/problems"])
def test_the_pages_list_them_and_every_link_on_them_leads_somewhere(world: World, path: str, codes: dict[str, Any]) -> None:
    page = world.client.get(path)
    assert page.headers["content-type"].startswith("text/html")
    for kind in ("problems", "faults", "flags", "actions", "diagnoses") if path == "/codes" else ("problems",):
        for code in listed(codes, kind):
            assert f">{code}<" in page.text
    for link in set(re.findall(r'href="([^"]+)"', page.text)):
        assert world.client.get(urlsplit(link).path).status_code == 200, link
