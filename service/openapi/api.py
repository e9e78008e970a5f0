"""The published contract and the pages that explain it."""

import json
from functools import cache

from service.http import page
from service.http.endpoint import REVALIDATED, Answer, Call, operation
from service.http.media_types import HTML
from service.openapi import reference_page as reference
from service.openapi.codes import Codes, codes
from service.openapi.published import entity_tag, published
from service.problems import KINDS, not_found

# The framework adds the character set.


@operation(
    "GET",
    "/openapi.json",
    id="readContract",
    summary="Read the contract",
    answers={200: bytes},
    tag="operation",
    public=False,
    tagged_by_digest=True,
)
async def contract(_call: Call) -> Answer:
    """Give the OpenAPI document."""
    return Answer(body=published(), headers={"ETag": entity_tag(), "Cache-Control": REVALIDATED})


@operation(
    "GET",
    "/docs",
    id="readReference",
    summary="Show the reference page",
    answers={200: bytes},
    tag="operation",
    public=False,
    tagged_by_digest=True,
)
async def docs(_call: Call) -> Answer:
    """Give the reference page."""
    return Answer(body=_reference_page(), media_type=HTML, headers=page.HEADERS)


@cache
def _reference_page() -> bytes:
    """The page, made once: it takes as long as thirty verdicts."""
    return reference.reference(json.loads(published()))


@operation(
    "GET", "/v1/codes", id="listCodes", summary="List all codes", answers={200: Codes}, tag="operation", tagged_by_digest=True
)
async def list_codes(_call: Call) -> Answer:
    """List every code that the service answers with, and what it means.

    These are the codes of problems, faults, problems of an import, flags, actions and diagnoses. Programs compare codes, not texts, which
    may change. New codes may be added at any time, so a client must accept codes that it does not know.
    The page `/codes` shows the same list.
    """
    return Answer(body=codes())


@operation(
    "GET",
    "/codes",
    id="readCodesPage",
    summary="Show all codes",
    answers={200: bytes},
    tag="operation",
    public=False,
    tagged_by_digest=True,
)
async def codes_page(_call: Call) -> Answer:
    """Show every code and its meaning, for people."""
    return Answer(body=reference.codes_page(codes()), media_type=HTML, headers=page.HEADERS)


@operation(
    "GET",
    "/problems",
    id="readProblemsPage",
    summary="Show all problems",
    answers={200: bytes},
    tag="operation",
    public=False,
    tagged_by_digest=True,
)
async def problems_page(_call: Call) -> Answer:
    """Show every kind of problem."""
    return Answer(body=reference.problems_page(), media_type=HTML, headers=page.HEADERS)


@operation(
    "GET",
    "/problems/{code:str}",
    id="readProblem",
    summary="Explain a kind of problem",
    answers={200: bytes},
    tag="operation",
    public=False,
    tagged_by_digest=True,
)
async def problem_page(call: Call) -> Answer:
    """Show what a kind of problem means and what to do."""
    code = call.text("code")
    if code not in KINDS:
        raise not_found("kind of problem")
    return Answer(body=reference.problem_page(code), media_type=HTML, headers=page.HEADERS)


@operation(
    "GET",
    "/",
    id="readDoor",
    summary="Redirect to the reference page",
    answers={302: None},
    tag="operation",
    public=False,
)
async def door(_call: Call) -> Answer:
    """Show a person who opens the bare address where to go."""
    return Answer(status=302, headers={"Location": "/docs"})


operations = [list_codes, contract, docs, codes_page, problems_page, problem_page, door]
