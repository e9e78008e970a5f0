"""Webhooks as they are answered: subscriptions, messages, deliveries; and the policy by which messages are tried again.

Each message covers the changes of the feed after one number up to another, and the next message begins where it ended, so a receiver
that compares `after_sequence` with the `last_sequence` before it sees whether it missed any.
"""

import datetime as dt
from typing import Annotated, Literal
from uuid import UUID

from msgspec import UNSET, Meta, Struct, UnsetType

from service.record.changes.store import Change, Resource

State = Literal["pending", "delivered", "dead", "replaced"]
Url = Annotated[str, Meta(min_length=10, max_length=2000, pattern=r"^https?://[!-~]+\Z")]


class WebhookFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A subscription: where to, which resources of the feed (all, if left out), what for, and whether messages are sent."""

    url: Url
    """Where messages are sent."""
    resources: Annotated[list[Resource], Meta(min_length=1, max_length=20)] | UnsetType = UNSET
    """The kinds of record to hear of; without it, all."""
    description: Annotated[str, Meta(min_length=1, max_length=200)] | UnsetType = UNSET
    """What the webhook is for, in your words."""
    enabled: bool = True
    """Whether messages are sent."""


class Webhook(WebhookFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """A subscription as kept; `disabled_because` says why the service itself disabled it."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    disabled_because: str | None = None
    """Why the service disabled it; null: it did not."""
    previous_secret_until: dt.datetime | None = None
    """Until when messages are also signed with the secret before; null: they are not."""


class WebhookWithSecret(Webhook, frozen=True, kw_only=True):
    """A subscription with its new secret, which is shown this once."""

    secret: str
    """The secret that signs messages. It is shown this once; store it now."""


class SecretRotation(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A new secret is wanted; for so many hours messages are signed with the one before, too."""

    overlap_hours: Annotated[int, Meta(ge=0, le=168)] = 24
    """For how many hours messages are also signed with the secret before."""


class ReplayRequest(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The sequence number in the feed after which every change is sent again."""

    after: Annotated[int, Meta(ge=0, le=2**62)]
    """Send every change after this number again."""


class WebhookProgress(Struct, frozen=True, kw_only=True):
    """How far a subscription has come: what the feed's last number is, up to which one everything was taken, and what waits."""

    last_sequence: int
    """The number of the last change in the feed."""
    delivered_through: int
    """Everything up to this number was delivered."""
    waiting: int
    """How many messages wait."""
    next_attempt_at: dt.datetime | None
    """When the next attempt is; null: none."""
    dead: int
    """How many messages were given up."""


class Delivery(Struct, frozen=True, kw_only=True):
    """A message; `id` is its `webhook-id`, `because` why it is not delivered yet, or not at all."""

    id: UUID
    created_at: dt.datetime
    after_sequence: int
    """The message covers changes after this number."""
    last_sequence: int
    """It covers changes up to this number, this one too."""
    state: State
    """How far the message is."""
    attempts: int
    """How often it was sent."""
    next_attempt_at: dt.datetime | None
    """When it is sent next; null: not again."""
    finished_at: dt.datetime | None
    """When it was taken or given up."""
    because: str | None
    """Why it is not delivered; null where there is nothing to say."""


class DeliveryAttempt(Struct, frozen=True, kw_only=True):
    """One call of the receiver: how long it took, the status answered, and why it failed, if it did."""

    number: int
    """The number of the attempt, counted from 1."""
    attempted_at: dt.datetime
    """When it was made."""
    seconds: float
    """How long it took."""
    status: int | None
    """The status that the receiver answered; null: none."""
    because: str | None
    """Why it failed; null: it did not."""


class DeliveryWithAttempts(Delivery, frozen=True, kw_only=True):
    """A message with its latest attempts, the last first."""

    tried: list[DeliveryAttempt]
    """The latest attempts, the last one first."""


class CoveredChanges(Struct, frozen=True, kw_only=True):
    """The changes of a message: those of the resources subscribed, after one number of the utility's feed up to and with another."""

    utility: str
    """The utility's code."""
    after_sequence: int
    """The message covers changes after this number."""
    last_sequence: int
    """It covers changes up to this number, this one too."""
    changes: list[Change]
    """The changes of the resources that the webhook subscribed to."""


class WebhookMessage(Struct, frozen=True, kw_only=True):
    """What a receiver is sent."""

    type: Literal["changes.recorded"] = "changes.recorded"
    """What the message is."""
    timestamp: dt.datetime
    """When the last of the changes was recorded."""
    data: CoveredChanges
    """The changes."""
