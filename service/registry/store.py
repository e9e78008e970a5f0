"""The register in Postgres: utilities, premises, assemblies, testers, gauges."""

import datetime as dt
import re
from typing import Any, TypeVar
from uuid import UUID

import asyncpg
import msgspec
from msgspec import UNSET, UnsetType, structs

from service.auth.access import Principal
from service.db.pool import NO_UTILITY, Connection, Pool, company_looks
from service.db.statements import composed, statements
from service.problems import ProblemError, not_found, problem
from service.registry.schemas import (
    Assembly,
    AssemblyCorrection,
    AssemblyCorrectionFacts,
    ContactChange,
    Found,
    Gauge,
    NewUtility,
    Premises,
    Tester,
    UtilityFacts,
    UtilityOnRecord,
    utility_of,
)

_SQL = statements(__name__)
EVERYTHING = Found()
T = TypeVar("T", Premises, Assembly, Tester, Gauge)

_CODE = re.compile(r"[a-z0-9][a-z0-9-]{1,30}")
NAMES: dict[type[Any], str] = {Premises: "premises", Assembly: "assembly", Tester: "tester", Gauge: "gauge"}


class RegistryStore:
    """Reads and writes the register; a record's type is its struct."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def create(self, shape: type[T], utility: str, facts: Any, *, new_id: UUID, now: dt.datetime) -> T:
        """Keep a new thing under `new_id`; 422 where it names what is not registered, 409 where the id is taken."""
        async with self._pool.lend(utility) as connection:
            return await self.create_on(connection, shape, utility, facts, new_id=new_id, now=now)

    async def create_on(
        self, connection: Connection, shape: type[T], utility: str, facts: Any, *, new_id: UUID, now: dt.datetime
    ) -> T:
        """Keep a new thing, on a connection whose transaction is the caller's."""
        document = {
            **msgspec.to_builtins(facts),
            "utility_id": utility,
            "id": str(new_id),
            "version": 1,
            "created_at": now,
            "changed_at": now,
        }
        name = NAMES[shape]
        statement = _SQL["create"].format(table=name, columns=", ".join(type(facts).__struct_fields__))
        try:
            row = await connection.fetchval(statement, msgspec.json.encode(document).decode())
        except asyncpg.ForeignKeyViolationError as error:
            raise unregistered(error) from None
        except asyncpg.UniqueViolationError:
            raise problem("id_taken", thing=name) from None
        return msgspec.json.decode(row, type=shape)

    async def get(self, shape: type[T], utility: str, thing_id: UUID) -> T:
        """The thing of that id; 404 where there is none."""
        async with self._pool.lend(utility, by_key=True) as connection:
            return await self.get_on(connection, shape, utility, thing_id)

    async def get_on(self, connection: Connection, shape: type[T], utility: str, thing_id: UUID) -> T:
        """The same, on a connection whose transaction is the caller's."""
        row = await connection.fetchval(_SQL[_reading("get", shape)].format(table=NAMES[shape]), utility, thing_id)
        if row is None:
            raise not_found(NAMES[shape])
        return msgspec.json.decode(row, type=shape)

    async def listed(
        self,
        shape: type[T],
        utility: str,
        *,
        after: UUID | None,
        limit: int,
        found: Found = EVERYTHING,
        expires_before: dt.date | None = None,
    ) -> list[T]:
        """Up to `limit` things after that id, by id; ids of version 7 are in order of their making.

        Only those found; with `expires_before`, testers whose last certificate ends before that day, and gauges calibrated last before
        it, in the order of those days.
        """
        sql, arguments = list_statement(shape, utility, after=after, limit=limit, found=found, expires_before=expires_before)
        async with self._pool.lend(utility, by_key=True) as connection:
            rows = await connection.fetch(sql, *arguments)
        return [msgspec.json.decode(row[0], type=shape) for row in rows]

    async def change(
        self, connection: Connection, shape: type[T], utility: str, *, thing_id: UUID, facts: Any, version: int, now: dt.datetime
    ) -> T:
        """Replace a thing's facts, in the caller's transaction, while its version is still that one; 412 where it is not."""
        document = {
            **msgspec.to_builtins(facts),
            "utility_id": utility,
            "id": str(thing_id),
            "version": version,
            "created_at": now,
            "changed_at": now,
        }
        columns = type(facts).__struct_fields__
        news = ", ".join(f"new.{column}" for column in columns)
        statement = _SQL["change"].format(table=NAMES[shape], columns=", ".join(columns), new_columns=news)
        try:
            row = await connection.fetchval(statement, msgspec.json.encode(document).decode(), version)
        except asyncpg.ForeignKeyViolationError as error:
            raise unregistered(error) from None
        if row is None:
            raise problem("version_changed")
        return msgspec.json.decode(row, type=shape)

    async def contact_changes(self, utility: str, premises_id: UUID, *, after: int, limit: int) -> list[ContactChange]:
        """Up to `limit` changes of the contact of those premises, after that version."""
        async with self._pool.lend(utility, by_key=True) as connection:
            rows = await connection.fetch(_SQL["contact_changes"], utility, premises_id, after, limit)
        return [msgspec.json.decode(row[0], type=ContactChange) for row in rows]

    async def same_serial_number(
        self, connection: Connection, utility: str, serial_number: str, premises_id: UUID, itself: UUID | None
    ) -> UUID | None:
        """Another assembly of that serial number at those premises."""
        found: UUID | None = await connection.fetchval(_SQL["same_serial_number"], utility, serial_number, premises_id, itself)
        return found

    async def counting_reports(self, connection: Connection, utility: str, assembly_id: UUID) -> list[UUID]:
        """The first hundred reports and inspections of an assembly that nobody has voided."""
        return [row[0] for row in await connection.fetch(_SQL["counting_reports"], utility, assembly_id)]

    async def change_kind(self, connection: Connection, utility: str, assembly_id: UUID, kind: str, *, now: dt.datetime) -> None:
        """Register another kind, in the caller's transaction."""
        await connection.execute(_SQL["change_kind"], utility, assembly_id, now, kind)

    async def keep_correction(
        self,
        connection: Connection,
        utility: str,
        assembly_id: UUID,
        facts: AssemblyCorrectionFacts,
        *,
        version: int,
        kind_before: str,
        who: Principal,
        now: dt.datetime,
    ) -> AssemblyCorrection:
        """Keep a correction, in the caller's transaction."""
        row = await connection.fetchval(
            _SQL["keep_correction"],
            utility,
            assembly_id,
            version,
            now,
            facts.correction,
            facts.because,
            facts.decided_by or None,
            facts.duplicate_of or None,
            None if facts.kind is UNSET else kind_before,
            facts.kind or None,
            who.organisation_id,
            who.key_id,
        )
        return msgspec.json.decode(row, type=AssemblyCorrection)

    async def corrections(self, utility: str, assembly_id: UUID, *, after: int, limit: int) -> list[AssemblyCorrection]:
        """Up to `limit` corrections of an assembly's register, after that version."""
        async with self._pool.lend(utility, by_key=True) as connection:
            rows = await connection.fetch(_SQL["corrections"], utility, assembly_id, after, limit)
        return [msgspec.json.decode(row[0], type=AssemblyCorrection) for row in rows]

    async def service_changes(self, utility: str, assembly_id: UUID) -> list[tuple[bool, dt.date | None, str | None]]:
        """Each change of whether that assembly is in service, in order: what it was put to, from which day and why."""
        async with self._pool.lend(utility, by_key=True) as connection:
            rows = await connection.fetch(_SQL["service_periods"], utility, assembly_id)
        return [(row["in_service"], row["on_day"], row["because"]) for row in rows]

    async def retire(
        self,
        connection: Connection,
        utility: str,
        assembly_id: UUID,
        *,
        on: dt.date,
        because: str,
        by: UUID | None,
        now: dt.datetime,
    ) -> None:
        """Retire an assembly for good, in the caller's transaction."""
        await connection.execute(_SQL["retire"], utility, assembly_id, now, on, because, by)

    async def unretire(self, connection: Connection, utility: str, assembly_id: UUID, *, now: dt.datetime) -> None:
        """Take back that an assembly was retired, in the caller's transaction."""
        await connection.execute(_SQL["unretire"], utility, assembly_id, now)

    async def create_utility(self, new: NewUtility, organisation_id: UUID, *, now: dt.datetime) -> UtilityOnRecord:
        """Keep a new utility, its log, and the grant to the organisation that stands for it, in one transaction."""
        async with self._pool.lend(new.code) as connection, connection.transaction():
            try:
                await connection.execute(
                    _SQL["create_utility"],
                    new.code,
                    now,
                    new.name,
                    new.rulebook,
                    new.time_zone,
                    new.due_soon_days,
                    _or_none(new.system_id),
                )
                await connection.execute(statements("service.auth.store")["grant_utility"], new.code, organisation_id, now)
            except asyncpg.UniqueViolationError:
                raise problem("code_taken", utility=new.code) from None
            except asyncpg.ForeignKeyViolationError as error:
                raise unregistered(error) from None
        return await self.utility(new.code)

    async def utility(self, code: str) -> UtilityOnRecord:
        """The utility of that code; 404 where there is none, or where it can be no code."""
        if not _CODE.fullmatch(code):
            raise not_found("utility")
        async with self._pool.lend(code) as connection:
            row = await connection.fetchrow(_SQL["utility"], code)
        if row is None:
            raise not_found("utility")
        return utility_of(row)

    async def knows_time_zone(self, name: str) -> bool:
        """Whether Postgres knows a time zone by that very name."""
        async with self._pool.lend(NO_UTILITY) as connection:
            return bool(await connection.fetchval(_SQL["knows_time_zone"], name))

    async def is_granted(self, code: str, organisation_id: UUID) -> bool:
        """Whether that organisation may act in that utility."""
        async with self._pool.lend(code) as connection:
            return bool(await connection.fetchval(_SQL["is_granted"], code, organisation_id))

    async def utilities(self, codes: list[str], *, after: str, limit: int) -> list[UtilityOnRecord]:
        """Up to `limit` of those utilities, by code."""
        async with self._pool.lend(" ".join(sorted(codes))) as connection:
            rows = await connection.fetch(_SQL["utilities"], after, limit)
        return [utility_of(row) for row in rows]

    async def change_utility(
        self, connection: Connection, code: str, facts: UtilityFacts, *, version: int, now: dt.datetime
    ) -> UtilityOnRecord:
        """Replace a utility's facts, in the caller's transaction, while its version is still that one; 412 where it is not."""
        row = await connection.fetchrow(
            _SQL["change_utility"],
            code,
            version,
            now,
            facts.name,
            facts.rulebook,
            facts.time_zone,
            facts.due_soon_days,
            _or_none(facts.system_id),
        )
        if row is None:
            raise problem("version_changed")
        return utility_of(row)


