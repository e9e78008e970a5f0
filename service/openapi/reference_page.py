"""The pages that explain the calls: the published contract, the problems and the codes, readable with no internet and no script."""

import json
from html import escape
from typing import Any

from markupsafe import Markup

from service.http.page import TEMPLATES, page
from service.openapi.codes import Codes
from service.problems import KINDS


def reference(contract: dict[str, Any]) -> bytes:
    """Every call with what it takes and answers, then every shape."""
    tags: dict[str, list[tuple[str, str, dict[str, Any]]]] = {}
    for path, methods in contract["paths"].items():
        for method, call in methods.items():
            tags.setdefault(call["tags"][0], []).append((path, method, call))
    shapes = sorted(contract["components"]["schemas"].items())
    return page("openapi/reference.html", title="API calls", contract=contract, tags=tags, shapes=shapes)


def problem_page(code: str) -> bytes:
    """The page of one kind of problem: its `type` in a problem document leads here."""
    return page("openapi/problem.html", title=KINDS[code].title, code=code, kind=KINDS[code])


def problems_page() -> bytes:
    """Every kind of problem, each with a link to its page."""
    return page("openapi/problems.html", title="Problems", kinds=KINDS)


def codes_page(codes: Codes) -> bytes:
    """Every code, by what it is a code of."""
    return page("openapi/codes.html", title="Codes", codes=codes)


def _as_json(schema: dict[str, Any]) -> Markup:
    # Quotes need no escaping between tags, and the page would be half as long again with them escaped.
    return Markup(escape(json.dumps(schema, indent=1, ensure_ascii=False), quote=False))  # noqa: S704 - escaped


TEMPLATES.filters["as_json"] = _as_json
