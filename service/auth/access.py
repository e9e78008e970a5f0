"""Keys, organisations and rights: who asks, and what they may.

A key is `nonreturn_<id>_<secret>`; only a hash of the secret is kept, and the key is shown once. Its secret has 256 random bits, so a
plain SHA-256 serves: there is nothing to guess. What is looked up is remembered for a few seconds, so a revoked key ends within them.
"""

import datetime as dt
import hashlib
import hmac
import secrets
from typing import Final, Literal
from uuid import UUID

from msgspec import Struct

from service.auth.store import AccessStore
from service.clock import Clock
from service.problems import ProblemError, not_found, problem

Right = Literal["read", "report", "register", "administer"]
OrganisationKind = Literal["utility", "testing_company", "regulator", "operator"]
NewOrganisationKind = Literal["utility", "testing_company", "regulator"]
"""The kinds of organisation that a call makes; an operator and its keys are made beside the database, by `nonreturn key`."""

# What an organisation of each kind may do in the utilities granted to it; the operator acts in all.
RIGHTS_OF: Final[dict[str, frozenset[str]]] = {
    "utility": frozenset({"read", "report", "register"}),
    "testing_company": frozenset({"read", "report"}),
    "regulator": frozenset({"read"}),
    "operator": frozenset({"read", "report", "register", "administer"}),
}


class Principal(Struct, frozen=True, kw_only=True):
    """Who a good key stands for."""

    key_id: UUID
    organisation_id: UUID
    kind: OrganisationKind
    rights: frozenset[str]
    utilities: frozenset[str]

    @property
    def company(self) -> UUID | None:
        """The testing company that this key stands for; None where it stands for another kind of organisation."""
        return self.organisation_id if self.kind == "testing_company" else None

    def sees(self, utility: str) -> bool:
        """Whether that utility exists for this key at all."""
        return self.kind == "operator" or utility in self.utilities

    @property
    def reads_contacts(self) -> bool:
        """Whether customers' names and addresses for notices are for this key's eyes: the utility's and the operator's only."""
        return self.kind in ("utility", "operator")

    def require(self, right: Right, utility: str | None = None) -> None:
        """Refuse where the right is lacking; another's utility is not found rather than forbidden."""
        if utility is not None and not self.sees(utility):
            raise not_found("utility")
        if right not in self.rights:
            raise problem("right_missing", right=right)


def mint(key_id: UUID) -> tuple[str, bytes]:
    """A new key, and the hash that is kept of it."""
    secret = secrets.token_urlsafe(32)
    return f"nonreturn_{key_id.hex}_{secret}", _hash(secret)


def _hash(secret: str) -> bytes:
    return hashlib.sha256(secret.encode()).digest()


class Gatekeeper:
    """Finds whose key a request has; ProblemError `unauthenticated` for any but a valid one, without the reason."""

    def __init__(self, store: AccessStore, clock: Clock, *, remember_seconds: float) -> None:
        self._store = store
        self._clock = clock
        self._remember = dt.timedelta(seconds=remember_seconds)
        self._known: dict[str, tuple[dt.datetime, dt.datetime | None, Principal]] = {}

    def knows(self, authorization: str) -> bool:
        """Whether this `Authorization` header was found valid before; it may have been revoked since."""
        return _digest(authorization.partition(" ")[2]) in self._known

    async def principal(self, authorization: str | None) -> Principal:
        """Who sent this `Authorization` header."""
        scheme, _, key = (authorization or "").partition(" ")
        if scheme.lower() != "bearer" or not key:
            raise _refused()
        now = self._clock.now()
        digest = _digest(key)
        known = self._known.get(digest)
        # A clock that was set back must not lengthen what is remembered.
        if known is not None and dt.timedelta(0) <= now - known[0] < self._remember and (known[1] is None or now < known[1]):
            return known[2]
        try:
            principal, expires_at = await self._look_up(key.strip(), now)
        except ProblemError:
            self._known.pop(digest, None)
            raise
        if len(self._known) > 10_000:  # noqa: PLR2004 - a bound on memory, not a figure of the trade
            self._known.clear()
        self._known[digest] = (now, expires_at, principal)
        return principal

    async def _look_up(self, key: str, now: dt.datetime) -> tuple[Principal, dt.datetime | None]:
        prefix, _, rest = key.partition("_")
        hex_id, _, secret = rest.partition("_")
        try:
            key_id = UUID(hex=hex_id)
        except ValueError:
            raise _refused() from None
        row = await self._store.key(key_id)
        held = row.secret_hash if row is not None else bytes(32)
        good = hmac.compare_digest(_hash(secret), held)
        if prefix != "nonreturn" or row is None or not good or row.revoked_at is not None:
            raise _refused()
        if row.expires_at is not None and now >= row.expires_at:
            raise _refused()
        principal = Principal(
            key_id=key_id,
            organisation_id=row.organisation_id,
            kind=row.kind,
            rights=frozenset(row.rights) & RIGHTS_OF[row.kind],
            utilities=frozenset(row.utilities),
        )
        return principal, row.expires_at


def _digest(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


def _refused() -> ProblemError:
    return problem("key_invalid")