def _or_none(value: str | UnsetType) -> str | None:
    return None if value is UNSET else value


def _reading(verb: str, shape: type[Any]) -> str:
    """The name of the statement that reads things of a shape; a testing company has its own where there are columns closed to it."""
    own = f"{verb}_{NAMES[shape]}_for_company"
    return own if own in _SQL and company_looks() else verb


def list_statement(
    shape: type[Any],
    utility: str,
    *,
    after: UUID | None,
    limit: int,
    found: Found = EVERYTHING,
    expires_before: dt.date | None = None,
) -> tuple[str, list[Any]]:
    """The statement of a page of a list, with its arguments."""
    name = NAMES[shape]
    head = _reading("list", shape)
    parts = [f"list_{name}" if head == "list" else head]
    if found.ids is not None:
        parts.append("found")
    if found.lows:
        parts.append("with_words")
    order = "id" if expires_before is None else f"{name}_expiry"
    if expires_before is not None:
        parts.append(f"{name}_expires")
    if after is not None:
        parts.append(f"after_{order}")
    values = {"utility": utility, "after": after, "limit": limit, "expires_before": expires_before, **structs.asdict(found)}
    return composed(__name__, [*parts, f"by_{order}"], values)


def unregistered(error: asyncpg.ForeignKeyViolationError) -> ProblemError:
    """A foreign key that leads nowhere, as a fault of the member that named it.

    The constraint's name says which, as row security hides the detail.
    """
    constraint = str(error.constraint_name)
    member = next((item for item in ("premises_id", "organisation_id") if item in constraint), None)
    if member is None:
        return not_found("utility")
    return problem("not_registered", pointer=f"/{member}", name=member)
