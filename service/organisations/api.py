"""Organisations and their keys, kept by the operator. A key is shown once, when it is made."""

import datetime as dt
from typing import Annotated
from uuid import UUID

from msgspec import Meta, Struct

from service.auth.access import RIGHTS_OF, NewOrganisationKind, OrganisationKind, Right, mint
from service.http.endpoint import Answer, Call, operation
from service.http.paging import AfterId, page, page_of
from service.problems import not_found, problem
from service.registry.schemas import Name

Moment = Annotated[dt.datetime, Meta(tz=True)]


class NewOrganisation(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An organisation to be registered. An operator is made with the command `nonreturn key`, beside the database, and by no call."""

    kind: NewOrganisationKind
    """What the organisation is."""
    name: Name
    """The organisation's name."""


class Organisation(Struct, frozen=True, kw_only=True):
    """An organisation as kept."""

    id: UUID
    kind: OrganisationKind
    """What the organisation is."""
    name: str
    """The organisation's name."""
    created_at: dt.datetime


class NewApiKey(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A key to be made: what it is for, what it may (all that its organisation may, if left out), and when it ends."""

    label: Name
    """What the key is for, in your words."""
    rights: Annotated[list[Right], Meta(min_length=1, max_length=4)] | None = None
    """What the key may do; without it, all that its organisation may."""
    expires_at: Moment | None = None
    """When the key expires; without it, never."""


class ApiKey(Struct, frozen=True, kw_only=True):
    """A key as kept, without its secret."""

    id: UUID
    organisation_id: UUID
    label: str
    """What the key is for, in your words."""
    rights: list[str]
    """What the key may do."""
    created_at: dt.datetime
    expires_at: dt.datetime | None
    """When the key expires; null: never."""
    revoked_at: dt.datetime | None
    """When the key was revoked; null: it was not."""


class CreatedApiKey(ApiKey, frozen=True, kw_only=True):
    """A new key; `key` is shown this once and kept nowhere."""

    key: str
    """The API key. It is shown this once and kept nowhere; store it now."""


async def _organisation(call: Call) -> Organisation:
    rows = await call.services.access.rows("organisation", call.id("organisation"))
    if not rows:
        raise not_found("organisation")
    row = rows[0]
    return Organisation(id=row["organisation_id"], kind=row["kind"], name=row["name"], created_at=row["created_at"])


@operation(
    "POST",
    "/v1/organisations",
    id="createOrganisation",
    summary="Register an organisation",
    answers={201: Organisation},
    tag="access",
    right="administer",
)
async def create_organisation(call: Call, document: NewOrganisation) -> Answer:
    """Register an organisation."""
    made = Organisation(id=call.clock.new_id(), kind=document.kind, name=document.name, created_at=call.clock.now())
    await call.services.access.rows("create_organisation", made.id, made.kind, made.name, made.created_at)
    return Answer(body=made, status=201, headers={"Location": f"/v1/organisations/{made.id}"})


@operation(
    "GET",
    "/v1/organisations",
    id="listOrganisations",
    summary="List organisations",
    answers={200: page_of(Organisation)},
    tag="access",
    right="administer",
)
async def list_organisations(call: Call, query: AfterId) -> Answer:
    """List organisations."""
    rows = await call.services.access.rows("organisations", query.after, query.limit + 1)
    found = [Organisation(id=row.pop("organisation_id"), **row) for row in rows]
    return page(call, found, query.limit, lambda item: str(item.id))


@operation(
    "GET",
    "/v1/organisations/{organisation:uuid}",
    id="readOrganisation",
    summary="Read an organisation",
    answers={200: Organisation},
    tag="access",
    right="administer",
)
async def read_organisation(call: Call) -> Answer:
    """Read an organisation."""
    return Answer(body=await _organisation(call))


@operation(
    "POST",
    "/v1/organisations/{organisation:uuid}/keys",
    id="createKey",
    summary="Create an API key",
    answers={201: CreatedApiKey},
    tag="access",
    right="administer",
)
async def create_key(call: Call, document: NewApiKey) -> Answer:
    """Make a key for an organisation. The key is shown only once."""
    organisation = await _organisation(call)
    if organisation.kind == "operator":
        raise problem("operator_key")
    may = RIGHTS_OF[organisation.kind]
    rights = sorted(document.rights if document.rights is not None else may)
    if beyond := [right for right in rights if right not in may]:
        raise problem("rights_not_allowed", pointer="/rights", kind=organisation.kind, rights=list(beyond), available=sorted(may))
    now = call.clock.now()
    if document.expires_at is not None and document.expires_at <= now:
        raise problem("key_expired", pointer="/expires_at")
    key_id = call.clock.new_id()
    key, secret_hash = mint(key_id)
    await call.services.access.rows(
        "create_key", key_id, organisation.id, document.label, secret_hash, rights, now, document.expires_at
    )
    made = CreatedApiKey(
        id=key_id,
        organisation_id=organisation.id,
        label=document.label,
        rights=rights,
        created_at=now,
        expires_at=document.expires_at,
        revoked_at=None,
        key=key,
    )
    return Answer(body=made, status=201, headers={"Cache-Control": "no-store"})


@operation(
    "GET",
    "/v1/organisations/{organisation:uuid}/keys",
    id="listKeys",
    summary="List an organisation's keys",
    answers={200: page_of(ApiKey)},
    tag="access",
    right="administer",
)
async def list_keys(call: Call, query: AfterId) -> Answer:
    """List keys, without their secrets."""
    organisation = await _organisation(call)
    rows = await call.services.access.rows("keys", organisation.id, query.after, query.limit + 1)
    return page(call, [ApiKey(id=row.pop("key_id"), **row) for row in rows], query.limit, lambda item: str(item.id))


@operation(
    "DELETE",
    "/v1/organisations/{organisation:uuid}/keys/{id:uuid}",
    id="revokeKey",
    summary="Revoke a key",
    answers={204: None},
    tag="access",
    right="administer",
)
async def revoke_key(call: Call) -> Answer:
    """Revoke a key; it ends within the seconds for which keys are remembered."""
    if not await call.services.access.rows("revoke_key", call.id("id"), call.id("organisation"), call.clock.now()):
        raise not_found("key")
    return Answer(status=204)


operations = [create_organisation, list_organisations, read_organisation, create_key, list_keys, revoke_key]
