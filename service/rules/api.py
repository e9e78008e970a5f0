"""The rules, asked without storing anything. No key is needed: the rules are public."""

import datetime as dt
from typing import Any

from msgspec import Struct

import rules
from rules import inspection, selection
from rules import operation as rules_operation
from service.http.endpoint import Answer, Call, operation
from service.http.media_types import HTML, JSON
from service.http.page import HEADERS
from service.http.paging import Page
from service.problems import not_found
from service.record.reports.judging import check_moment
from service.rules.page import rulebooks_page

SVG = "image/svg+xml"


def drawing(svg: str) -> Answer:
    """A picture; as a page of its own it may run nothing and fetch nothing."""
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return Answer(body=svg.encode(), media_type=SVG, headers={"Content-Security-Policy": policy, "Vary": "Accept"})


class DayQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The day whose rules are asked for; today where it is left out."""

    on: dt.date | None = None
    """The day whose rules are given; without it, today."""


class RulebookList(Struct, frozen=True, kw_only=True):
    """The available rulebooks."""

    items: list[rules.RulebookSummary]
    next: str | None


class KindList(Struct, frozen=True, kw_only=True):
    """The catalogue of assembly kinds."""

    items: list[rules.AssemblyKind]
    next: str | None


@operation(
    "GET",
    "/v1/rulebooks",
    id="listRulebooks",
    summary="List the rulebooks",
    answers={200: RulebookList},
    tagged_by_digest=True,
    tag="rules",
    media_types={200: (JSON, HTML)},
)
async def list_rulebooks(call: Call, query: DayQuery) -> Answer:
    """List the rulebooks, how well each is known, and what was not read. As a page where `Accept` asks for one."""
    found = rules.carried(query.on or call.clock.now().date())
    if call.prefers(HTML):
        return Answer(body=rulebooks_page(found), media_type=HTML, headers={**HEADERS, "Vary": "Accept"})
    return Answer(body=Page(items=found, next=None))


@operation(
    "GET",
    "/v1/rulebooks/{rulebook:str}",
    id="readRulebook",
    summary="Read a rulebook",
    answers={200: rules.PublishedRulebook},
    tagged_by_digest=True,
    tag="rules",
)
async def read_rulebook(call: Call, query: DayQuery) -> Answer:
    """Read a rulebook as in force on a day."""
    try:
        return Answer(body=rules.publish(call.text("rulebook"), query.on or call.clock.now().date()))
    except rules.UnknownRulebookError:
        raise not_found("rulebook") from None


@operation(
    "GET",
    "/v1/assembly-kinds",
    id="listAssemblyKinds",
    summary="List assembly kinds",
    answers={200: KindList},
    tagged_by_digest=True,
    tag="rules",
)
async def list_assembly_kinds(_call: Call) -> Answer:
    """List the catalogue."""
    return Answer(body=Page(items=list(rules.catalogue().kinds), next=None))


@operation(
    "POST",
    "/v1/rules/verdict",
    id="judgeTest",
    summary="Judge a field test",
    answers={200: rules.Verdict},
    tag="rules",
    media_types={200: (JSON, SVG)},
)
async def judge_test(call: Call, document: rules.Test) -> Answer:
    """Judge a field test; nothing is stored. As a picture where `Accept` asks for one."""
    check_moment(document.performed_at)
    verdict = rules.judge(document, received_at=call.clock.now())
    if call.prefers(SVG):
        return drawing(await call.compute(rules_operation.draw_verdict, document.assembly.kind, verdict))
    return Answer(body=verdict)


class PremisesList(Struct, frozen=True, kw_only=True):
    """The catalogue of premises."""

    items: list[selection.PremisesType]
    next: str | None


@operation(
    "GET",
    "/v1/premises-types",
    id="listPremisesTypes",
    summary="List types of premises",
    answers={200: PremisesList},
    tagged_by_digest=True,
    tag="rules",
)
async def list_premises_types(_call: Call) -> Answer:
    """List the catalogue of premises."""
    return Answer(body=Page(items=list(selection.premises_types()), next=None))


@operation(
    "POST",
    "/v1/rules/selection",
    id="selectAssembly",
    summary="Select assemblies for a hazard and a site",
    answers={200: selection.Selection},
    tag="rules",
)
async def select_assembly(call: Call, document: selection.SelectionRequest) -> Answer:
    """List every kind of assembly, admissible or not, by the rulebook of today or of the day in `on`."""
    return Answer(body=await call.compute(selection.select, document, on=call.clock.now().date()))


@operation(
    "POST",
    "/v1/rules/placement",
    id="checkPlacement",
    summary="Check an installation",
    answers={200: selection.Placement},
    tag="rules",
)
async def check_placement(call: Call, document: selection.PlacementRequest) -> Answer:
    """Hold an installation against the rulebook."""
    return Answer(body=selection.place(document, on=call.clock.now().date()))


@operation(
    "POST",
    "/v1/rules/inspection",
    id="judgeInspection",
    summary="Judge an inspection",
    answers={200: inspection.InspectionVerdict},
    tag="rules",
)
async def judge_inspection(call: Call, document: inspection.Inspection) -> Answer:
    """Judge an inspection of an air gap, an atmospheric vacuum breaker or a barometric loop; nothing is stored."""
    check_moment(document.performed_at)
    return Answer(body=inspection.inspect(document, received_at=call.clock.now()))


@operation(
    "POST",
    "/v1/rules/operation",
    id="operateAssembly",
    summary="Operate an assembly step by step",
    answers={200: rules_operation.OperationResult},
    tag="rules",
    media_types={200: (JSON, SVG)},
)
async def operate_assembly(call: Call, document: rules_operation.OperationRequest) -> Answer:
    """Work an assembly through its steps; as pictures where `Accept` asks for them."""
    answer = await call.compute(rules_operation.operate, document)
    if call.prefers(SVG):
        return drawing(await call.compute(rules_operation.draw_operation, document, answer))
    return Answer(body=answer)


@operation(
    "POST",
    "/v1/rules/practice-test",
    id="runPracticeTest",
    summary="Run a practice test",
    answers={200: rules_operation.PracticeTest},
    tag="rules",
)
async def practise_test(call: Call, document: rules_operation.PracticeTestRequest) -> Answer:
    """Run the field procedure on the model; its `initial_test` can be posted to the verdict."""
    return Answer(body=await call.compute(rules_operation.practice_test, document))


operations: list[Any] = [
    list_rulebooks,
    read_rulebook,
    list_assembly_kinds,
    list_premises_types,
    judge_test,
    select_assembly,
    check_placement,
    judge_inspection,
    operate_assembly,
    practise_test,
]
