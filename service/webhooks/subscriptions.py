"""What happens to subscriptions: made, changed, given a new secret, sent again. Sending itself: service/webhooks/deliveries.py."""

import datetime as dt
from uuid import UUID

import msgspec
from msgspec import UNSET

from service.problems import not_found, problem, problem_of
from service.webhooks import signatures
from service.webhooks.outbound import fault_of
from service.webhooks.schemas import Delivery, Webhook, WebhookFacts, WebhookProgress, WebhookWithSecret
from service.webhooks.store import WebhookRow, WebhookStore


class Webhooks:
    """The subscriptions of all utilities; `master` is the key that their secrets are derived from."""

    def __init__(self, store: WebhookStore, master: bytes | None, *, private: bool, most: int) -> None:
        self._most = most
        self._store = store
        self._master = master
        self._private = private

    def _key(self) -> bytes:
        if self._master is None:
            raise problem("webhook_key_missing")
        return self._master

    def _check(self, facts: WebhookFacts) -> None:
        if wrong := fault_of(facts.url, private=self._private):
            raise problem_of([wrong])

    async def create(self, utility: str, facts: WebhookFacts, *, new_id: UUID, now: dt.datetime) -> WebhookWithSecret:
        """Keep a new subscription; 422 where its address may not be called or no key can sign, 409 where there are too many."""
        master = self._key()
        self._check(facts)
        row = WebhookRow(
            id=new_id,
            version=1,
            created_at=now,
            changed_at=now,
            url=facts.url,
            resources=_resources(facts),
            description=_description(facts),
            enabled=facts.enabled,
            disabled_because=None,
            secret_number=1,
            previous_secret_until=None,
            master_mark=signatures.mark(master),
        )
        if not await self._store.create(utility, row, most=self._most):
            raise problem("too_many_webhooks", at_most=self._most)
        return self._with_secret(master, await self._store.get(utility, new_id))

    async def get(self, utility: str, webhook_id: UUID) -> Webhook:
        """The subscription of that id; 404 where there is none."""
        return _shown(await self._store.get(utility, webhook_id))

    async def listed(self, utility: str, *, after: UUID | None, limit: int) -> list[Webhook]:
        """Up to `limit` subscriptions after that id, by id."""
        return [_shown(WebhookRow(**row)) for row in await self._store.rows("list", utility, after, limit)]

    async def change(self, utility: str, before: Webhook, facts: WebhookFacts, *, now: dt.datetime) -> Webhook:
        """Replace its facts while it is as in `before`; 412 where it is not.

        Where it was disabled, or is sent elsewhere now, what is open is tried at once, and so is what was given up while the
        receiver was away.
        """
        self._check(facts)
        disabled_because = None if facts.enabled else before.disabled_because
        again = facts.enabled and (not before.enabled or facts.url != before.url)
        return _shown(
            await self._store.versioned(
                "change",
                utility,
                before.id,
                before.version,
                now,
                facts.url,
                _resources(facts),
                _description(facts),
                facts.enabled,
                disabled_because,
                take_up_at=now if again else None,
            )
        )

    async def rotate(
        self, utility: str, webhook_id: UUID, *, version: int, overlap: dt.timedelta, now: dt.datetime
    ) -> WebhookWithSecret:
        """Give a new secret; for so long messages are signed with the one before, too. 412 where the version is another by now."""
        before = await self._store.get(utility, webhook_id)
        master = self._key()
        # A secret under another master key can be had no more, so there is none to overlap with.
        known = before.master_mark == signatures.mark(master)
        until = now + overlap if known and overlap else None
        row = await self._store.versioned("rotate", utility, webhook_id, version, now, until, signatures.mark(master))
        return self._with_secret(master, row)

    async def delete(self, utility: str, webhook_id: UUID, *, version: int) -> None:
        """Delete it with its messages; 404 where there is none, 412 where the version is another by now."""
        await self._store.get(utility, webhook_id)
        await self._store.delete(utility, webhook_id, version)

    async def progress(self, utility: str, webhook_id: UUID) -> WebhookProgress:
        """How far it has come."""
        rows = await self._store.rows("progress", utility, webhook_id)
        if not rows:
            raise not_found("webhook")
        return WebhookProgress(**rows[0])

    async def replay(self, utility: str, webhook_id: UUID, after: int, *, now: dt.datetime) -> WebhookProgress:
        """Send every change after that number again, or go on from there; 422 where the feed has not come so far."""
        await self._store.get(utility, webhook_id)
        if not await self._store.replay(utility, webhook_id, after, now=now):
            raise problem("sequence_not_reached", pointer="/after")
        return await self.progress(utility, webhook_id)

    async def delivery(self, utility: str, webhook_id: UUID, delivery_id: UUID) -> Delivery:
        """The message of that id; 404 where there is none."""
        rows = await self._store.rows("delivery", utility, webhook_id, delivery_id)
        if not rows:
            raise not_found("delivery")
        return Delivery(**rows[0])

    async def replay_delivery(self, utility: str, webhook_id: UUID, delivery_id: UUID, *, now: dt.datetime) -> Delivery:
        """Send one message again, whatever became of it, with its id and a fresh schedule."""
        await self._store.rows("replay_delivery", utility, webhook_id, delivery_id, now)
        return await self.delivery(utility, webhook_id, delivery_id)

    def _with_secret(self, master: bytes, row: WebhookRow) -> WebhookWithSecret:
        secret = signatures.written(signatures.secret(master, row.id, row.secret_number))
        kept = _shown(row)
        return WebhookWithSecret(**{name: getattr(kept, name) for name in kept.__struct_fields__}, secret=secret)


def _resources(facts: WebhookFacts) -> list[str] | None:
    return None if facts.resources is UNSET else sorted(set(facts.resources))


def _description(facts: WebhookFacts) -> str | None:
    return None if facts.description is UNSET else facts.description


def _shown(row: WebhookRow) -> Webhook:
    """As it is answered: members that are not set are left out."""
    document = {
        name: value for name, value in msgspec.structs.asdict(row).items() if name not in ("secret_number", "master_mark")
    }
    return msgspec.convert({name: value for name, value in document.items() if value is not None}, Webhook)
