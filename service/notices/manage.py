"""Notices: the schedule they follow, their words, what a run would prepare, and what became of each.

Who delivers them is the utility's own software. It follows the change feed, delivers what is prepared and reports the state. A notice
that is not yet sent is withdrawn when what it is about no longer holds; one that was sent stays as it was, since it was sent.
"""

import datetime as dt
from collections.abc import Sequence
from typing import Final
from uuid import UUID

import msgspec
from msgspec import UNSET, Struct
from msgspec.structs import replace

import rules
from rules import notices as rule
from service.notices.schemas import (
    Notice,
    NoticeAddress,
    NoticeChange,
    NoticeSchedule,
    NoticeScheduleFacts,
    NoticeState,
    NoticeText,
)
from service.notices.store import START, Candidate, NoticeRow, NoticeStore, scans
from service.problems import ProblemError, not_found, problem
from service.record.reports.store import ReportStore
from service.record.standings.work_out import rework
from service.registry.calendar import today
from service.registry.schemas import Contact, Utility, UtilityOnRecord

FOLLOWS: Final[dict[NoticeState, tuple[NoticeState, ...]]] = {
    "prepared": ("sent", "delivery_failed", "cancelled"),
    "delivery_failed": ("sent", "cancelled"),
    "sent": ("delivery_failed",),
    "cancelled": (),
    "withdrawn": (),
}
"""Which states the utility's software may report next; `withdrawn` is set by the service itself."""


class Place(Struct, frozen=True, kw_only=True):
    """Where a preview goes on: in that scan, behind that due day and assembly."""

    scan: int
    due: dt.date
    assembly_id: UUID


async def read_schedule(store: NoticeStore, utility: str) -> NoticeSchedule:
    """The schedule that a utility follows: its own, or the common one."""
    row = await store.schedule(utility)
    common = row is None or row.steps is None
    return NoticeSchedule(
        steps=list(rule.default_steps()) if row is None or row.steps is None else row.steps,
        own=not common,
        provenance=rule.provenance() if common else "utility",
        version=0 if row is None else row.version,
        changed_at=None if row is None else row.changed_at,
    )


async def steps_on(store: NoticeStore, utility: UtilityOnRecord, on: dt.date) -> tuple[rule.NoticeStep, ...]:
    """The steps that a utility follows on that day: those of its schedule, and those that its local rulebook requires in their place."""
    schedule = await read_schedule(store, utility.code)
    return rule.with_local(schedule.steps, rule.stated_notices(utility.applied, on))


async def change_schedule(
    store: NoticeStore, utility: str, facts: NoticeScheduleFacts, *, version: int, now: dt.datetime
) -> NoticeSchedule:
    """Follow those steps from now on, without any the common ones.

    412 where the schedule has changed, rules' DocumentError for a bad one.
    """
    steps = None if facts.steps is UNSET else facts.steps
    rule.check(steps or [])
    if await store.keep_schedule(utility, steps, version=version, now=now) is None:
        raise problem("version_changed")
    return await read_schedule(store, utility)


def words(utility: Utility, step: rule.NoticeStep, candidate: Candidate) -> NoticeText:
    """What a step says to the customer, or to the utility, about that assembly."""
    facts = rule.NoticeFacts(
        utility=utility.name,
        premises=candidate.premises,
        address=candidate.address,
        reference=candidate.reference,
        assembly=rules.catalogue()[candidate.kind].name,
        serial_number=candidate.serial_number,
        position=candidate.position,
        due_on=candidate.due_on,
        tested_on=candidate.tested_on,
        repair_by=candidate.repair_by,
    )
    subject, text = step.about(candidate.kind)
    contact = None if candidate.contact is None else msgspec.json.decode(candidate.contact, type=Contact)
    return NoticeText(
        assembly_id=candidate.assembly_id,
        step=step.step,
        occasion=step.occasion,
        scheduled_for=rule.scheduled_for(step, candidate.counted_from),
        due_on=candidate.due_on,
        report_id=candidate.report_id,
        repair_by=candidate.repair_by,
        subject=rule.fill(subject, facts),
        text=rule.fill(text, facts),
        addressee=_address(step.to, candidate.premises_id, contact),
    )


