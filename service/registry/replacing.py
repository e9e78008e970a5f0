"""One assembly in place of another: the old one is retired from the day on which the new one was installed, and keeps its history.

Both name each other (`replaces`, `replaced_by`). Where the new one no longer says that it replaced the old one, the old one is as it was.
"""

import datetime as dt
from uuid import UUID

from msgspec import UNSET

from service.problems import ProblemError, problem
from service.registry.follower import RegisterChange
from service.registry.schemas import Assembly, AssemblyFacts
from service.registry.store import RegistryStore


async def check_replacement(
    registry: RegistryStore, change: RegisterChange, facts: AssemblyFacts, on: dt.date, *, itself: Assembly | None = None
) -> None:
    """ProblemError where these facts say that the assembly replaced one that it cannot have replaced."""
    if facts.replaces is UNSET:
        return
    if facts.installed_on is UNSET:
        raise problem("replacement_without_day", pointer="/installed_on")
    if itself is not None and facts.replaces == itself.id:
        raise problem("replaces_itself", pointer="/replaces")
    if itself is not None and facts.replaces == itself.replaces:
        return
    if facts.installed_on > on:
        raise problem("replacement_in_future", pointer="/installed_on")
    try:
        old = await registry.get_on(change.connection, Assembly, change.utility.code, facts.replaces)
    except ProblemError:
        raise problem("not_registered", pointer="/replaces", name="replaces") from None
    if old.replaced_by is not UNSET:
        raise problem("replaced_already", pointer="/replaces", by=str(old.replaced_by))
    if old.premises_id != facts.premises_id:
        raise problem("replaces_elsewhere", pointer="/replaces")


async def follow_replacement(
    registry: RegistryStore, change: RegisterChange, thing: Assembly, *, before: Assembly | None, now: dt.datetime
) -> list[UUID]:
    """Retire what the assembly replaced, and put back what it no longer says that it replaced; the assemblies changed."""
    was = UNSET if before is None else before.replaces
    changed: list[UUID] = []
    code = change.utility.code
    if was is not UNSET and was != thing.replaces:
        await registry.unretire(change.connection, code, was, now=now)
        changed.append(was)
    moved = before is None or was != thing.replaces or before.installed_on != thing.installed_on
    if thing.replaces is not UNSET and thing.installed_on is not UNSET and moved:
        await registry.retire(
            change.connection, code, thing.replaces, on=thing.installed_on, because="replaced", by=thing.id, now=now
        )
        changed.append(thing.replaces)
    return changed
