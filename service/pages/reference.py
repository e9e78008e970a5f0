"""The reference page: the published contract, readable with no internet and no script."""

import json
from html import escape
from typing import Any

from service.pages.page import page
from service.problems import KINDS


def reference(contract: dict[str, Any]) -> bytes:
    """Every call with what it takes and answers, then every shape."""
    schemas = contract["components"]["schemas"]
    tags: dict[str, list[str]] = {}
    for path, methods in contract["paths"].items():
        for method, call in methods.items():
            tags.setdefault(call["tags"][0], []).append(_call(path, method, call))
    calls = "".join(f"<h2>{escape(tag.capitalize())}</h2>{''.join(found)}" for tag, found in tags.items())
    shapes = "".join(
        f'<details id="{escape(name)}"><summary><code>{escape(name)}</code></summary><p>{escape(str(schema.get("description", "")))}</p>'
        f"<pre>{_linked(schema)}</pre></details>"
        for name, schema in sorted(schemas.items())
    )
    intro = (
        f"<p>{escape(contract['info']['description'])}</p>"
        '<p>The contract in full: <a href="/openapi.json">/openapi.json</a>. What goes wrong, and what to do: '
        + ", ".join(f'<a href="/problems/{code}">{code}</a>' for code in KINDS)
        + ".</p>"
    )
    return page("The calls of the service", f"{intro}{calls}<h2>Shapes</h2>{shapes}")


def _call(path: str, method: str, call: dict[str, Any]) -> str:
    parts = [
        f'<h3 id="{escape(call["operationId"])}"><span class="method">{method.upper()}</span> <code>{escape(path)}</code></h3>'
    ]
    parts.append(
        f"<p>{escape(call['summary'].rstrip('?'))}{'?' if call['summary'].endswith('?') else '.'} {escape(call.get('description', ''))}</p>"
    )
    if parameters := [one for one in call.get("parameters", []) if one["in"] != "path"]:
        parts.append("<p>" + "; ".join(f"{one['in']} <code>{escape(one['name'])}</code>" for one in parameters) + "</p>")
    if body := call.get("requestBody"):
        parts.append(
            "<p>Takes " + ", ".join(f"{escape(kind)} {_shape(part['schema'])}" for kind, part in body["content"].items()) + "</p>"
        )
    good = {status: answer for status, answer in call["responses"].items() if status < "400"}
    parts.append("<p>Answers " + "; ".join(f"{status} {_contents(answer)}" for status, answer in good.items()) + "</p>")
    return "".join(parts)


def _contents(answer: dict[str, Any]) -> str:
    return (
        ", ".join(f"{escape(kind)} {_shape(part['schema'])}" for kind, part in answer.get("content", {}).items())
        or "without a body"
    )


def _shape(schema: dict[str, Any]) -> str:
    name = schema.get("$ref", "").rpartition("/")[2]
    return f'<a href="#{escape(name)}">{escape(name)}</a>' if name else ""


def _linked(schema: dict[str, Any]) -> str:
    return escape(json.dumps(schema, indent=1, ensure_ascii=False), quote=False)


def problem(code: str) -> bytes:
    """The page of one kind of problem: its `type` in a problem document leads here."""
    kind = KINDS[code]
    return page(
        kind.title,
        f"<p>Status {kind.status}, type <code>/problems/{escape(code)}</code>.</p><h2>What to do</h2><p>{escape(kind.advice)}</p>",
    )
