"""What the rules speak in: frozen structs, closed against what nobody meant, their defaults of their own types, as they are published."""

import importlib
import inspect
import json
import pkgutil
from collections.abc import Iterator
from types import ModuleType
from typing import Any, get_type_hints

import msgspec
import pytest
from msgspec import UNSET, Struct

import rules
from rules import inspection, notices, operation, selection
from rules.catalogue import Catalogue
from rules.field_test.diagnosis import Rows
from rules.field_test.plausible import Plausible
from rules.field_test.shutoffs import Spoils
from rules.field_test.uncertainty import Water
from rules.notices.data import NoticeData
from rules.operation.physics import Physics
from rules.rulebook import RulebookData
from rules.screening.settings import ScreeningData
from rules.selection import hydraulics, premises
from rules.selection.installation import PlacementData
from rules.selection.tables import Index, Table
from rules.sources import Work
from rules.standing import ComponentTrend
from rules.words import Words
from service.openapi import published

ASKED: list[Any] = [
    rules.Test,
    rules.PreviousReadings,
    inspection.Inspection,
    selection.SelectionRequest,
    selection.PlacementRequest,
    operation.OperationRequest,
    operation.PracticeTestRequest,
    notices.NoticeStep,
]
ANSWERED: list[Any] = [
    rules.Verdict,
    inspection.InspectionVerdict,
    rules.PublishedRulebook,
    rules.AssemblyKind,
    rules.Standing,
    selection.Selection,
    selection.Placement,
    selection.PremisesType,
    operation.OperationResult,
    operation.PracticeTest,
    ComponentTrend,
]


def modules() -> Iterator[ModuleType]:
    yield rules
    for found in pkgutil.walk_packages(rules.__path__, "rules."):
        yield importlib.import_module(found.name)


def structs() -> list[Any]:
    found = {
        one: None
        for module in modules()
        for one in vars(module).values()
        if inspect.isclass(one) and issubclass(one, Struct) and one.__module__.startswith("rules")
    }
    return sorted(found, key=lambda one: (one.__module__, one.__qualname__))


def test_every_name_of_a_face_is_there() -> None:
    faces = [module for module in modules() if hasattr(module, "__all__")]
    assert rules in faces
    for face in faces:
        assert [name for name in face.__all__ if not hasattr(face, name)] == []


@pytest.mark.parametrize("shape", structs(), ids=lambda one: f"{one.__module__}.{one.__qualname__}")
def test_a_struct_is_frozen_and_reported_by_name_and_its_defaults_are_of_their_types(shape: Any) -> None:
    assert shape.__struct_config__.frozen
    assert {parameter.kind for parameter in inspect.signature(shape).parameters.values()} <= {inspect.Parameter.KEYWORD_ONLY}
    hints = get_type_hints(shape, include_extras=True)
    for field in msgspec.structs.fields(shape):
        default = field.default if field.default is not msgspec.NODEFAULT else UNSET
        if default is not UNSET:
            result = msgspec.msgpack.encode(default)
            assert msgspec.msgpack.encode(msgspec.msgpack.decode(result, type=hints[field.name])) == result, field.name


def reachable(shape: Any) -> set[Any]:
    """The structs that a document of that shape may hold."""
    found: set[Any] = set()

    def walk(info: msgspec.inspect.Type) -> None:
        if isinstance(info, msgspec.inspect.StructType) and info.cls not in found:
            found.add(info.cls)
            for field in info.fields:
                walk(field.type)
        for name in ("types", "item_types"):
            for inner in getattr(info, name, ()):
                walk(inner)
        for name in ("item_type", "key_type", "value_type", "type"):
            if isinstance(inner := getattr(info, name, None), msgspec.inspect.Type):
                walk(inner)

    walk(msgspec.inspect.type_info(shape))
    return found


@pytest.mark.parametrize("shape", ASKED, ids=lambda one: one.__name__)
def test_a_misspelt_member_is_refused_wherever_it_stands(shape: Any) -> None:
    # contract.md, Manners: unknown members are refused, so that a misspelt one is never lost.
    assert [one for one in reachable(shape) if not one.__struct_config__.forbid_unknown_fields] == []


