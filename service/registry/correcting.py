"""Putting the register of assemblies right by recorded acts: one that never was, one registered twice, one of another kind.

Nothing is taken away: the assembly, its changes and its reports stay readable. A report that counts was judged on what was registered, so
it is voided before.
"""

import datetime as dt
from uuid import UUID

from msgspec import UNSET

from service.auth.access import Principal
from service.problems import ProblemError, problem
from service.registry.calendar import today
from service.registry.follower import Follower
from service.registry.schemas import Assembly, AssemblyCorrection, AssemblyCorrectionFacts
from service.registry.store import RegistryStore


async def correct_assembly(
    registry: RegistryStore,
    follower: Follower,
    code: str,
    assembly_id: UUID,
    facts: AssemblyCorrectionFacts,
    *,
    who: Principal,
    now: dt.datetime,
) -> AssemblyCorrection:
    """Record a correction; 404 for an assembly that is not there, 409 where reports of it count, 422 where it corrects nothing."""
    for name, needed in (("duplicate_of", facts.correction == "duplicate"), ("kind", facts.correction == "kind")):
        if (getattr(facts, name) is not UNSET) is not needed:
            raise problem("correction_member", pointer=f"/{name}", name=name, correction=facts.correction)
    async with follower.changing(code) as change:
        assembly = await registry.get_on(change.connection, Assembly, code, assembly_id)
        if facts.correction != "kind" and assembly.retired_on is not UNSET:
            raise problem("assembly_retired_already", on=assembly.retired_on.isoformat())
        if facts.correction == "kind" and facts.kind == assembly.kind:
            raise problem("kind_registered_already", pointer="/kind")
        counting = await registry.counting_reports(change.connection, code, assembly_id)
        if counting:
            raise problem("reports_count", count=len(counting), reports=[str(report) for report in counting])
        other: UUID | None = None
        if facts.duplicate_of is not UNSET:
            other = facts.duplicate_of
            await _check_other(registry, change.connection, code, assembly_id, other)
        if facts.kind is not UNSET:
            await registry.change_kind(change.connection, code, assembly_id, facts.kind, now=now)
        else:
            day = today(change.utility, now)
            await registry.retire(change.connection, code, assembly_id, on=day, because=facts.correction, by=other, now=now)
        kept = await registry.keep_correction(
            change.connection, code, assembly_id, facts, version=assembly.version + 1, kind_before=assembly.kind, who=who, now=now
        )
        await change.rework([assembly_id])
    return kept


async def _check_other(registry: RegistryStore, connection: object, code: str, assembly_id: UUID, other: UUID) -> None:
    if other == assembly_id:
        raise problem("duplicate_of_itself", pointer="/duplicate_of")
    try:
        found = await registry.get_on(connection, Assembly, code, other)
    except ProblemError:
        raise problem("not_registered", pointer="/duplicate_of", name="duplicate_of") from None
    if found.retired_because in ("registered_in_error", "duplicate"):
        raise problem("duplicate_of_retired", pointer="/duplicate_of")
