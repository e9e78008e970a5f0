"""The reference page: the published contract, readable with no internet and no script."""

import json
from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

from service.http.page import page
from service.openapi.codes import Codes
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
        '<p>The contract in full: <a href="/openapi.json">/openapi.json</a>. Problems and what to do about them: '
        '<a href="/problems">/problems</a>. All codes: <a href="/codes">/codes</a>.</p>'
    )
    return page("API calls", f"{intro}{calls}<h2>Shapes</h2>{shapes}")


def _call(path: str, method: str, call: dict[str, Any]) -> str:
    parts = [
        f'<h3 id="{escape(call["operationId"])}"><span class="method">{method.upper()}</span> <code>{escape(path)}</code></h3>'
    ]
    parts.append(f"<p><strong>{escape(call['summary'])}.</strong></p>")
    parts += [f"<p>{_text(paragraph)}</p>" for paragraph in call["description"].split("\n\n")]
    if parameters := [parameter for parameter in call.get("parameters", []) if parameter["in"] != "path"]:
        parts.append(
            "<p>" + "; ".join(f"{parameter['in']} <code>{escape(parameter['name'])}</code>" for parameter in parameters) + "</p>"
        )
    if body := call.get("requestBody"):
        parts.append(
            "<p>Request body: "
            + ", ".join(f"{escape(kind)} {_shape(part['schema'])}" for kind, part in body["content"].items())
            + "</p>"
        )
    good = {status: answer for status, answer in call["responses"].items() if status < "400"}
    parts.append("<p>Responses: " + "; ".join(f"{status} {_contents(answer)}" for status, answer in good.items()) + "</p>")
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


def problem_page(code: str) -> bytes:
    """The page of one kind of problem: its `type` in a problem document leads here."""
    kind = KINDS[code]
    body = (
        f"<p>Status {kind.status}, type <code>/problems/{escape(code)}</code>.</p><h2>What to do</h2><p>{_text(kind.advice)}</p>"
        '<p><a href="/problems">All problems</a></p>'
    )
    return page(kind.title, body)


def problems_page() -> bytes:
    """Every kind of problem, each with a link to its page."""
    rows = [(f'<a href="/problems/{code}">{code}</a>', str(kind.status), _text(kind.title)) for code, kind in KINDS.items()]
    return page("Problems", _table(("Problem", "Status", "Meaning"), rows))


def codes_page(codes: Codes) -> bytes:
    """Every code, by what it is a code of."""
    problems = [
        (f'<a href="/problems/{kind.code}">{kind.code}</a>', str(kind.status), f"{_text(kind.title)}. {_text(kind.advice)}")
        for kind in codes.problems
    ]
    faults = [
        (_code(kind.code), f'<a href="/problems/{kind.problem}">{kind.problem}</a>', _text(kind.text)) for kind in codes.faults
    ]
    imports = [(_code(kind.code), _text(kind.text)) for kind in codes.imports]
    parts = [
        '<p>Programs compare codes, not texts. New codes may be added. As JSON: <a href="/v1/codes">/v1/codes</a>.</p>',
        f"<h2>Problems</h2>{_table(('Code', 'Status', 'Meaning'), problems)}",
        f"<h2>Faults in a request</h2>{_table(('Code', 'Problem', 'Text'), faults)}",
        f"<h2>Problems of a file to import</h2>{_table(('Code', 'Text'), imports)}",
    ]
    for title, kinds in (("Flags", codes.flags), ("Actions", codes.actions), ("Diagnoses", codes.diagnoses)):
        rows = [(_code(kind.code), _text(kind.meaning)) for kind in kinds]
        parts.append(f"<h2>{title}</h2>{_table(('Code', 'Meaning'), rows)}")
    return page("Codes", "".join(parts))


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; the cells are HTML already."""
    head = "".join(f"<th>{name}</th>" for name in heads)
    body = "".join(f"<tr>{''.join(f'<td>{cell}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _code(code: str) -> str:
    return f"<code>{escape(code)}</code>"


def _text(text: str) -> str:
    """A text as HTML, with what stands in backticks as code."""
    parts = text.split("`")
    return "".join(_code(part) if at % 2 else escape(part) for at, part in enumerate(parts))
