"""When an assembly was in service: the day and the reason of each change, so that a past year's figures follow from what was so then.

The facts hold the last change (`in_service`, `service_since`, `service_because`); Postgres keeps the earlier ones (`record.keep_service`).
The same `in_service` with another day or another reason puts the last change right.
"""

import datetime as dt
from collections.abc import Sequence

from msgspec import UNSET, Struct, UnsetType
from msgspec.structs import replace

from service.problems import problem
from service.registry.schemas import Assembly, AssemblyFacts


class ServicePeriod(Struct, frozen=True, kw_only=True):
    """Days on which an assembly was in service, or out of service; the first period has no first day, the last one no last day.

    How long an assembly has been installed is said by its `installed_on`.
    """

    in_service: bool
    """Whether it was in service on those days."""
    since: dt.date | None
    """The first day; null: from the beginning."""
    until: dt.date | None
    """The last day; null: to this day."""
    because: str | None
    """Why it was put in service or out of service on the first day; null: not stated."""


def check_service(facts: AssemblyFacts, on: dt.date, before: dt.date | UnsetType = UNSET) -> None:
    """ProblemError for a day of a change that is yet to come, or that lies before the change which it follows."""
    if facts.service_since is UNSET:
        return
    if facts.service_since > on:
        raise problem("in_the_future", pointer="/service_since")
    if before is not UNSET and facts.service_since < before:
        raise problem("service_before_last_change", pointer="/service_since", on=before.isoformat())


def with_service(before: Assembly, after: AssemblyFacts, on: dt.date) -> AssemblyFacts:
    """The changed facts with the day of the change where they state none; ProblemError for a day that cannot be."""
    day, because = after.service_since, after.service_because
    if after.in_service is before.in_service:
        if day != before.service_since:
            if before.retired_on is not UNSET:
                raise problem("assembly_retired", pointer="/service_since", on=before.retired_on.isoformat())
            check_service(after, on)
        return after
    if day is UNSET or day == before.service_since:
        # A merge patch that states neither leaves the day and the reason of the change before.
        unstated = UNSET if because == before.service_because else because
        return replace(after, service_since=on, service_because=unstated)
    check_service(after, on, before.service_since)
    return after if because != before.service_because else replace(after, service_because=UNSET)


def periods_of(changes: Sequence[tuple[bool, dt.date | None, str | None]]) -> list[ServicePeriod]:
    """The periods that those changes make, each with its day (None: from the beginning), in order; the last one of a day counts."""
    by_day = {day: (in_service, because) for in_service, day, because in changes}
    found: list[ServicePeriod] = []
    for day, (in_service, because) in by_day.items():
        if day is not None:
            if not found:
                found.append(ServicePeriod(in_service=not in_service, since=None, until=None, because=None))
            if found[-1].in_service is in_service:
                continue
            found[-1] = replace(found[-1], until=day - dt.timedelta(days=1))
        found.append(ServicePeriod(in_service=in_service, since=day, until=None, because=because))
    return found
