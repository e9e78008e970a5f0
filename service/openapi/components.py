"""The named schemas of the contract: one public name a shape, whatever module it lives in.

msgspec makes a JSON schema of each struct, with the bounds that decoding holds. What it leaves to us: names that say nothing of modules,
descriptions of members, enumerations under names of their own, patterns as ECMA-262 writes them (which JSON Schema uses), and the shapes
of merge patches (RFC 7396).
"""

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any, Final

import msgspec
from msgspec import Struct

from service.openapi.docstrings import class_description, member_descriptions, paragraphs
from service.openapi.entries import entry_schemas

REF: Final = "#/components/schemas/{name}"
_NULL: Final = {"type": "null"}


class Enumeration(Struct, frozen=True, forbid_unknown_fields=True):
    """A named set of words: what they are words for, and what each means."""

    description: str
    values: dict[str, str]


@cache
def enumerations() -> dict[str, Enumeration]:
    """Every named enumeration of the contract, by its name."""
    return msgspec.convert(
        tomllib.loads(Path(__file__).with_name("enums.toml").read_text(encoding="utf-8")), dict[str, Enumeration]
    )


@cache
def common_members() -> dict[str, str]:
    """What a member of a name means where its struct does not say."""
    return dict(tomllib.loads(Path(__file__).with_name("members.toml").read_text(encoding="utf-8")))


class Components:
    """The schemas of some shapes, and how each shape is referred to."""

    def __init__(self, shapes: Iterable[Any], patches: Iterable[type]) -> None:
        """Make them; ValueError where two shapes share a name, or an enumeration has none."""
        patches = list(patches)
        wanted = [*shapes, *patches]
        made, self.schemas = msgspec.json.schema_components(wanted, ref_template=REF)
        if ambiguous := [name for name in self.schemas if "." in name]:
            raise ValueError(f"Two shapes share a public name; rename one of them: {', '.join(sorted(ambiguous))}")
        self._by_shape = dict(zip(map(id, wanted), made, strict=True))
        if clashing := self.schemas.keys() & enumerations().keys():
            raise ValueError(f"A shape and an enumeration share a name; rename one of them: {', '.join(sorted(clashing))}")
        for shape in _structs(wanted):
            self._describe(shape)
        self._add_entries()
        for schema in self.schemas.values():
            _tidy(schema)
        for schema in self._by_shape.values():
            _tidy(schema)
        self.schemas |= {name: _enumeration(enumeration) for name, enumeration in enumerations().items()}
        for patch in patches:
            self._add_patch(_public_name(patch))

    def of(self, shape: Any) -> dict[str, Any]:
        """The schema of a shape: a reference where it has a name."""
        return dict(self._by_shape[id(shape)])

    def patch_of(self, facts: type) -> dict[str, Any]:
        """A reference to the merge patch of some facts."""
        return {"$ref": REF.format(name=_patch_name(facts.__name__))}

    def keep(self, document: Any) -> dict[str, Any]:
        """The schemas that the document refers to, directly or through others, by name."""
        kept: set[str] = set()
        waiting = list(_references(document))
        while waiting:
            name = waiting.pop()
            if name not in kept:
                kept.add(name)
                waiting += _references(self.schemas[name])
        return {name: schema for name, schema in sorted(self.schemas.items()) if name in kept}

    def _describe(self, shape: type) -> None:
        schema = self.schemas.get(_public_name(shape))
        if schema is None:
            return
        if description := class_description(shape):
            schema["description"] = description
        descriptions = member_descriptions(shape)
        renamed = dict(zip(shape.__struct_fields__, shape.__struct_encode_fields__, strict=True))  # type: ignore[attr-defined]
        for field in msgspec.inspect.type_info(shape).fields:  # type: ignore[attr-defined]
            # JSON Schema says what the values of an object are; what its names are is left to us.
            for found in _dicts(field.type):
                if isinstance(found.key_type, msgspec.inspect.LiteralType):
                    schema["properties"][field.encode_name]["propertyNames"] = {"enum": sorted(map(str, found.key_type.values))}
        for member, text in descriptions.items():
            part = schema.get("properties", {}).get(renamed.get(member, member))
            if part is not None:
                part.setdefault("description", text)
        for name, part in schema.get("properties", {}).items():
            if "description" not in part and name in common_members():
                part["description"] = common_members()[name]
        if isinstance(needs := getattr(shape, "needs", None), Mapping):
            # JSON Schema 2020-12, Validation, 6.5.4.
            schema["dependentRequired"] = {name: [needed] for name, (needed, _) in needs.items()}

    def _add_entries(self) -> None:
        """The entries of rulebooks, which the rules write from the rows of their data."""
        entries, items = entry_schemas()
        self.schemas |= entries
        for name in ("PublishedRulebook", "EffectiveRulebook"):
            for section, part in self.schemas.get(name, {}).get("properties", {}).items():
                if section in items:
                    part["items"] = dict(items[section])

    def _add_patch(self, name: str) -> None:
        """The merge patch of a shape: any member may be left out, and null takes away one that may be missing."""
        patch = _patch_name(name)
        if patch in self.schemas:
            return
        facts = self.schemas[name]
        required = facts.get("required", ())
        self.schemas[patch] = {}  # Known before its members are made: a shape may hold itself.
        properties = {}
        for member, schema in facts["properties"].items():
            part = self._patched({key: value for key, value in schema.items() if key != "default"})
            properties[member] = part if member in required else _nullable(part)
        self.schemas[patch] = {
            "type": "object",
            "title": patch,
            "description": f"A merge patch (RFC 7396) of `{name}`: "
            "a member that is left out stays as it is; null removes one that is optional.",
            "properties": properties,
            "additionalProperties": False,
        }

    def _patched(self, schema: dict[str, Any]) -> dict[str, Any]:
        """A member of a patch: an object in it is merged too, anything else is replaced."""
        target = schema.get("$ref", "").rpartition("/")[2]
        if target and self.schemas[target].get("type") == "object" and "properties" in self.schemas[target]:
            self._add_patch(target)
            return {**schema, "$ref": REF.format(name=_patch_name(target))}
        if "anyOf" in schema:
            return {**schema, "anyOf": [self._patched(part) for part in schema["anyOf"]]}
        return schema


