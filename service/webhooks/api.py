"""Webhooks: subscriptions to the change feed, and what became of each message.

Only a utility's own keys see them: an address may hold a secret.
"""

import datetime as dt
from typing import Any

from service.http.endpoint import Answer, Call, operation
from service.http.paging import AfterId, page, page_of
from service.registry.api import IF_MATCH, merged, tagged
from service.webhooks.schemas import (
    Delivery,
    DeliveryAttempt,
    DeliveryWithAttempts,
    ReplayRequest,
    SecretRotation,
    State,
    Webhook,
    WebhookFacts,
    WebhookProgress,
    WebhookWithSecret,
)
from service.webhooks.store import WebhookStore

BASE = "/v1/utilities/{utility:str}/webhooks"
ONE = BASE + "/{id:uuid}"


class DeliveryQuery(AfterId, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which messages: `dead` are those that were given up."""

    state: State | None = None
    """Only messages in this state."""


def _store(call: Call) -> WebhookStore:
    return WebhookStore(call.services.pool)


@operation(
    "POST",
    BASE,
    id="createWebhook",
    summary="Create a webhook",
    answers={201: WebhookWithSecret},
    tag="webhooks",
    right="register",
)
async def create(call: Call, document: WebhookFacts) -> Answer:
    """Subscribe, from the end of the feed on. The secret is shown only once."""
    made = await call.services.webhooks.create(call.utility, document, new_id=call.clock.new_id(), now=call.clock.now())
    return _secret(made, status=201, location=f"/v1/utilities/{call.utility}/webhooks/{made.id}")


def _secret(webhook: WebhookWithSecret, *, status: int = 200, location: str | None = None) -> Answer:
    answer = tagged(webhook, status=status, location=location)
    answer.headers["Cache-Control"] = "no-store"
    return answer


@operation(
    "GET", BASE, id="listWebhooks", summary="List webhooks", answers={200: page_of(Webhook)}, tag="webhooks", right="register"
)
async def listed(call: Call, query: AfterId) -> Answer:
    """List subscriptions."""
    found = await call.services.webhooks.listed(call.utility, after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda item: str(item.id))


@operation("GET", ONE, id="readWebhook", summary="Read a webhook", answers={200: Webhook}, tag="webhooks", right="register")
async def read(call: Call) -> Answer:
    """Read a subscription."""
    return tagged(await call.services.webhooks.get(call.utility, call.id("id")))


@operation(
    "PATCH",
    ONE,
    id="updateWebhook",
    summary="Update a webhook",
    answers={200: Webhook},
    tag="webhooks",
    right="register",
    request_headers=IF_MATCH,
    body_media_type="application/merge-patch+json",
    patches=WebhookFacts,
)
async def change(call: Call, document: dict[str, Any]) -> Answer:  # noqa: ARG001 - merged from the body as sent
    """Change a subscription."""
    match = call.if_match()
    current = await call.services.webhooks.get(call.utility, call.id("id"))
    match.version(current.version)
    facts = merged(call, current, WebhookFacts)
    return tagged(await call.services.webhooks.change(call.utility, current, facts, now=call.clock.now()))


@operation(
    "DELETE",
    ONE,
    id="deleteWebhook",
    summary="Delete a webhook with its messages",
    answers={204: None},
    tag="webhooks",
    right="register",
    request_headers=IF_MATCH,
)
async def delete(call: Call) -> Answer:
    """Delete a subscription. The change feed keeps the changes."""
    match = call.if_match()
    current = await call.services.webhooks.get(call.utility, call.id("id"))
    await call.services.webhooks.delete(call.utility, current.id, version=match.version(current.version))
    return Answer(status=204)


@operation(
    "POST",
    ONE + "/secret",
    id="rotateWebhookSecret",
    summary="Replace the secret of a webhook",
    answers={200: WebhookWithSecret},
    tag="webhooks",
    right="register",
    request_headers=IF_MATCH,
)
async def rotate(call: Call, document: SecretRotation) -> Answer:
    """Rotate the secret; for the overlap, messages carry a signature by each. The new secret is shown only once."""
    match = call.if_match()
    current = await call.services.webhooks.get(call.utility, call.id("id"))
    version, overlap = match.version(current.version), dt.timedelta(hours=document.overlap_hours)
    return _secret(
        await call.services.webhooks.rotate(call.utility, current.id, version=version, overlap=overlap, now=call.clock.now())
    )


@operation(
    "GET",
    ONE + "/progress",
    id="readWebhookProgress",
    summary="Read the progress of a webhook",
    answers={200: WebhookProgress},
    tag="webhooks",
    right="register",
)
async def progress(call: Call) -> Answer:
    """Read how far the deliveries of a webhook have come."""
    return Answer(body=await call.services.webhooks.progress(call.utility, call.id("id")))


@operation(
    "POST",
    ONE + "/replay",
    id="replayWebhook",
    summary="Send the changes after a sequence number again",
    answers={202: WebhookProgress},
    tag="webhooks",
    right="register",
)
async def replay(call: Call, document: ReplayRequest) -> Answer:
    """Move a subscription's place in the feed, back or forward; open messages are replaced."""
    result = await call.services.webhooks.replay(call.utility, call.id("id"), document.after, now=call.clock.now())
    return Answer(body=result, status=202)


@operation(
    "GET",
    ONE + "/deliveries",
    id="listWebhookDeliveries",
    summary="List the messages of a webhook",
    answers={200: page_of(Delivery)},
    tag="webhooks",
    right="register",
)
async def deliveries(call: Call, query: DeliveryQuery) -> Answer:
    """List messages, by id. `state=dead` lists those that were given up."""
    webhook = await call.services.webhooks.get(call.utility, call.id("id"))
    rows = await _store(call).rows("deliveries", call.utility, webhook.id, query.state, query.after, query.limit + 1)
    return page(call, [Delivery(**row) for row in rows], query.limit, lambda item: str(item.id))


@operation(
    "GET",
    ONE + "/deliveries/{delivery:uuid}",
    id="readWebhookDelivery",
    summary="Read a message",
    answers={200: DeliveryWithAttempts},
    tag="webhooks",
    right="register",
)
async def delivery(call: Call) -> Answer:
    """Read the state of a message and its attempts."""
    found = await call.services.webhooks.delivery(call.utility, call.id("id"), call.id("delivery"))
    tried = [DeliveryAttempt(**row) for row in await _store(call).rows("attempts", call.utility, call.id("id"), found.id)]
    facts = {name: getattr(found, name) for name in found.__struct_fields__}
    return Answer(body=DeliveryWithAttempts(**facts, tried=tried))


@operation(
    "POST",
    ONE + "/deliveries/{delivery:uuid}/replay",
    id="replayWebhookDelivery",
    summary="Send a message again",
    answers={202: Delivery},
    tag="webhooks",
    right="register",
)
async def replay_delivery(call: Call) -> Answer:
    """Send a message again, whatever became of it. The message keeps its id."""
    result = await call.services.webhooks.replay_delivery(call.utility, call.id("id"), call.id("delivery"), now=call.clock.now())
    return Answer(body=result, status=202)


operations = [create, listed, read, change, delete, rotate, progress, replay, deliveries, delivery, replay_delivery]
