"""Premises, assemblies, testers and gauges: made, read, listed and changed alike, under a utility.

Assemblies are listed with how they stand, in `service/record/standings/lists_api.py`.
"""

import datetime as dt
from typing import Annotated, Any

import msgspec
from msgspec import UNSET, Meta, Struct
from msgspec.structs import replace

import rules
from service.http.documents import decode, too_deep
from service.http.endpoint import Answer, Call, Operation, operation
from service.http.paging import AfterId, Limit, page, page_of
from service.http.preconditions import TAGS
from service.problems import ProblemError, problem
from service.registry.calendar import today
from service.registry.correcting import correct_assembly
from service.registry.finding import Search, find
from service.registry.register import change_thing, create_thing
from service.registry.schemas import (
    Assembly,
    AssemblyCorrection,
    AssemblyCorrectionFacts,
    AssemblyFacts,
    ContactChange,
    Gauge,
    GaugeFacts,
    Premises,
    PremisesFacts,
    ShortText,
    Tester,
    TesterFacts,
)
from service.registry.service_periods import ServicePeriod, periods_of
from service.registry.store import NAMES

IF_MATCH = {"If-Match": f"^{TAGS}$"}
"""The header that a change needs; see `service/http/preconditions.py`."""


def tagged(thing: Any, *, status: int = 200, location: str | None = None) -> Answer:
    """A thing with the tag of its version."""
    headers = {"ETag": f'"{thing.version}"'}
    if location is not None:
        headers["Location"] = location
    return Answer(body=thing, status=status, headers=headers)


def merged(call: Call, current: Any, facts: type[Any], fixed: tuple[str, ...] = ()) -> Any:
    """The facts of `current` after the merge patch in the request, checked whole like new ones."""
    patch = decode(dict[str, Any], call.body)
    document = {name: value for name, value in msgspec.to_builtins(current).items() if name in facts.__struct_fields__}
    try:
        result = merge(document, patch)
        body = msgspec.json.encode(result)
    except RecursionError:
        raise too_deep() from None
    for name in fixed:
        if result.get(name) != document.get(name):
            raise problem("field_fixed", pointer=f"/{name}", name=name)
    try:
        return decode(facts, body)
    except ProblemError as error:
        if not error.faults or any(fault.code != "field_missing" for fault in error.faults):
            raise
        # The patch can be read; the record that it would leave lacks something.
        raise ProblemError(error.cause, error.faults, kind="not-applicable", more=error.more) from None


def shown(call: Call, thing: Any) -> Any:
    """A thing as far as the caller may read it: a contact is for the utility and the operator only."""
    if isinstance(thing, Premises) and not call.who.reads_contacts:
        return replace(thing, contact=UNSET)
    return thing


def merge(target: Any, patch: Any) -> Any:
    """JSON merge patch, as RFC 7396 section 2 puts it."""
    if not isinstance(patch, dict):
        return patch
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merge(result.get(name), value)
    return result


