"""What stands beside a report on its page, from the register."""

from uuid import UUID

from msgspec import Struct

from service.db.pool import Pool
from service.db.statements import statements

_SQL = statements(__name__)


class SheetFacts(Struct, frozen=True, kw_only=True):
    """Enough to find the assembly and the gauge; `nominal_size` and `basis` (its standing) are JSON as kept."""

    utility_name: str
    premises_reference: str | None
    manufacturer: str | None
    model: str | None
    approval: str | None
    serial_number: str | None
    assembly_number: str | None
    nominal_size: str | None
    position: str | None
    gauge_serial_number: str | None
    """None for an inspection."""
    basis: str | None
    superseded_by: UUID | None
    decision: str | None


class SheetStore:
    """Reads what pages need."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def facts(self, utility: str, report_id: UUID) -> SheetFacts | None:
        """The facts beside a report; None where there is no such report."""
        async with self._pool.lend(utility) as connection:
            row = await connection.fetchrow(_SQL["facts"], utility, report_id)
        return SheetFacts(**dict(row)) if row is not None else None