DATA: list[Any] = [
    Catalogue,
    Work,
    Words,
    NoticeData,
    Plausible,
    RulebookData,
    Spoils,
    Rows,
    Water,
    Physics,
    ScreeningData,
    PlacementData,
    Index,
    Table,
    hydraulics._Data,
    premises._Types,
]


@pytest.mark.parametrize("shape", DATA, ids=lambda one: one.__name__)
def test_a_misspelt_member_of_the_data_is_refused(shape: Any) -> None:
    # A limit whose name is misspelt would otherwise silently not be there.
    assert [one for one in reachable(shape) if not one.__struct_config__.forbid_unknown_fields] == []


PUBLISHED = json.loads(published())["components"]["schemas"]
WORDS = ("description", "title", "default", "discriminator")


def bounds(node: Any) -> Any:
    """A schema without what is only said of it; enumerations in place, patterns as ECMA-262 writes them."""
    if isinstance(node, list):
        return [bounds(part) for part in node]
    if not isinstance(node, dict):
        return node
    target = PUBLISHED.get(str(node.get("$ref", "")).rpartition("/")[2], {})
    if "enum" in target:
        return {"enum": sorted(target["enum"])}
    if "enum" in node:
        return {"enum": sorted(node["enum"])} if len(node["enum"]) > 1 else {"const": node["enum"][0]}
    kept = {name: bounds(part) for name, part in node.items() if name not in WORDS or isinstance(part, dict)}
    if "enum" in kept.get("propertyNames", {}):
        # msgspec decodes only these names, and does not say so in its schema; the published one does.
        del kept["propertyNames"]
    return kept | ({"pattern": kept["pattern"].replace(r"\Z", "$")} if isinstance(kept.get("pattern"), str) else {})


def test_the_bounds_of_every_document_are_the_published_ones() -> None:
    _, components = msgspec.json.schema_components([*ASKED, *ANSWERED], ref_template="#/components/schemas/{name}")
    known = {name: schema for name, schema in json.loads(json.dumps(components)).items() if name in PUBLISHED}
    assert len(known) > 50
    # The contract types a rulebook's entries (service/openapi/components.py), which the rules lay open as plain objects.
    assert {name for name, schema in known.items() if bounds(schema) != bounds(PUBLISHED[name])} == {"PublishedRulebook"}


LEAN = (
    rules.Test,
    rules.Phase,
    rules.Repair,
    rules.GaugeUsed,
    rules.CertifiedTester,
    rules.Finding,
    rules.CheckReading,
    rules.Check1Reading,
    rules.Check2Reading,
    rules.ReliefValveReading,
    rules.AirInletReading,
    rules.Shutoffs,
    rules.TestedAssembly,
    rules.TestUnits,
)


@pytest.mark.parametrize("shape", LEAN, ids=lambda one: one.__name__)
def test_what_was_not_reported_is_not_written(shape: Any) -> None:
    """A stored test holds what was reported, so that its bytes do not change with a default."""
    assert shape.__struct_config__.omit_defaults


# What a document can hold has no end; what is kept for ever is asked by names and states alone, of which there are few.
FEW = {
    "rulebook_id",
    "table_id",
    "key",
    "vocabulary",
    "kind",
    "hazard",
    "failed",
    "mechanism",
    "leak",
    "statuses",
    "trial",
    "opening",
    "length",
    "pressure",
    "work_key",
    "clause",
    "provenance",
    "subject",
}


def test_what_is_remembered_of_documents_is_bounded() -> None:
    kept = [(module, name, one) for module in modules() for name, one in vars(module).items() if hasattr(one, "cache_parameters")]
    assert len(kept) > 30
    for module, name, one in kept:
        largest = one.cache_parameters()["maxsize"]
        asked = set(inspect.signature(one).parameters)
        assert asked <= FEW if largest is None else 0 < largest <= 4096, f"{module.__name__}.{name}"
