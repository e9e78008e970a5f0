"""Stating a local rulebook: one version after another, each checked against the state's rulebook.

Whoever states a version holds the utility's log, so that every report written after the answer is judged by it, whichever process records
the report. A version is never changed; another follows it.
"""

import datetime as dt

import rules
from service.auth.access import Principal
from service.local_rulebooks.schemas import LocalRulebookVersion
from service.local_rulebooks.store import LocalRulebookStore
from service.problems import problem
from service.record.reports.store import ReportStore
from service.record.standings.work_out import rebuild_standings
from service.registry.schemas import UtilityOnRecord


def check(utility: UtilityOnRecord, version: rules.LocalVersion) -> None:
    """Refuse a local rulebook that is not stated over the utility's own; RulesError for one that is laxer than that, or unclear."""
    if version.rulebook.extends != utility.rulebook:
        raise problem("local_rulebook_extends_other", pointer="/extends", rulebook=utility.rulebook)
    rules.check_local(version)


async def put_version(
    store: LocalRulebookStore,
    reports: ReportStore,
    utility: UtilityOnRecord,
    version: rules.LocalVersion,
    *,
    who: Principal,
    now: dt.datetime,
) -> tuple[LocalRulebookVersion, bool]:
    """Keep the version, and whether it is new; every standing is worked out by it before this returns.

    The same again changes nothing. 409 where another has its number, or where it is not the next. Standings are worked out assembly by
    assembly, so that reports need not wait for all of them; where that is cut short, `nonreturn rebuild` finishes it.
    """
    kept = await store.version(utility.code, version.version)
    if kept is None:
        check(utility, version)
        async with reports.recording(utility.code) as recording:
            newest = recording.utility.local
            next_number = 1 if newest is None else newest.version + 1
            if version.version > next_number:
                raise problem("local_version_not_next", next=next_number)
            if recording.utility.rulebook != version.rulebook.extends:
                raise problem("local_rulebook_extends_other", pointer="/extends", rulebook=recording.utility.rulebook)
            if version.version == next_number:
                await store.state(recording.connection, utility.code, version.version, version.rulebook, who=who, now=now)
                kept = LocalRulebookVersion(version=version.version, recorded_at=now, rulebook=version.rulebook)
        if kept is not None:
            await rebuild_standings(reports, utility)
            return kept, True
        kept = await store.version(utility.code, version.version)
    if kept is None or kept.rulebook != version.rulebook:
        newest_number = (utility.local.version if utility.local is not None else 0) if kept is None else kept.version
        raise problem("local_version_taken", version=version.version, next=newest_number + 1)
    # Sent again, perhaps because the answer was cut off while standings were being worked out.
    await rebuild_standings(reports, utility)
    return kept, False
