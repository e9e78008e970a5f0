"""Which organisations may act in a utility."""

from typing import Any
from uuid import UUID

from msgspec import Struct

from service.http.endpoint import Answer, Call, operation
from service.http.paging import AfterId, page, page_of
from service.organisations.store import GrantStore, Scope
from service.problems import not_found


class Grant(Struct, frozen=True, kw_only=True):
    """An organisation that may act in a utility, and of which assemblies, if it is a testing company (`listed`: those granted to it)."""

    organisation_id: UUID
    kind: str
    """What the organisation is."""
    name: str
    """The organisation's name."""
    granted_at: Any
    """When the grant was made."""
    assemblies: Scope
    """Whether a testing company sees every assembly or only those granted one by one."""


@operation(
    "GET",
    "/v1/utilities/{utility:str}/grants",
    id="listGrants",
    summary="List grants of a utility",
    answers={200: page_of(Grant)},
    tag="access",
    right="register",
)
async def list_grants(call: Call, query: AfterId) -> Answer:
    """List the organisations that may act here."""
    rows = await call.services.access.rows("grants", call.utility, query.after, query.limit + 1)
    return page(call, [Grant(**row) for row in rows], query.limit, lambda grant: str(grant.organisation_id))


@operation(
    "PUT",
    "/v1/utilities/{utility:str}/grants/{organisation:uuid}",
    id="grantUtility",
    summary="Grant a utility to an organisation",
    answers={204: None},
    tag="access",
    right="administer",
)
async def grant(call: Call) -> Answer:
    """Grant a utility to an organisation; granting twice changes nothing."""
    await call.services.registry.utility(call.utility)
    if not await call.services.access.rows("organisation", call.id("organisation")):
        raise not_found("organisation")
    await call.services.access.rows("grant_utility", call.utility, call.id("organisation"), call.clock.now())
    return Answer(status=204)


@operation(
    "DELETE",
    "/v1/utilities/{utility:str}/grants/{organisation:uuid}",
    id="withdrawUtility",
    summary="Withdraw a utility from an organisation",
    answers={204: None},
    tag="access",
    right="administer",
)
async def withdraw(call: Call) -> Answer:
    """Withdraw a grant; keys already looked up end within seconds."""
    await GrantStore(call.services.pool).withdraw_utility(call.utility, call.id("organisation"))
    return Answer(status=204)


operations = [list_grants, grant, withdraw]
