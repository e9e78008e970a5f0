"""The change feed: every committed change of a utility once, in order, for a program that mirrors it."""

from contextlib import nullcontext
from typing import Annotated
from urllib.parse import urlencode

from msgspec import Meta, Struct

from service.http.endpoint import Answer, Call, operation
from service.http.paging import Limit
from service.record.changes.store import Change, ChangeStore


class ChangeQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Changes after that sequence number, and for how many seconds to wait for one where there is none yet."""

    after: Annotated[int, Meta(ge=0, le=2**62)] = 0
    """Changes after this sequence number."""
    limit: Limit = 100
    wait: Annotated[int, Meta(ge=0, le=30)] = 0
    """Wait up to this many seconds for a change where there is none yet."""


class Changes(Struct, frozen=True, kw_only=True):
    """Changes in the order of their commits; `next` is where to continue, also when there are none yet.

    They are numbered without gaps from 1; a testing company gets only those of records that it sees, under the same numbers.
    """

    items: list[Change]
    """The changes, in the order in which they were committed."""
    next: str
    """Where to ask on; given also when there are no more changes yet."""


@operation(
    "GET",
    "/v1/utilities/{utility:str}/changes",
    id="listChanges",
    summary="List changes",
    answers={200: Changes},
    tag="changes",
    right="read",
    companies=True,
)
async def changes(call: Call, query: ChangeQuery) -> Answer:
    """List the changes after a sequence number. No change is missing and none occurs twice."""
    await call.services.registry.utility(call.utility)
    store = ChangeStore(call.services.pool)
    waits = call.services.long_polls.one(call.who.key_id, "requests that wait for changes") if query.wait else nullcontext()
    with waits:
        found, last = await call.services.feeds.follow(
            store, call.utility, query.after, limit=query.limit, wait_seconds=query.wait
        )
    kept = {name: value for name, value in call.request.query_params.multi_items() if name != "after"}
    following = f"{call.request.url.path}?{urlencode({**kept, 'after': last})}"
    return Answer(body=Changes(items=found, next=following), headers={"Link": f'<{following}>; rel="next"'})


operations = [changes]
