"""The published contract: an OpenAPI 3.1 document made from the declared calls and the structs they speak in."""

import re
from collections.abc import Iterable, Mapping
from typing import Any

import msgspec

from service.api.operation import AS_OF, JSON, Operation
from service.api.tables import NDJSON
from service.problems import KINDS, MEDIA_TYPE, Problem
from service.webhooks import Message

_PARAMETER = re.compile(r"\{(\w+):(\w+)\}")
_AS_OF = {
    "description": "Everything that was answered by this moment is in this answer, which may come from a replica. Ask with "
    "`Cache-Control: no-cache` for the record as it is now, or with `max-age=N` for one at most N seconds behind.",
    "schema": {"type": "string", "format": "date-time"},
}
_REF = "#/components/schemas/{name}"
_PATH_SCHEMAS = {
    "uuid": {"type": "string", "format": "uuid"},
    "str": {"type": "string", "minLength": 1, "maxLength": 60},
    "int": {"type": "integer", "minimum": 1, "maximum": 9999},
}
_DESCRIPTION = (
    "Judges field tests of backflow prevention assemblies, chooses assemblies for a hazard, and keeps the record. "
    "Nothing here replaces the local code or a licensed person's judgement."
)


def document(operations: Iterable[Operation], version: str) -> dict[str, Any]:
    """The OpenAPI document of these calls."""
    public = [one for one in operations if one.public]
    shapes = [
        shape
        for one in public
        for shape in (one.takes, one.query, one.line, one.answer_line, *one.answers.values())
        if shape not in (None, bytes)
    ]
    shapes.append(Message)
    schemas, components = msgspec.json.schema_components([*shapes, Problem], ref_template=_REF)
    for shape in shapes:
        if isinstance(needs := getattr(shape, "needs", None), Mapping):
            # JSON Schema 2020-12, Validation, 6.5.4.
            components[shape.__name__]["dependentRequired"] = {name: [needed] for name, (needed, _) in needs.items()}
    by_shape = dict(zip([*map(id, shapes), id(Problem)], schemas, strict=True))
    paths: dict[str, dict[str, Any]] = {}
    for one in public:
        path = _PARAMETER.sub(r"{\1}", one.path)
        paths.setdefault(path, {})[one.method.lower()] = _operation(one, by_shape, components)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Nonreturn",
            "version": version,
            "description": _DESCRIPTION,
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": "/"}],
        "paths": paths,
        "webhooks": {"changes": {"post": _message(by_shape)}},
        "components": {
            "schemas": components,
            "securitySchemes": {"key": {"type": "http", "scheme": "bearer", "description": "An access key, as issued."}},
        },
    }


def _message(by_shape: dict[int, Any]) -> dict[str, Any]:
    """What a subscription's receiver is sent."""
    headers = {
        "webhook-id": "The message's id, the same at each attempt.",
        "webhook-timestamp": "When this attempt was made, in seconds since 1970.",
        "webhook-signature": "One signature, or two parted by a space while a secret is being rotated.",
    }
    return {
        "summary": "Changes of a utility, to those who subscribed to them",
        "description": "Signed as Standard Webhooks 1.0.0 says. Compare `after_sequence` with the `last_sequence` before it to see a gap, and drop a `webhook-id` already taken.",
        "parameters": [
            {"name": name, "in": "header", "required": True, "description": text, "schema": {"type": "string"}}
            for name, text in headers.items()
        ],
        "requestBody": {"required": True, "content": {JSON: {"schema": by_shape[id(Message)]}}},
        "responses": {
            "2XX": {"description": "Taken."},
            "410": {"description": "No more messages are wanted; the subscription is disabled."},
            "default": {"description": "Not taken; the message is sent again, over days, and `Retry-After` is honoured."},
        },
    }