class PremisesQuery(AfterId, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which premises: those for which everything given holds."""

    reference: ShortText | None = None
    """Only premises with this number of your own, to the letter."""
    q: Search | None = None
    """Only premises whose name, address or number has a word that begins with each of these; case, accents and punctuation do not count."""


class TestersQuery(AfterId, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which testers: those for which everything given holds."""

    certificate: ShortText | None = None
    """Only testers who hold, or held, the certificate of this number, to the letter."""
    expires_before: dt.date | None = None
    """Only testers whose last certificate ends before this day, the earliest first."""
    q: Search | None = None
    """Only testers whose name or certificates have a word that begins with each of these; case, accents and punctuation do not count."""


class GaugesQuery(AfterId, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which gauges: those for which everything given holds."""

    serial_number: ShortText | None = None
    """Only gauges of this serial number, to the letter."""
    expires_before: dt.date | None = None
    """Only gauges whose last calibration ends before this day by your rulebook, the earliest first."""
    q: Search | None = None
    """Only gauges whose serial number has a part that begins with each of these; case, accents and punctuation do not count."""


QUERIES: dict[Any, Any] = {Premises: PremisesQuery, Tester: TestersQuery, Gauge: GaugesQuery}
MARKS: dict[Any, tuple[str, ...]] = {Premises: ("reference",), Tester: ("certificate",), Gauge: ("serial_number",), Assembly: ()}


async def _expires_before(call: Call, shape: Any, day: dt.date | None) -> dt.date | None:
    """The day before which a tester's certificate ends, or a gauge was calibrated, for it to expire before `day`."""
    if day is None or shape is not Gauge:
        return day
    utility = await call.services.registry.utility(call.utility)
    return rules.calibrated_before(utility.book, today(utility, call.clock.now()), day)


def _resource(
    plural: str, singular: str, shape: Any, facts: Any, *, lists: bool = True, fixed: tuple[str, ...] = ()
) -> list[Operation]:
    """The four calls of one resource; three where it is listed elsewhere."""
    base = f"/v1/utilities/{{utility:str}}/{plural}"
    one = f"{base}/{{id:uuid}}"
    name = singular.capitalize()

    async def create(call: Call, document: Any) -> Answer:
        thing = await create_thing(
            call.services.registry,
            call.services.follower,
            shape,
            call.utility,
            document,
            new_id=call.clock.new_id(),
            now=call.clock.now(),
        )
        return tagged(thing, status=201, location=f"/v1/utilities/{call.utility}/{plural}/{thing.id}")

    async def read(call: Call) -> Answer:
        return tagged(shown(call, await call.services.registry.get(shape, call.utility, call.id("id"))))

    async def listed(call: Call, query: Any) -> Answer:
        marks = {name: getattr(query, name) for name in MARKS[shape]}
        found = await find(call.services.pool, call.utility, NAMES[shape], marks, query.q)
        expires = await _expires_before(call, shape, getattr(query, "expires_before", None))
        things = await call.services.registry.listed(
            shape, call.utility, after=query.after, limit=query.limit + 1, found=found, expires_before=expires
        )
        return page(call, [shown(call, item) for item in things], query.limit, lambda thing: str(thing.id))

    async def change(call: Call, document: Any) -> Answer:  # noqa: ARG001 - the patch is merged from the body as sent
        match = call.if_match()
        current = await call.services.registry.get(shape, call.utility, call.id("id"))
        version = match.version(current.version)
        new = merged(call, current, facts, fixed)
        thing = await change_thing(
            call.services.registry,
            call.services.follower,
            shape,
            call.utility,
            thing_id=current.id,
            facts=new,
            version=version,
            now=call.clock.now(),
        )
        return tagged(thing)

    listed.__annotations__["query"] = QUERIES.get(shape, AfterId)
    create.__annotations__["document"] = facts
    change.__annotations__["document"] = dict[str, Any]
    article = "an" if singular[0] in "aeiou" else "a"
    listing = operation(
        "GET",
        base,
        id=f"list{plural.capitalize()}",
        summary=f"List {plural}",
        answers={200: page_of(shape)},
        tag=plural,
        right="read",
        companies=True,
    )(listed)
    return [
        operation(
            "POST",
            base,
            id=f"create{name}",
            summary=f"Register {article} {singular}",
            answers={201: shape},
            tag=plural,
            right="register",
        )(create),
        *([listing] if lists else []),
        operation(
            "GET",
            one,
            id=f"read{name}",
            summary=f"Read {article} {singular}",
            answers={200: shape},
            tag=plural,
            right="read",
            companies=True,
        )(read),
        operation(
            "PATCH",
            one,
            id=f"update{name}",
            summary=f"Change {article} {singular} by a merge patch",
            answers={200: shape},
            tag=plural,
            right="register",
            request_headers=IF_MATCH,
            body_media_type="application/merge-patch+json",
            patches=facts,
        )(change),
    ]


class RegisterChangesQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where a list in the order of versions goes on."""

    after: Annotated[int, Meta(ge=0, le=2**62)] = 0
    """Changes after this version."""
    limit: Limit = 100


@operation(
    "GET",
    "/v1/utilities/{utility:str}/premises/{id:uuid}/contact-changes",
    id="listContactChanges",
    summary="List changes of the contact of premises",
    answers={200: page_of(ContactChange)},
    tag="premises",
    right="register",
)
async def contact_changes(call: Call, query: RegisterChangesQuery) -> Answer:
    """List who was the contact of these premises, change by change; 404 where there are no such premises."""
    await call.services.registry.get(Premises, call.utility, call.id("id"))
    found = await call.services.registry.contact_changes(call.utility, call.id("id"), after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda change: str(change.version))


CORRECTIONS = "/v1/utilities/{utility:str}/assemblies/{id:uuid}/corrections"


@operation(
    "POST",
    CORRECTIONS,
    id="correctAssembly",
    summary="Correct the register of an assembly",
    answers={201: AssemblyCorrection},
    tag="assemblies",
    right="register",
)
async def correct(call: Call, document: AssemblyCorrectionFacts) -> Answer:
    """Record that an assembly never was, is registered twice, or is of another kind. Nothing of its history is taken away."""
    kept = await correct_assembly(
        call.services.registry,
        call.services.follower,
        call.utility,
        call.id("id"),
        document,
        who=call.who,
        now=call.clock.now(),
    )
    location = f"/v1/utilities/{call.utility}/assemblies/{call.id('id')}"
    return Answer(body=kept, status=201, headers={"Location": location, "ETag": f'"{kept.version}"'})


@operation(
    "GET",
    CORRECTIONS,
    id="listAssemblyCorrections",
    summary="List corrections of the register of an assembly",
    answers={200: page_of(AssemblyCorrection)},
    tag="assemblies",
    right="register",
)
async def corrections(call: Call, query: RegisterChangesQuery) -> Answer:
    """List what was put right in the register of this assembly; 404 where there is no such assembly."""
    await call.services.registry.get(Assembly, call.utility, call.id("id"))
    found = await call.services.registry.corrections(call.utility, call.id("id"), after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda item: str(item.version))


class ServicePeriods(Struct, frozen=True, kw_only=True):
    """When an assembly was in service and when not, in the order of days; the periods follow one another without a gap."""

    periods: list[ServicePeriod]
    """The periods, the first one first."""


@operation(
    "GET",
    "/v1/utilities/{utility:str}/assemblies/{id:uuid}/service-periods",
    id="readServicePeriods",
    summary="Read when an assembly was in service",
    answers={200: ServicePeriods},
    tag="assemblies",
    right="read",
)
async def service_periods(call: Call) -> Answer:
    """Read when an assembly was in service; 404 where there is no such assembly."""
    await call.services.registry.get(Assembly, call.utility, call.id("id"))
    changes = await call.services.registry.service_changes(call.utility, call.id("id"))
    return Answer(body=ServicePeriods(periods=periods_of(changes)))


operations = [
    *_resource("premises", "premises", Premises, PremisesFacts),
    contact_changes,
    *_resource("assemblies", "assembly", Assembly, AssemblyFacts, lists=False, fixed=("kind",)),
    correct,
    corrections,
    service_periods,
    *_resource("testers", "tester", Tester, TesterFacts),
    *_resource("gauges", "gauge", Gauge, GaugeFacts, fixed=("units",)),
]