def _public_name(shape: type) -> str:
    return shape.__name__


def _patch_name(name: str) -> str:
    return f"{name.removesuffix('Facts')}Patch"


def _structs(shapes: Iterable[Any]) -> Iterator[type]:
    """Every struct that the shapes use, directly or through others, once each."""
    seen: set[type] = set()
    waiting = list(msgspec.inspect.multi_type_info([shape for shape in shapes if shape is not bytes]))
    while waiting:
        found = waiting.pop()
        if isinstance(found, msgspec.inspect.StructType):
            if found.cls in seen:
                continue
            seen.add(found.cls)
            yield found.cls
            waiting += [field.type for field in found.fields]
        else:
            waiting += [part for part in _parts(found) if isinstance(part, msgspec.inspect.Type)]


def _dicts(found: msgspec.inspect.Type) -> Iterator[msgspec.inspect.DictType]:
    """The mappings that a type may be."""
    if isinstance(found, msgspec.inspect.DictType):
        yield found
    elif isinstance(found, msgspec.inspect.UnionType):
        for choice in found.types:
            yield from _dicts(choice)


def _parts(found: msgspec.inspect.Type) -> Iterator[Any]:
    for name in found.__struct_fields__:
        value = getattr(found, name)
        if isinstance(value, tuple):
            yield from value
        else:
            yield value


def _tidy(schema: Any) -> None:
    """Patterns and descriptions as readers of JSON Schema expect them, and enumerations by name; in place."""
    if isinstance(schema, list):
        for part in schema:
            _tidy(part)
        return
    if not isinstance(schema, dict):
        return
    if isinstance(pattern := schema.get("pattern"), str):
        # Python's `$` also matches before a last line break, so decoding uses `\Z`; ECMA-262 has no `\Z`, and its `$` is the end.
        schema["pattern"] = pattern.replace(r"\Z", "$")
    if isinstance(description := schema.get("description"), str):
        schema["description"] = paragraphs(description)
    values = schema.get("enum")
    if isinstance(values, list) and len(values) == 1:
        schema["const"] = values[0]
        del schema["enum"]
    elif isinstance(values, list) and all(isinstance(value, str) for value in values):
        del schema["enum"]
        schema.pop("type", None)
        schema["$ref"] = REF.format(name=_name_of(frozenset(values)))
    for part in list(schema.values()):
        _tidy(part)


@cache
def _names() -> dict[frozenset[str], str]:
    names: dict[frozenset[str], str] = {}
    for name, enumeration in enumerations().items():
        if (values := frozenset(enumeration.values)) in names:
            raise ValueError(f"{name} and {names[values]} hold the same words; keep one of them.")
        names[values] = name
    return names


def _name_of(values: frozenset[str]) -> str:
    if values not in _names():
        raise ValueError(f"Name this enumeration in enums.toml, and describe each word: {', '.join(sorted(values))}")
    return _names()[values]


def _enumeration(enumeration: Enumeration) -> dict[str, Any]:
    meanings = "\n".join(f"- `{value}`: {meaning}" for value, meaning in enumeration.values.items())
    return {"type": "string", "enum": [*enumeration.values], "description": f"{enumeration.description}\n\n{meanings}"}


def _nullable(schema: dict[str, Any]) -> dict[str, Any]:
    if schema.get("anyOf") and _NULL in schema["anyOf"]:
        return schema
    described = {"description": schema["description"]} if "description" in schema else {}
    bare = {key: value for key, value in schema.items() if key != "description"}
    if "anyOf" in bare and len(bare) == 1:
        return {**described, "anyOf": [*bare["anyOf"], _NULL]}
    return {**described, "anyOf": [bare, _NULL]}


def _references(node: Any) -> set[str]:
    """The names of the schemas that a schema or a document refers to."""
    if isinstance(node, dict):
        link = node.get("$ref")
        own = {link.rpartition("/")[2]} if isinstance(link, str) and "/responses/" not in link else set()
        mapped = (
            {value.rpartition("/")[2] for value in node.get("mapping", {}).values() if isinstance(value, str)}
            if "propertyName" in node
            else set()
        )
        return own.union(mapped, *map(_references, node.values()))
    return set().union(*map(_references, node)) if isinstance(node, list | tuple) else set()
