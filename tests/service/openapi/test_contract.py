"""The published contract: valid, complete, and changed only on purpose; the pages that explain it need nothing from elsewhere."""

import datetime as dt
import json
import re
from typing import Any

import jsonschema
import msgspec
import pytest

import rules
from service import endpoints as calls
from service.app import VERSION
from service.imports.schemas import ImportOptions
from service.openapi import document
from service.openapi.components import enumerations
from service.openapi.published import PATH, as_text, entity_tag
from service.openapi.texts import CALLS
from tests.support.world import World

RENEW = "The contract changed. If that was meant, renew it: python -m service.openapi"


def test_the_contract_changes_only_on_purpose() -> None:
    assert as_text(document(calls.operations, VERSION)) == PATH.read_text(encoding="utf-8"), RENEW


def test_what_is_served_is_the_contract(world: World) -> None:
    served = world.client.get("/openapi.json", headers={"Accept-Encoding": "identity"})
    assert served.headers["content-type"].startswith("application/json")
    assert served.content == PATH.read_bytes()
    assert served.headers["etag"] == entity_tag()


def contract() -> dict[str, Any]:
    """The contract as it is now."""
    return dict(json.loads(PATH.read_bytes()))


def references(node: Any) -> set[str]:
    """Every $ref below."""
    if isinstance(node, dict):
        own = {node["$ref"]} if isinstance(node.get("$ref"), str) else set()
        return own.union(*map(references, node.values()))
    return set().union(*map(references, node)) if isinstance(node, list) else set()


def resolved(document: dict[str, Any], answer: dict[str, Any]) -> dict[str, Any]:
    """The answer that a reference leads to, or the answer itself."""
    name = answer.get("$ref", "").removeprefix("#/components/responses/")
    return dict(document["components"]["responses"][name]) if name else answer


def test_the_contract_is_an_openapi_3_1_document() -> None:
    document = contract()
    # OpenAPI 3.1.0, sections 4.8.1, 4.8.10: what every document and operation must have.
    assert re.fullmatch(r"3\.1\.\d+", document["openapi"])
    assert {"title", "version"} <= set(document["info"])
    ids = []
    for path, item in document["paths"].items():
        assert path.startswith("/")
        for call in item.values():
            ids.append(call["operationId"])
            assert call["responses"]
            assert all(resolved(document, answer)["description"] for answer in call["responses"].values())
            placed = [one["name"] for one in call.get("parameters", ()) if one["in"] == "path"]
            assert placed == re.findall(r"\{(\w+)\}", path)
            assert all(one["required"] for one in call.get("parameters", ()) if one["in"] == "path")
    assert len(ids) == len(set(ids))


def test_every_reference_leads_somewhere() -> None:
    document = contract()
    found = references(document)
    assert found
    for one in found:
        section, name = one.removeprefix("#/components/").split("/")
        assert name in document["components"][section], one