def _operation(one: Operation, by_shape: dict[int, Any], components: dict[str, Any]) -> dict[str, Any]:
    parameters: list[dict[str, Any]] = [
        {"name": name, "in": "path", "required": True, "schema": _PATH_SCHEMAS[kind]}
        for name, kind in _PARAMETER.findall(one.path)
    ]
    if one.query is not None:
        schema = by_shape[id(one.query)]
        shape = components[schema["$ref"].rpartition("/")[2]]
        parameters += [
            _parameter(name, part, required=name in shape.get("required", ())) for name, part in shape["properties"].items()
        ]
    parameters += [
        {"name": name, "in": "header", "required": name == "If-Match", "schema": {"type": "string", "pattern": pattern}}
        for name, pattern in one.request_headers.items()
    ]
    described: dict[str, Any] = {
        "operationId": one.id,
        "summary": one.summary,
        "tags": [one.tag],
        "responses": _responses(one, by_shape),
    }
    if parameters:
        described["parameters"] = parameters
    if one.takes is not None:
        schema = {"type": "string"} if one.takes is bytes else by_shape[id(one.takes)]
        if one.line is not None:
            schema = _lines_of(by_shape[id(one.line)])
        content = {kind: {"schema": schema} for kind in (one.body_media_type, *one.other_body_media_types)}
        described["requestBody"] = {"required": True, "content": content}
    if one.right is not None:
        described["security"] = [{"key": []}]
        described["description"] = f"Needs a key with the right `{one.right}`."
        if one.companies:
            described["description"] += " A testing company's key sees what is granted to it."
    return described


def _lines_of(schema: dict[str, Any]) -> dict[str, Any]:
    """A text whose every line is JSON of that schema; JSON Schema 2020-12, section 8, has words for what a text holds."""
    return {
        "type": "string",
        "contentMediaType": JSON,
        "contentSchema": schema,
        "description": "NDJSON: each line, by itself, is of this schema.",
    }


def _parameter(name: str, part: dict[str, Any], *, required: bool) -> dict[str, Any]:
    """A query parameter; what its schema says in words is said of the parameter, where readers look for it."""
    schema = _for_query(part)
    said = {"description": schema["description"]} if "description" in schema else {}
    kept = {key: value for key, value in schema.items() if key != "description"}
    return {"name": name, "in": "query", "required": required, **said, "schema": kept}


def _for_query(schema: dict[str, Any]) -> dict[str, Any]:
    """A parameter that is left out has no value, so its default of null is not part of what may be sent."""
    if "anyOf" in schema:
        parts = [part for part in schema["anyOf"] if part != {"type": "null"}]
        kept = {key: value for key, value in schema.items() if key not in ("anyOf", "default")}
        return {**kept, **(parts[0] if len(parts) == 1 else {"anyOf": parts})}
    return schema


def _responses(one: Operation, by_shape: dict[int, Any]) -> dict[str, Any]:
    responses: dict[str, Any] = {}
    for status, shape in one.answers.items():
        types = one.media_types.get(status, (JSON,))
        if shape is None:
            responses[str(status)] = {"description": "Done; no body."}
            continue
        content = {kind: {"schema": {"type": "string"} if shape is bytes else by_shape[id(shape)]} for kind in types}
        if one.answer_line is not None:
            content[NDJSON] = {"schema": _lines_of(by_shape[id(one.answer_line)])}
        responses[str(status)] = {"description": "As asked.", "content": content}
        if one.may_lag:
            responses[str(status)]["headers"] = {AS_OF: _AS_OF}
    problem = {"content": {MEDIA_TYPE: {"schema": by_shape[id(Problem)]}}}
    for kind in {kind.status: kind for kind in KINDS.values()}.values():
        if str(kind.status) not in responses and _may_fail_with(one, kind.status):
            responses[str(kind.status)] = {"description": kind.title + ".", **problem}
    return responses


def _may_fail_with(one: Operation, status: int) -> bool:
    bad_request, unauthorized, forbidden, missing, late, conflict, stale, large, media, inapplicable, unmatched, too_many = (
        400, 401, 403, 404, 408, 409, 412, 413, 415, 422, 428, 429,
    )  # fmt: skip
    reads_body = one.takes is not None
    applies = {
        bad_request: True,
        unauthorized: one.right is not None,
        forbidden: one.right is not None,
        missing: "{" in one.path,
        conflict: one.method in ("POST", "PUT", "PATCH") and one.right is not None,
        stale: "If-Match" in one.request_headers,
        unmatched: "If-Match" in one.request_headers,
        late: reads_body and not one.streams,
        too_many: one.right is not None,
        large: reads_body,
        media: reads_body,
        inapplicable: reads_body or one.query is not None or "{" in one.path,
    }
    return applies.get(status, status >= 500)  # noqa: PLR2004