def _address(to: rule.Addressee, premises_id: UUID, contact: Contact | None) -> NoticeAddress:
    if to == "utility":
        return NoticeAddress(to=to, premises_id=premises_id, missing=False)
    return NoticeAddress(
        to=to,
        premises_id=premises_id,
        missing=contact is None or not contact.reachable,
        contact=UNSET if contact is None else contact,
    )


def as_read_by(notice: NoticeText, *, contacts: bool) -> NoticeText:
    """A notice as far as the caller may read it: without the contact where that is not for its eyes."""
    return notice if contacts else replace(notice, addressee=replace(notice.addressee, contact=UNSET))


async def preview(
    store: NoticeStore, utility: UtilityOnRecord, on: dt.date, *, after: Place | None, limit: int, now: dt.datetime
) -> list[tuple[Place, NoticeText]]:
    """Up to `limit` of the notices that a run of that day would prepare by the record of today, each with its place; writes nothing."""
    if on < today(utility, now):
        raise problem("in_the_past", parameter="on")
    steps = await steps_on(store, utility, on)
    found: list[tuple[Place, NoticeText]] = []
    stretches = scans(rule.windows(steps, on), on)
    start = 0 if after is None else after.scan
    for number, scan in list(enumerate(stretches))[start:]:
        place = START if after is None or number != after.scan else (after.due, after.assembly_id)
        for candidate in await store.candidates(utility.code, scan, after=place, limit=limit - len(found)):
            at = Place(scan=number, due=candidate.due, assembly_id=candidate.assembly_id)
            found.append((at, words(utility, scan.window.step, candidate)))
        if len(found) >= limit:
            break
    return found


def shown(row: NoticeRow) -> Notice:
    """A notice as it is answered."""
    same = {name: getattr(row, name) for name in Notice.__struct_fields__ if name not in ("text", "addressee")}
    return Notice(**same, text=row.body, addressee=_address(row.addressee, row.premises_id, row.contact))


async def list_notices(
    store: NoticeStore,
    utility: str,
    *,
    after: UUID | None,
    limit: int,
    state: NoticeState | None,
    step: str | None,
    assembly_id: UUID | None,
    run_id: UUID | None,
) -> list[Notice]:
    """Up to `limit` notices after that id, those for which everything asked holds."""
    rows = await store.notices(utility, after=after, limit=limit, state=state, step=step, assembly_id=assembly_id, run_id=run_id)
    return [shown(row) for row in rows]


async def read_notice(store: NoticeStore, utility: str, notice_id: UUID) -> Notice:
    """One notice; 404 where there is none."""
    rows = await store.notices(utility, after=None, limit=1, id=notice_id)
    if not rows:
        raise not_found("notice")
    return shown(rows[0])


async def change_notice(
    store: NoticeStore,
    reports: ReportStore,
    utility: str,
    notice_id: UUID,
    change: NoticeChange,
    *,
    version: int,
    now: dt.datetime,
) -> Notice:
    """Keep what became of a notice; 412 where it has changed since, 422 for a state that cannot follow."""
    before = await read_notice(store, utility, notice_id)
    if before.version != version:
        raise problem("version_changed")
    if change.state not in FOLLOWS[before.state]:
        raise _cannot_follow(before.state, FOLLOWS[before.state])
    detail = None if change.detail is UNSET else change.detail
    async with reports.recording(utility) as recording:
        changed = await store.change_state(
            recording.connection, utility, notice_id, version=version, state=change.state, detail=detail, now=now
        )
        if changed and before.report_id is not None and "sent" in (before.state, change.state):
            # The days for the repair may run from the notice of the failure.
            await rework(recording, [before.assembly_id])
    if not changed:
        raise problem("version_changed")
    return await read_notice(store, utility, notice_id)


def _cannot_follow(state: NoticeState, allowed: Sequence[NoticeState]) -> ProblemError:
    if not allowed:
        return problem("state_final", pointer="/state", state=state)
    return problem("state_cannot_follow", pointer="/state", state=state, available=list(allowed))
