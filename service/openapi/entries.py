"""The schemas of a rulebook's entries: a row of the rules' data, with its source laid open and `stated_by` beside it.

`rules.publish` writes the entries from the rows of the data, so their shapes follow from the rows too; what each member means is in
`entries.toml`, by its name, or by the row's and its own where that says more.
"""

import tomllib
from functools import cache
from pathlib import Path
from typing import Any, Final

import msgspec

import rules

_REF: Final = "#/components/schemas/{name}"
_HIDDEN: Final = ("source", "clause", "provenance")
"""What a row says by keys, and its entry in `source`."""


@cache
def descriptions() -> dict[str, Any]:
    """What the members of entries mean, by name; and by the row's name, where a table stands."""
    return tomllib.loads(Path(__file__).with_name("entries.toml").read_text(encoding="utf-8"))


def entry_schemas() -> tuple[dict[str, dict[str, Any]], dict[str, dict[str, Any]]]:
    """The schema of each kind of entry by its public name, and what the items of each section of a rulebook are."""
    of_section = rules.entry_types()
    _, made = msgspec.json.schema_components([row for rows in of_section.values() for row in rows], ref_template=_REF)
    named = {name: schema for name, schema in made.items() if "properties" in schema and name not in ("Source", "Work")}
    schemas = {_public(name): _entry(name, schema, named) for name, schema in named.items()}
    items = {
        section: _one_of([{"$ref": _REF.format(name=_public(row.__name__))} for row in rows])
        for section, rows in of_section.items()
    }
    return schemas, items


def _public(name: str) -> str:
    return name if name.startswith("Published") else f"Published{name}"


def _one_of(found: list[dict[str, Any]]) -> dict[str, Any]:
    return found[0] if len(found) == 1 else {"anyOf": found}


def _entry(name: str, schema: dict[str, Any], named: dict[str, Any]) -> dict[str, Any]:
    own = descriptions().get(name, {})
    members = schema["properties"]
    cited = "source" in members
    properties = {
        member: {**_public_parts(part, named), "description": own.get(member) or descriptions()[member]}
        for member, part in members.items()
        if not (cited and member in _HIDDEN)
    }
    if cited:
        properties["source"] = {"$ref": _REF.format(name="Source"), "description": descriptions()["source"]}
        properties["stated_by"] = {"type": "string", "description": descriptions()["stated_by"]}
    # A member without a default may be missing; one with a default is always written.
    always = [*schema.get("required", ()), *(member for member, part in members.items() if "default" in part)]
    required = sorted(member for member in properties if member in always)
    return {
        "type": "object",
        "title": _public(name),
        "description": own.get("description") or " ".join(schema.get("description", f"A rulebook's {name}.").split()),
        "properties": properties,
        "required": required,
    }


def _public_parts(part: Any, named: dict[str, Any]) -> Any:
    """The part with references to rows turned to their entries, and without defaults, which say nothing of an answer."""
    if isinstance(part, list):
        return [_public_parts(value, named) for value in part]
    if not isinstance(part, dict):
        return part
    kept = {key: _public_parts(value, named) for key, value in part.items() if key != "default"}
    if (name := str(part.get("$ref", "")).rpartition("/")[2]) in named:
        kept["$ref"] = _REF.format(name=_public(name))
    return kept
