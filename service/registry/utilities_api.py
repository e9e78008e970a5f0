"""Utilities: registered, listed, read and changed."""

from typing import Any

import msgspec
from msgspec import Struct

from service.http.endpoint import Answer, Call, operation
from service.http.paging import Limit, page, page_of
from service.registry import register as records
from service.registry.api import IF_MATCH, merged, tagged
from service.registry.schemas import Code, NewUtility, Utility, UtilityFacts, UtilityOnRecord


class AfterCode(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the list of utilities goes on."""

    after: Code | None = None
    """Utilities after this code."""
    limit: Limit = 100


@operation(
    "POST",
    "/v1/utilities",
    id="createUtility",
    summary="Register a utility",
    answers={201: Utility},
    tag="utilities",
    right="administer",
)
async def create_utility(call: Call, document: NewUtility) -> Answer:
    """Register a utility. If the request names no organisation, the operator's organisation represents it."""
    await records.check_utility(call.services.registry, document)
    organisation = call.who.organisation_id if document.organisation_id is msgspec.UNSET else document.organisation_id
    utility = await call.services.registry.create_utility(document, organisation, now=call.clock.now())
    return tagged(utility.shown, status=201, location=f"/v1/utilities/{utility.code}")


async def seen(call: Call, *, after: str = "", limit: int | None = None) -> list[UtilityOnRecord]:
    """The utilities granted to the caller, by code; the operator sees all."""
    codes = sorted(call.who.utilities)
    if call.who.kind == "operator":
        codes = [row["utility_id"] for row in await call.services.access.rows("all_utility_ids")]
    return await call.services.registry.utilities(codes, after=after, limit=len(codes) if limit is None else limit)


@operation(
    "GET",
    "/v1/utilities",
    id="listUtilities",
    summary="List utilities",
    answers={200: page_of(Utility)},
    tag="utilities",
    right="read",
    companies=True,
)
async def list_utilities(call: Call, query: AfterCode) -> Answer:
    """List the utilities granted to the caller. The operator sees all."""
    found = await seen(call, after=query.after or "", limit=query.limit + 1)
    return page(call, [utility.shown for utility in found], query.limit, lambda utility: str(utility.code))


@operation(
    "GET",
    "/v1/utilities/{utility:str}",
    id="readUtility",
    summary="Read a utility",
    answers={200: Utility},
    tag="utilities",
    right="read",
    companies=True,
)
async def read_utility(call: Call) -> Answer:
    """Read a utility."""
    return tagged((await call.services.registry.utility(call.utility)).shown)


@operation(
    "PATCH",
    "/v1/utilities/{utility:str}",
    id="updateUtility",
    summary="Update a utility",
    answers={200: Utility},
    tag="utilities",
    right="register",
    request_headers=IF_MATCH,
    body_media_type="application/merge-patch+json",
    patches=UtilityFacts,
)
async def change_utility(call: Call, document: dict[str, Any]) -> Answer:  # noqa: ARG001 - merged from the body as sent
    """Change a utility."""
    match = call.if_match()
    current = await call.services.registry.utility(call.utility)
    match.version(current.version)
    facts = merged(call, current, UtilityFacts)
    if (facts.rulebook, facts.time_zone) != (current.rulebook, current.time_zone):
        await records.check_utility(call.services.registry, facts)
    changed = await records.change_utility(call.services.registry, call.services.follower, current, facts, now=call.clock.now())
    return tagged(changed.shown)


operations = [create_utility, list_utilities, read_utility, change_utility]
