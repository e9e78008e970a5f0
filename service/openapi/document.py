"""The document itself: each call with its parameters, bodies, answers, headers and refusals."""

import re
from collections.abc import Iterable
from typing import Any, Final

from service.http.endpoint import Operation
from service.http.media_types import JSON, NDJSON
from service.http.problem_details import MEDIA_TYPE, Problem
from service.openapi.components import Components
from service.openapi.examples import add_answer, add_request
from service.openapi.headers import refusal_headers, request_header, response_headers
from service.openapi.media import MEDIA, lines_of
from service.openapi.tags import TAGS
from service.openapi.texts import description, meaning_of, refusal
from service.problems import KINDS
from service.webhooks.schemas import WebhookMessage

_PARAMETER: Final = re.compile(r"\{(\w+):(\w+)\}")
_PATH_SCHEMAS: Final = {
    "uuid": {"type": "string", "format": "uuid"},
    "str": {"type": "string", "minLength": 1, "maxLength": 60},
    "int": {"type": "integer", "minimum": 1, "maximum": 9999},
}
_PATH_DESCRIPTIONS: Final = {
    "utility": "The utility's code.",
    "organisation": "The organisation's id.",
    "delivery": "The message's id, its `webhook-id`.",
    "rulebook": "The rulebook's id, such as `us-wa`.",
    "year": "The calendar year, in the utility's time zone.",
}
_DESCRIPTION: Final = (
    "Judges field tests of backflow prevention assemblies, selects assemblies for a hazard, and keeps the record. "
    "Local codes and a licensed tester decide; nothing here replaces either."
)
_INFO: Final = {
    "title": "Nonreturn",
    "description": _DESCRIPTION,
    "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
    "contact": {"name": "Whoever operates this service"},
}


def document(operations: Iterable[Operation], version: str) -> dict[str, Any]:
    """The OpenAPI document of these calls; ValueError where a shape or an enumeration has no public name of its own."""
    public = [declared for declared in operations if declared.public]
    shapes = [
        shape
        for declared in public
        for shape in (
            declared.takes,
            declared.query,
            declared.line,
            declared.answer_line,
            declared.minimal,
            declared.tried,
            *declared.answers.values(),
        )
        if shape not in (None, bytes) and shape != dict[str, Any]
    ]
    components = Components(
        [*shapes, WebhookMessage, Problem], [declared.patches for declared in public if declared.patches is not None]
    )
    paths: dict[str, dict[str, Any]] = {}
    for declared in public:
        path = _PARAMETER.sub(r"{\1}", declared.path)
        paths.setdefault(path, {})[declared.method.lower()] = _operation(declared, components)
    webhooks = {"changes": {"post": _message(components)}}
    refusals = _refusals(paths, components)
    used = {tag for item in paths.values() for call in item.values() for tag in call["tags"]} | {"webhooks"}
    return {
        "openapi": "3.1.0",
        "info": {**_INFO, "version": version},
        "servers": [{"url": "/", "description": "The service that serves this document."}],
        "tags": [{"name": name, "description": text} for name, text in TAGS.items() if name in used],
        "paths": paths,
        "webhooks": webhooks,
        "components": {
            "schemas": components.keep([paths, webhooks, refusals]),
            "responses": refusals,
            "securitySchemes": {
                "key": {"type": "http", "scheme": "bearer", "description": "An API key: `Authorization: Bearer <key>`."}
            },
        },
    }


def _message(components: Components) -> dict[str, Any]:
    """What a webhook's receiver is sent."""
    headers = {
        "webhook-id": "The message's id, the same at each attempt.",
        "webhook-timestamp": "When this attempt was made, in seconds since 1970.",
        "webhook-signature": "One signature, or two separated by a space while a secret is being rotated.",
    }
    return {
        "operationId": "receiveChanges",
        "summary": "Changes of a utility, sent to a webhook",
        "description": (
            "Signed as Standard Webhooks 1.0.0 says. Compare `after_sequence` with the `last_sequence` of the message before: "
            "a difference is a gap. Ignore a `webhook-id` that you have taken already."
        ),
        "tags": ["webhooks"],
        "security": [],
        "parameters": [
            {"name": name, "in": "header", "required": True, "description": text, "schema": {"type": "string"}}
            for name, text in headers.items()
        ],
        "requestBody": {"required": True, "content": {JSON: {"schema": components.of(WebhookMessage)}}},
        "responses": {
            "2XX": {"description": "Taken."},
            "410": {"description": "No more messages are wanted; the webhook is disabled."},
            "default": {"description": "Not taken; the message is sent again, over days. `Retry-After` is honoured."},
        },
    }


def _operation(declared: Operation, components: Components) -> dict[str, Any]:
    described: dict[str, Any] = {
        "operationId": declared.id,
        "summary": declared.summary,
        "description": description(declared),
        "tags": [declared.tag],
        "security": [] if declared.right is None else [{"key": []}],
    }
    if parameters := _parameters(declared, components):
        described["parameters"] = parameters
    if declared.takes is not None:
        content = {
            kind: {"schema": _body(declared, components, kind)}
            for kind in (declared.body_media_type, *declared.other_body_media_types)
        }
        described["requestBody"] = {"required": True, "content": content}
    described["responses"] = _responses(declared, components)
    add_request(declared.id, described)
    add_answer(declared.id, described["responses"])
    return described