@pytest.mark.parametrize("name", sorted(contract()["components"]["schemas"]))
def test_every_shape_is_a_json_schema_of_2020_12(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(contract()["components"]["schemas"][name])


def test_every_call_that_asks_for_a_key_says_how_it_may_be_refused() -> None:
    for item in contract()["paths"].values():
        for call in item.values():
            if call["security"]:
                assert {"401", "403"} <= set(call["responses"])
                assert "application/problem+json" in resolved(contract(), call["responses"]["401"])["content"]


@pytest.mark.parametrize("path", ["/docs", "/problems/malformed", "/problems/conflict"])
def test_the_pages_need_nothing_from_elsewhere(world: World, path: str) -> None:
    page = world.client.get(path)
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src" not in policy
    assert not re.search(r"https?:", policy)
    assert page.headers["x-content-type-options"] == "nosniff"
    assert not re.search(r"<script|<iframe|<object|<embed|<link|@import|url\(", page.text)
    assert not re.findall(r"""(?:src|href|action)=["']?(?:https?:)?//""", page.text)


def test_every_call_is_on_the_reference_page_and_every_link_leads_somewhere(world: World) -> None:
    page = world.client.get("/docs").text
    for item in contract()["paths"].values():
        for call in item.values():
            assert f'id="{call["operationId"]}"' in page
    anchors = set(re.findall(r'id="([^"]+)"', page))
    for link in set(re.findall(r'href="([^"]+)"', page)):
        if link.startswith("#"):
            assert link[1:] in anchors
        else:
            assert world.client.get(link).status_code == 200


def test_alive_and_ready(world: World) -> None:
    assert world.client.get("/healthz").json() == {"status": "alive"}
    assert world.client.get("/readyz").json() == {"status": "ready"}


def test_what_an_import_is_asked_is_said_of_each_parameter() -> None:
    described = document(calls.operations, "0")["paths"]["/v1/utilities/{utility}/imports"]["post"]["parameters"]
    asked = [one for one in described if one["in"] == "query"]
    assert {one["name"] for one in asked} == set(ImportOptions.__struct_fields__)
    assert all(one["description"].endswith(".") and "description" not in one["schema"] for one in asked)
    assert next(one for one in asked if one["name"] == "dates")["schema"] == {"$ref": "#/components/schemas/DateOrder"}


def test_every_shape_has_a_public_name_and_every_enumeration_is_used() -> None:
    schemas = contract()["components"]["schemas"]
    assert [name for name in schemas if not re.fullmatch(r"[A-Z][A-Za-z0-9]+", name)] == []
    assert set(enumerations()) - set(schemas) == set()
    used = {name.removeprefix("#/components/schemas/") for name in references(contract()) if "/schemas/" in name}
    assert used == set(schemas)


def test_enumerations_stand_under_their_names_and_every_word_is_described() -> None:
    def inline(node: Any) -> list[Any]:
        if isinstance(node, list):
            return [found for part in node for found in inline(part)]
        if not isinstance(node, dict):
            return []
        own = [node["enum"]] if "enum" in node and all(isinstance(value, str) for value in node["enum"]) else []
        return own + [found for part in node.values() for found in inline(part)]

    document = contract()
    assert inline(document["paths"]) == []
    named = {tuple(schema["enum"]) for schema in document["components"]["schemas"].values() if "enum" in schema}
    assert {tuple(found) for found in inline(document)} == named
    for enumeration in enumerations().values():
        assert all(meaning.endswith(".") for meaning in (enumeration.description, *enumeration.values.values()))


def test_patterns_are_ecma_262_and_descriptions_have_no_indentation() -> None:
    text = json.dumps(contract())
    assert r"\\Z" not in text
    assert not re.search(r'"description": "[^"]*\\n {2,}', text)


def test_every_call_has_a_text_and_every_text_a_call() -> None:
    # `test_every_property_and_parameter_is_described` holds that each call says what happens when it is sent again, unless it is a GET.
    ids = {call["operationId"] for item in contract()["paths"].values() for call in item.values()}
    assert set(CALLS) == ids


def test_every_property_and_parameter_is_described() -> None:
    document = contract()
    shapes = {name: schema.get("properties", {}) for name, schema in document["components"]["schemas"].items()}
    assert [
        f"{name}.{member}" for name, members in shapes.items() for member, part in members.items() if not part.get("description")
    ] == []
    for item in document["paths"].values():
        for call in item.values():
            assert [part["name"] for part in call.get("parameters", ()) if not part.get("description")] == []
            assert len(call["description"].split("\n\n")) == (2 if call is item.get("get") else 3)
    assert [name for name, schema in document["components"]["schemas"].items() if not schema.get("description")] == []


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_a_rulebook_is_typed_to_its_last_member(rulebook: str) -> None:
    """As it is published, every entry is one that the contract describes, and has no member that it does not."""
    day = dt.date(2026, 6, 1)
    document = contract()
    schemas = document["components"]["schemas"]
    effective, plain = (
        ("EffectiveRulebook", rules.publish_effective(rulebook, day)),
        ("PublishedRulebook", rules.publish(rulebook, day)),
    )
    for shape, published in (effective, plain):
        written = json.loads(msgspec.json.encode(published))
        validator = jsonschema.Draft202012Validator({**document, "$ref": f"#/components/schemas/{shape}"})
        assert [fault.message for fault in validator.iter_errors(written)] == []
        for section in ("criteria", "intervals", "deadlines", "hazard_words", "tables"):
            described = set(schemas[schemas[shape]["properties"][section]["items"]["$ref"].rpartition("/")[2]]["properties"])
            assert all(set(entry) <= described for entry in written[section]), section
