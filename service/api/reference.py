"""The published contract and the pages that explain it."""

import json
from functools import cache

from service.api.openapi.published import entity_tag, published
from service.api.operation import Answer, Call, operation
from service.pages import page, reference
from service.problems import KINDS, not_found

# The framework adds the character set.
HTML = "text/html"


@operation(
    "GET", "/openapi.json", id="readContract", summary="This contract", answers={200: bytes}, tag="operation", public=False
)
async def contract(_call: Call) -> Answer:
    """Give the OpenAPI document."""
    return Answer(body=published(), headers={"ETag": entity_tag()})


@operation("GET", "/docs", id="readReference", summary="The reference page", answers={200: bytes}, tag="operation", public=False)
async def docs(_call: Call) -> Answer:
    """Give the reference page."""
    return Answer(body=_reference_page(), media_type=HTML, headers=page.HEADERS)


@cache
def _reference_page() -> bytes:
    """The page, made once: it takes as long as thirty verdicts."""
    return reference.reference(json.loads(published()))


@operation(
    "GET",
    "/problems/{code:str}",
    id="readProblem",
    summary="What a kind of problem means",
    answers={200: bytes},
    tag="operation",
    public=False,
)
async def problem(call: Call) -> Answer:
    """Give the page of a kind of problem."""
    code = call.text("code")
    if code not in KINDS:
        raise not_found("kind of problem")
    return Answer(body=reference.problem(code), media_type=HTML, headers=page.HEADERS)


@operation("GET", "/", id="readDoor", summary="The way to the reference page", answers={302: None}, tag="operation", public=False)
async def door(_call: Call) -> Answer:
    """Show a person who opens the bare address where to go."""
    return Answer(status=302, headers={"Location": "/docs"})


operations = [contract, docs, problem, door]