def _parameters(declared: Operation, components: Components) -> list[dict[str, Any]]:
    parameters: list[dict[str, Any]] = [
        {
            "name": name,
            "in": "path",
            "required": True,
            "description": _PATH_DESCRIPTIONS.get(name, "The record's id."),
            "schema": _PATH_SCHEMAS[kind],
        }
        for name, kind in _PARAMETER.findall(declared.path)
    ]
    if declared.query is not None:
        shape = components.schemas[components.of(declared.query)["$ref"].rpartition("/")[2]]
        parameters += [
            _query_parameter(name, part, required=name in shape.get("required", ())) for name, part in shape["properties"].items()
        ]
    return parameters + [request_header(name, pattern) for name, pattern in declared.request_headers.items()]


def _query_parameter(name: str, part: dict[str, Any], *, required: bool) -> dict[str, Any]:
    """A query parameter; its description stands on the parameter, where readers look for it."""
    schema = _for_query(part)
    described = {"description": schema["description"]} if "description" in schema else {}
    bare = {key: value for key, value in schema.items() if key != "description"}
    return {"name": name, "in": "query", "required": required, **described, "schema": bare}


def _for_query(schema: dict[str, Any]) -> dict[str, Any]:
    """A parameter that is left out has no value, so its default of null is not part of what may be sent."""
    if "anyOf" in schema:
        parts = [part for part in schema["anyOf"] if part != {"type": "null"}]
        kept = {key: value for key, value in schema.items() if key not in ("anyOf", "default")}
        return {**kept, **(parts[0] if len(parts) == 1 else {"anyOf": parts})}
    return schema


def _body(declared: Operation, components: Components, kind: str) -> dict[str, Any]:
    if declared.patches is not None:
        return components.patch_of(declared.patches)
    if declared.line is not None:
        return lines_of(components.of(declared.line))
    if declared.takes is bytes:
        return MEDIA[kind]
    return components.of(declared.takes)


def _responses(declared: Operation, components: Components) -> dict[str, Any]:
    responses: dict[str, Any] = {}
    for status, shape in declared.answers.items():
        headers = response_headers(declared, status, shape)
        if shape is None:
            responses[str(status)] = {"description": meaning_of(declared, status, shape), "headers": headers}
            continue
        kinds = [kind.partition(";")[0] for kind in declared.media_types.get(status, (JSON,))]
        content = {kind: {"schema": _answer(declared, kind, shape, components, status)} for kind in kinds}
        if declared.answer_line is not None:
            content[NDJSON] = {"schema": lines_of(_either(declared, declared.answer_line, components, status))}
        responses[str(status)] = {"description": meaning_of(declared, status, shape), "headers": headers, "content": content}
    if "If-None-Match" in declared.request_headers:
        unchanged = {"description": meaning_of(declared, 304, None), "headers": response_headers(declared, 304, None)}
        responses["304"] = unchanged
    for status in {kind.status for kind in KINDS.values()}:
        if str(status) not in responses and _may_fail_with(declared, status):
            responses[str(status)] = {"$ref": f"#/components/responses/{_refusal_name(status)}"}
    return dict(sorted(responses.items()))


def _either(declared: Operation, shape: Any, components: Components, status: int) -> dict[str, Any]:
    """The schema of an answer, or of what the caller may choose in its place: it in brief, or that of a dry run."""
    tried = declared.tried if status == 200 else None  # noqa: PLR2004
    schemas = [components.of(choice) for choice in (shape, declared.minimal, tried) if choice is not None]
    return schemas[0] if len(schemas) == 1 else {"anyOf": schemas}


def _answer(declared: Operation, kind: str, shape: Any, components: Components, status: int) -> dict[str, Any]:
    """What an answer of that media type holds; as NDJSON a list is its items, one a line."""
    if kind in MEDIA:
        return MEDIA[kind]
    schema = _either(declared, shape, components, status)
    if kind == NDJSON and "$ref" in schema:
        listed = components.schemas[schema["$ref"].rpartition("/")[2]]["properties"].get("items")
        return schema if listed is None else lines_of(listed["items"])
    return schema


def _refusal_name(status: int) -> str:
    return f"Problem{status}"


def _refusals(paths: dict[str, dict[str, Any]], components: Components) -> dict[str, Any]:
    """The refusals that the calls refer to, each described once: they are the same for every call."""
    used = {
        int(status)
        for item in paths.values()
        for call in item.values()
        for status, answer in call["responses"].items()
        if "$ref" in answer
    }
    content = {MEDIA_TYPE: {"schema": components.of(Problem)}}
    return {
        _refusal_name(status): {"description": refusal(status), "headers": refusal_headers(status), "content": content}
        for status in sorted(used)
    }


def _may_fail_with(declared: Operation, status: int) -> bool:
    bad_request, unauthorized, forbidden, missing, late, conflict, stale, large, media, inapplicable, unmatched, too_many = (
        400,
        401,
        403,
        404,
        408,
        409,
        412,
        413,
        415,
        422,
        428,
        429,
    )
    reads_body = declared.takes is not None
    applies = {
        bad_request: True,
        unauthorized: declared.right is not None,
        forbidden: declared.right is not None,
        missing: "{" in declared.path,
        conflict: declared.method in ("POST", "PUT", "PATCH") and declared.right is not None,
        stale: "If-Match" in declared.request_headers,
        unmatched: "If-Match" in declared.request_headers,
        late: reads_body and not declared.streams,
        too_many: declared.right is not None,
        large: reads_body,
        media: reads_body,
        inapplicable: reads_body or declared.query is not None or "{" in declared.path,
    }
    return applies.get(status, status >= 500)  # noqa: PLR2004
