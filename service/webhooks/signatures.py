"""Webhook signatures, as the Standard Webhooks specification 1.0.0 says ("Signature scheme", "Webhook headers").

A subscription's secret is derived from the service's master key, the subscription's id and the number of the rotation, so none is
kept anywhere. A mark of the master key is kept beside each subscription: under another master key its secret would silently be
another, and the mark shows it.
"""

import base64
import datetime as dt
import hashlib
import hmac
from collections.abc import Iterable
from typing import Final
from uuid import UUID

# "Secret serialization" and "Signature identifier" of symmetric signatures; HMAC-SHA256 gives 32 bytes, within the 24 to 64 asked.
PREFIX: Final = "whsec_"
VERSION: Final = "v1"


def _derived(master: bytes, purpose: bytes) -> bytes:
    return hmac.new(master, b"nonreturn webhooks\x00" + purpose, hashlib.sha256).digest()


def secret(master: bytes, webhook_id: UUID, number: int) -> bytes:
    """The secret of a subscription after that many rotations."""
    return _derived(master, b"secret\x00" + webhook_id.bytes + number.to_bytes(8, "big"))


def mark(master: bytes) -> str:
    """What distinguishes one master key from another, and nothing else of it."""
    return _derived(master, b"mark").hex()[:16]


def written(key: bytes) -> str:
    """A secret as its receiver gets it."""
    return PREFIX + base64.b64encode(key).decode("ascii")


def headers(message_id: str, at: dt.datetime, body: bytes, keys: Iterable[bytes]) -> dict[str, str]:
    """The headers that carry a message's id, the time of this attempt, and a signature by each key."""
    seconds = str(int(at.timestamp()))
    content = f"{message_id}.{seconds}.".encode() + body
    signatures = [
        f"{VERSION},{base64.b64encode(hmac.new(key, content, hashlib.sha256).digest()).decode('ascii')}" for key in keys
    ]
    return {"webhook-id": message_id, "webhook-timestamp": seconds, "webhook-signature": " ".join(signatures)}
