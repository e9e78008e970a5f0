"""Which assemblies a testing company sees in a utility: the utility decides, all or those listed.

A grant of the utility (`PUT …/grants/{organisation}`) begins with all, so that testers' apps find what they are to test; a utility that
parts its work among companies sets `listed` and lists each one's assemblies. What a company reported on is not thereby granted: its own
reports stay open to it, the assembly's standing and register entry end with the grant.
"""

from msgspec import Struct

from service.http.endpoint import Answer, Call, operation
from service.http.paging import AfterId, page, page_of
from service.organisations.store import GrantedAssembly, GrantStore, Scope
from service.problems import problem

BASE = "/v1/utilities/{utility:str}/assembly-grants/{organisation:uuid}"


class GrantScope(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a testing company sees: `all` assemblies of the utility, or those `listed` for it."""

    assemblies: Scope
    """Whether the company sees every assembly of the utility or only those granted one by one."""


async def _store(call: Call) -> GrantStore:
    """The store, once it is known that a testing company is granted the utility."""
    store = GrantStore(call.services.pool)
    kind = await store.kind(call.utility, call.id("organisation"))
    if kind != "testing_company":
        raise problem("not_a_testing_company", parameter="organisation", kind=kind)
    return store


@operation(
    "PUT",
    BASE,
    id="setAssemblyGrants",
    summary="Set which assemblies a testing company sees",
    answers={204: None},
    tag="access",
    right="register",
)
async def set_scope(call: Call, document: GrantScope) -> Answer:
    """Set what a testing company sees; it holds from its next request on."""
    await (await _store(call)).set_scope(call.utility, call.id("organisation"), document.assemblies)
    return Answer(status=204)


@operation(
    "GET",
    BASE,
    id="listAssemblyGrants",
    summary="List the assemblies granted to a testing company",
    answers={200: page_of(GrantedAssembly)},
    tag="access",
    right="register",
)
async def list_granted(call: Call, query: AfterId) -> Answer:
    """List the assemblies that are listed for a testing company."""
    store = await _store(call)
    found = await store.listed(call.utility, call.id("organisation"), after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda item: str(item.assembly_id))


@operation(
    "PUT",
    BASE + "/{id:uuid}",
    id="grantAssembly",
    summary="Grant an assembly to a testing company",
    answers={204: None},
    tag="access",
    right="register",
)
async def grant_assembly(call: Call) -> Answer:
    """List an assembly; listing it twice changes nothing."""
    await (await _store(call)).grant(call.utility, call.id("organisation"), call.id("id"), now=call.clock.now())
    return Answer(status=204)


@operation(
    "DELETE",
    BASE + "/{id:uuid}",
    id="withdrawAssembly",
    summary="Withdraw an assembly from a testing company",
    answers={204: None},
    tag="access",
    right="register",
)
async def withdraw_assembly(call: Call) -> Answer:
    """Take an assembly off the list."""
    await (await _store(call)).withdraw(call.utility, call.id("organisation"), call.id("id"))
    return Answer(status=204)


operations = [set_scope, list_granted, grant_assembly, withdraw_assembly]
