"""What must follow from a change of the register, in the same transaction: the record works standings out again.

The register lies below the record and may not import it, so it states here what it needs; `service/record/standings/follow.py` does it.
"""

from collections.abc import Sequence
from contextlib import AbstractAsyncContextManager
from typing import Protocol
from uuid import UUID

from service.db.pool import Connection
from service.registry.schemas import UtilityOnRecord


class RegisterChange(Protocol):
    """The transaction in which a utility's register changes, while nobody else records for the utility."""

    @property
    def connection(self) -> Connection:
        """The connection that the transaction is open on."""

    @property
    def utility(self) -> UtilityOnRecord:
        """The utility as it is until the commit."""

    async def assemblies_of(self, premises_id: UUID) -> list[UUID]:
        """The assemblies at those premises."""

    async def rework(self, assemblies: Sequence[UUID]) -> None:
        """Work out the standings of those assemblies again."""


class Follower(Protocol):
    """Opens the transactions of the register's changes."""

    def changing(self, utility: str) -> AbstractAsyncContextManager[RegisterChange]:
        """One transaction; it commits when the block ends without an error."""

    async def rebuild(self, utility: UtilityOnRecord) -> None:
        """Work out every standing of a utility again, an assembly a transaction."""
