"""A utility's rulebook: its state's, with its own ordinance over it, in versions that are never changed."""

from typing import Annotated

from msgspec import Meta, Struct

import rules
from rules import selection
from service.http.endpoint import Answer, Call, operation
from service.http.paging import Limit, page, page_of
from service.local_rulebooks import preview as previews
from service.local_rulebooks.schemas import LocalRulebookPreview, LocalRulebookVersion
from service.local_rulebooks.state import check, put_version
from service.local_rulebooks.store import LocalRulebookStore
from service.problems import not_found, problem
from service.registry.api import tagged
from service.registry.calendar import today
from service.rules.api import DayQuery

RULEBOOK = "/v1/utilities/{utility:str}/rulebook"


class AfterVersion(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the list of versions goes on."""

    after: Annotated[int, Meta(ge=0, le=2**62)] = 0
    """Versions after this number."""
    limit: Limit = 100


LAST_VERSION = 9999
"""The largest number in a path, by the contract."""


@operation(
    "GET",
    RULEBOOK,
    id="readUtilityRulebook",
    summary="Read a utility's rulebook",
    answers={200: rules.EffectiveRulebook},
    tag="utilities",
    right="read",
    companies=True,
)
async def read_rulebook(call: Call, query: DayQuery) -> Answer:
    """Read the rulebook that a utility judges by on a day: its state's, with its local rulebook over it."""
    utility = await call.services.registry.utility(call.utility)
    on = today(utility, call.clock.now()) if query.on is None else query.on
    return Answer(body=await call.compute(rules.publish_effective, utility.book, on))


@operation(
    "PUT",
    RULEBOOK + "/versions/{version:int}",
    id="putLocalRulebook",
    summary="State a version of the local rulebook",
    answers={201: LocalRulebookVersion, 200: LocalRulebookVersion},
    tag="utilities",
    right="register",
)
async def put_local_rulebook(call: Call, document: rules.LocalRulebook) -> Answer:
    """State the next version of the local rulebook."""
    utility = await call.services.registry.utility(call.utility)
    version = rules.LocalVersion(version=_number(call), rulebook=document)
    kept, fresh = await put_version(
        LocalRulebookStore(call.services.pool), call.services.reports, utility, version, who=call.who, now=call.clock.now()
    )
    location = f"/v1/utilities/{call.utility}/rulebook/versions/{kept.version}"
    return tagged(kept, status=201 if fresh else 200, location=location)


@operation(
    "GET",
    RULEBOOK + "/versions",
    id="listLocalRulebooks",
    summary="List the versions of the local rulebook",
    answers={200: page_of(LocalRulebookVersion)},
    tag="utilities",
    right="read",
    companies=True,
)
async def list_local_rulebooks(call: Call, query: AfterVersion) -> Answer:
    """List the versions by number; the last one governs what is judged now."""
    await call.services.registry.utility(call.utility)
    found = await LocalRulebookStore(call.services.pool).versions(call.utility, after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda version: str(version.version))


@operation(
    "GET",
    RULEBOOK + "/versions/{version:int}",
    id="readLocalRulebook",
    summary="Read a version of the local rulebook",
    answers={200: LocalRulebookVersion},
    tag="utilities",
    right="read",
    companies=True,
)
async def read_local_rulebook(call: Call) -> Answer:
    """Read a version as it was stated."""
    await call.services.registry.utility(call.utility)
    found = await LocalRulebookStore(call.services.pool).version(call.utility, _number(call))
    if found is None:
        raise not_found("version of the local rulebook")
    return tagged(found)


@operation(
    "POST",
    RULEBOOK + "/preview",
    id="previewLocalRulebook",
    summary="Preview a local rulebook",
    answers={200: LocalRulebookPreview},
    tag="utilities",
    right="register",
)
async def preview_local_rulebook(call: Call, document: rules.LocalRulebook) -> Answer:
    """Say what a local rulebook would change if it were put in force now; nothing is written."""
    utility = await call.services.registry.utility(call.utility)
    next_number = 1 if utility.local is None else utility.local.version + 1
    version = rules.LocalVersion(version=next_number, rulebook=document)
    check(utility, version)
    return Answer(body=await previews.preview(call.services.pool, utility, version, now=call.clock.now()))


@operation(
    "POST",
    RULEBOOK + "/selection",
    id="selectByUtilityRulebook",
    summary="Select assemblies by a utility's rulebook",
    answers={200: selection.Selection},
    tag="utilities",
    right="read",
    companies=True,
)
async def select_by_rulebook(call: Call, document: selection.SelectionRequest) -> Answer:
    """List every kind of assembly, admissible or not, by the utility's rulebook; nothing is stored."""
    utility = await call.services.registry.utility(call.utility)
    if document.rulebook != utility.rulebook:
        raise problem("wrong_rulebook", pointer="/rulebook", rulebook=utility.rulebook)
    on = today(utility, call.clock.now())
    return Answer(body=await call.compute(selection.select, document, on=on, local=utility.applied))


def _number(call: Call) -> int:
    """The version's number in the path; 404 for one that no version can have."""
    number = int(call.text("version"))
    if not 0 < number <= LAST_VERSION:
        raise not_found("version of the local rulebook")
    return number


operations = [
    read_rulebook,
    put_local_rulebook,
    list_local_rulebooks,
    read_local_rulebook,
    preview_local_rulebook,
    select_by_rulebook,
]
