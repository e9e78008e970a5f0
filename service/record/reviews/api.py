"""Reviews: held reports, and what a person at the utility decides of each; and voiding a report of any acceptance."""

from typing import Annotated
from uuid import UUID

from msgspec import Meta, Struct

from service.http.endpoint import Answer, Call, operation
from service.http.paging import Limit, page, page_of
from service.record.reviews import decide as records
from service.record.reviews.schemas import Review, ReviewFacts, ReviewState, VoidFacts
from service.record.reviews.store import ReviewStore, ReviewsWanted
from service.registry.api import IF_MATCH, tagged

REVIEWS = "/v1/utilities/{utility:str}/reviews"


class ReviewQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which held reports: those that wait (`open`) or were decided so, of that assembly or tester; after that log index, oldest first.

    `void` lists every void report, held or not.
    """

    state: ReviewState | None = None
    """Only reviews in this state."""
    assembly_id: UUID | None = None
    """Only reviews of reports on this assembly."""
    tester_id: UUID | None = None
    """Only reviews of reports by this tester."""
    after: Annotated[int, Meta(ge=-1, le=2**62)] = -1
    """Reviews of reports after this place in the log."""
    limit: Limit = 100


@operation(
    "GET",
    REVIEWS,
    id="listReviews",
    summary="List held reports",
    answers={200: page_of(Review)},
    tag="reviews",
    right="read",
    companies=True,
)
async def list_reviews(call: Call, query: ReviewQuery) -> Answer:
    """List held reports in the order of recording. `state=open` lists those that wait for a decision."""
    wanted = ReviewsWanted(state=query.state, assembly_id=query.assembly_id, tester_id=query.tester_id)
    found = await ReviewStore(call.services.pool).listed(call.utility, wanted, after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda item: str(item.log_index))


@operation(
    "GET",
    REVIEWS + "/{id:uuid}",
    id="readReview",
    summary="Read the review of a held report",
    answers={200: Review},
    tag="reviews",
    right="read",
    companies=True,
)
async def read(call: Call) -> Answer:
    """Read one review. The id is the report's."""
    return tagged(await ReviewStore(call.services.pool).one(call.utility, call.id("id")))


@operation(
    "PATCH",
    REVIEWS + "/{id:uuid}",
    id="decideReview",
    summary="Decide on a held report",
    answers={200: Review},
    tag="reviews",
    right="register",
    request_headers=IF_MATCH,
    body_media_type="application/merge-patch+json",
)
async def decide(call: Call, document: ReviewFacts) -> Answer:
    """Record a decision to accept or refuse a held report. Send all three members each time: a reason belongs to one decision.

    Every decision is kept.
    """
    match, store = call.if_match(), ReviewStore(call.services.pool)
    version = match.version((await store.one(call.utility, call.id("id"))).version)
    utility = await call.services.registry.utility(call.utility)
    review = await records.decide(
        store,
        call.services.reports,
        utility,
        call.id("id"),
        document,
        version=version,
        who=call.who,
        now=call.clock.now(),
    )
    return tagged(review)


@operation(
    "PUT",
    "/v1/utilities/{utility:str}/reports/{id:uuid}/void",
    id="voidReport",
    summary="Void a report",
    answers={200: Review},
    tag="reviews",
    right="register",
)
async def void(call: Call, document: VoidFacts) -> Answer:
    """Record that a report is no test of its assembly: it was filed on the wrong assembly, say. It then counts for nothing, a failure too.

    The report, its verdict and its place in the log stay. A void is final: a report that was right after all is sent again under a new id.
    A report that a void one corrected stays corrected: its pass does not count, its failure does. Send it again as well if it was right.
    Sending the same void again is safe.
    """
    utility = await call.services.registry.utility(call.utility)
    review = await records.void(
        ReviewStore(call.services.pool),
        call.services.reports,
        utility,
        call.id("id"),
        document,
        who=call.who,
        now=call.clock.now(),
    )
    return tagged(review)


operations = [list_reviews, read, decide, void]
