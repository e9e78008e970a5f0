"""What each thing of a file comes to against the record: new, changed, the same, or bad and why. Nothing is written here.

A thing that is registered is found by its own mark and keeps its id; what the file does not state stays as it is. A new one gets an
id that follows from its mark, so that the same file never makes it twice.
"""

import asyncio
import datetime as dt
from collections import Counter
from collections.abc import AsyncIterator, Sequence
from typing import Any, Final
from uuid import UUID, uuid5

import msgspec
from msgspec import UNSET, Struct
from msgspec.structs import replace

import rules
from service.auth.access import Principal
from service.http import documents
from service.imports import ahead
from service.imports.ahead import Ahead
from service.imports.columns import Asked
from service.imports.rows import MARKS, document_of
from service.imports.runs import RunStore
from service.imports.staging import Staged, Staging
from service.imports.store import ImportStore, KeptReport, RecordedTest
from service.imports.texts import Said, of_fault, of_rules, say
from service.problems import Fault, ProblemError
from service.record.reports.judging import content_hash, judge
from service.record.reports.rows import FactsRow, ReportRow
from service.record.reports.schemas import KeptFacts, ReportFacts, Submission
from service.registry.calendar import today
from service.registry.schemas import (
    Assembly,
    AssemblyFacts,
    Gauge,
    GaugeFacts,
    Premises,
    PremisesFacts,
    Tester,
    TesterFacts,
    UtilityOnRecord,
)

# The namespace of the ids that follow from marks (RFC 9562, version 5); it never changes, or a file would make everything again.
_NAMESPACE: Final = UUID("5b0b7f9c-0f0e-5a52-9d1b-0e8f3c2a7d61")
SHAPES: Final[dict[str, tuple[Any, Any]]] = {
    "premises": (Premises, PremisesFacts),
    "tester": (Tester, TesterFacts),
    "gauge": (Gauge, GaugeFacts),
    "assembly": (Assembly, AssemblyFacts),
}
_OF_A_CERTIFICATE: Final[tuple[str, ...]] = ("certificate", "kinds", "valid_from", "valid_until")
_FIELD_OF: Final = {
    "nominal_size": "size",
    "location": "latitude",
    "calibrations": "calibrated_on",
    "units": "accuracy",
    "premises_id": "reference",
    "contact": "contact_name",
}
_AT_A_STRETCH: Final = 20
_MOST_PEOPLE: Final = 5_000
_NOT_REGISTERED: Final = {
    "premises": "premises_not_registered",
    "assembly": "assembly_not_registered",
    "tester": "tester_not_registered",
    "gauge": "gauge_not_registered",
}
_FIXED: Final = {"assembly": "kind", "gauge": "units"}


class _Flags(Struct):
    flags: list[rules.Flag]


_flagged = msgspec.json.Decoder(_Flags).decode


class Fit(Struct, frozen=True, kw_only=True):
    """A fault of a staged thing, at the field that it concerns."""

    staged: Staged
    said: Said
    field: str | None = None


class Known(Struct, frozen=True):
    """A thing that may be referred to: its facts, the version that it will have when tests are written, and whether it is new."""

    id: UUID
    facts: Any
    version: int
    new: bool


class _Beside(Struct, frozen=True):
    """What the things of a lot refer to: premises by reference, assemblies that were replaced, those that an undo retired."""

    premises: dict[str, Known]
    replaced: dict[str, UUID]
    retired: set[UUID]


class _BadError(Exception):
    """The thing cannot be; its faults, of which there are none where a thing that it needs is bad and is reported already."""

    def __init__(self, *faults: tuple[Said, str | None]) -> None:
        super().__init__()
        self.faults = faults


class Checker:
    """Checks what is staged, kind by kind, each behind what it refers to."""

    def __init__(
        self,
        *,
        store: ImportStore,
        runs: RunStore,
        staging: Staging,
        utility: UtilityOnRecord,
        asked: Asked,
        principal: Principal,
        now: dt.datetime,
    ) -> None:
        self._store = store
        self._runs = runs
        self._staging = staging
        self._utility = utility
        self._asked = asked
        self._principal = principal
        self._now = now
        self._today = today(utility, now)
        self._people: dict[str, dict[str, Known]] = {}
        """Testers and gauges, of which a file has few and names each often."""
        self.outcomes: Counter[str] = Counter()
        self.acceptance: Counter[str] = Counter()
        self.acceptance_of_new: Counter[str] = Counter()
        self.basis: Counter[str] = Counter()
        self.flags: Counter[tuple[rules.Severity, str]] = Counter()

    async def check(self, thing: str) -> AsyncIterator[tuple[int, list[Fit]]]:
        """Check all things of a kind; how many more are checked, and what is wrong with them."""
        lots = self._staging.unchecked_tests() if thing == "test" else self._staging.things(thing)
        for staged in lots:
            found = await (self._tests(staged) if thing == "test" else self._things(thing, staged))
            yield len(staged), found

    def _id(self, thing: str, key: str) -> UUID:
        return uuid5(_NAMESPACE, f"{self._utility.code}\n{thing}\n{key}")

    async def _find(self, thing: str, keys: Sequence[str]) -> dict[str, list[Any]]:
        """What is registered under those marks, by mark; a tester also under the id that the mark makes, for it may hold no certificate."""
        shape, _ = SHAPES[thing]
        ids = {self._id(thing, key): key for key in keys}
        found: dict[str, list[Any]] = {key: [] for key in keys}
        for item in await self._store.find(shape, self._utility.code, list(keys), list(ids)):
            marks = (
                [held.certificate for held in item.certificates]
                if thing == "tester"
                else [item.reference if thing == "premises" else item.serial_number]
            )
            if thing == "tester" and item.id in ids:
                marks.append(ids[item.id])
            for mark in {mark for mark in marks if mark in found}:
                found[mark].append(item)
            if item.id in ids and ids[item.id] not in marks:
                found[ids[item.id]].append(None)
        return found

    async def _one(self, thing: str, keys: Sequence[str]) -> dict[str, Known]:
        """Those that may be referred to, staged and good, or registered; others are left out."""
        wanted = set(keys)
        known = self._people.setdefault(thing, {})
        found = {key: known[key] for key in wanted if key in known}
        wanted -= set(found)
        staged = self._staging.find(thing, wanted)
        made = {key: _staged_as(thing, value) for key, value in staged.items() if value.id and value.state != "bad"}
        rest = [key for key in wanted if key not in staged]
        for key, registered in (await self._find(thing, rest)).items() if rest else ():
            if len(registered) == 1 and registered[0] is not None:
                made[key] = Known(registered[0].id, registered[0], registered[0].version, new=False)
        if thing in ("tester", "gauge"):
            if len(known) + len(made) > _MOST_PEOPLE:
                known.clear()
            known.update(made)
        return found | made

    def _missing(self, thing: str, key: str) -> _BadError:
        if self._staging.find(thing, [key]):
            return _BadError()
        code = _NOT_REGISTERED[thing]
        return _BadError((say(code, key=key), MARKS[thing]))

    async def _things(self, thing: str, staged: list[Staged]) -> list[Fit]:
        registered = await self._find(thing, [item.key for item in staged])
        beside: dict[str, Known] = {}
        replaced: dict[str, UUID] = {}
        retired: set[UUID] = set()
        if thing == "assembly":
            beside = await self._one("premises", [item.document["premises"] for item in staged if "premises" in item.document])
            replaced = await self._replaced([item.document["replaces"] for item in staged if "replaces" in item.document])
            idle = [found.id for many in registered.values() for found in many if found is not None and not found.in_service]
            retired = await self._runs.retired_by_undo(self._utility.code, idle) if idle else set()
        faults = []
        for at, item in enumerate(staged):
            await _let_others(at)
            try:
                self._resolve(thing, item, registered[item.key], _Beside(beside, replaced, retired))
            except _BadError as error:
                self._staging.resolve(item.number, "bad")
                faults += [Fit(staged=item, said=said, field=field) for said, field in error.faults]
        return faults

    async def _replaced(self, marks: Sequence[str]) -> dict[str, UUID]:
        """The ids of the assemblies of those serial numbers: registered, or to be from this file; others are left out."""
        if not marks:
            return {}
        found = {
            mark: items[0].id for mark, items in (await self._find("assembly", marks)).items() if len(items) == 1 and items[0]
        }
        new = set(self._staging.find("assembly", [mark for mark in marks if mark not in found]))
        return found | {mark: self._id("assembly", mark) for mark in new}

    def _resolve(self, thing: str, staged: Staged, registered: list[Any], others: "_Beside") -> None:
        premises, replaced, retired = others.premises, others.replaced, others.retired
        _, shape = SHAPES[thing]
        if None in registered:
            raise _BadError((say("mark_changed"), None))
        if len(registered) > 1:
            raise _BadError((say("mark_ambiguous", count=len(registered)), None))
        current = registered[0] if registered else None
        stated = dict(staged.document)
        faults: list[tuple[Said, str | None]] = []
        if thing == "assembly" and "premises" in stated:
            reference = stated.pop("premises")
            if reference in premises:
                stated["premises_id"] = str(premises[reference].id)
            else:
                problem = self._missing("premises", reference)
                faults += problem.faults
                stated["premises_id"] = str(UUID(int=0))
                if not problem.faults:
                    staged = replace(staged, bad=True)
        if "replaces" in stated and (mark := stated.pop("replaces")):
            if mark in replaced:
                stated["replaces"] = str(replaced[mark])
            else:
                faults.append((say("replaced_not_registered", key=mark), "assembly.replaces"))
        if thing in ("tester", "gauge") and current is None and not self._asked.options.make_testers_and_gauges:
            faults.append((say("thing_not_registered", thing=thing), None))
        document = self._whole(thing, stated, current, faults)
        if current is not None and current.id in retired:
            # An undo took it out of service as registered by mistake; the file registers it again.
            document["in_service"] = stated.get("in_service", True)
        try:
            facts = documents.decode(shape, msgspec.json.encode(document))
        except ProblemError as error:
            faults += self._named(thing, error.faults, staged.spoiled)
            raise _BadError(*faults) from None
        if thing == "assembly" and facts.installed_on not in (UNSET, getattr(current, "installed_on", UNSET)):
            impossible = rules.installation_fault(facts.installed_on, self._today, "/installed_on")
            faults += [] if impossible is None else [(of_rules(impossible), "assembly.installed_on")]
        if current is not None and (fixed := _FIXED.get(thing)) and getattr(current, fixed) != getattr(facts, fixed):
            faults.append((say("fixed_differs", field=fixed), f"{thing}.{_FIELD_OF.get(fixed, fixed)}"))
        if thing == "assembly" and facts.replaces is not UNSET and facts.installed_on is UNSET:
            faults.append((say("replaced_without_day"), "assembly.installed_on"))
        if faults or staged.bad:
            raise _BadError(*faults)
        text = msgspec.json.encode(facts)
        if current is None:
            self._staging.resolve(staged.number, "new", thing_id=str(self._id(thing, staged.key)), facts=text)
        else:
            same = all(getattr(current, name) == getattr(facts, name) for name in shape.__struct_fields__)
            # One that an undo retired is first put back in the register, which is a version of its own.
            version = current.version + (current.id in retired)
            self._staging.resolve(
                staged.number, "same" if same else "changed", thing_id=str(current.id), facts=text, version=version
            )

    def _whole(self, thing: str, stated: dict[str, Any], current: Any, faults: list[tuple[Said, str | None]]) -> dict[str, Any]:
        """The thing's facts: as registered and then as stated, or for a new one as stated and then by default."""
        if current is None:
            base = {name.partition(".")[2]: value for name, value in self._asked.defaults.items() if name.startswith(f"{thing}.")}
            base = document_of(thing, base)
        else:
            base = {
                name: value for name, value in msgspec.to_builtins(current).items() if name in SHAPES[thing][1].__struct_fields__
            }
        if thing == "premises" and "contact" in stated:
            stated["contact"] = {**base.get("contact", {}), **stated["contact"]}
        if thing == "gauge":
            stated["calibrations"] = _joined(base.get("calibrations", []), stated.get("calibrations", []), "calibrated_on")
        if thing == "tester":
            own = {name: stated.pop(name) for name in _OF_A_CERTIFICATE if name in stated}
            own = {**{name: base.pop(name) for name in _OF_A_CERTIFICATE if name in base}, **own}
            stated["certificates"] = _certificates(base.get("certificates", []), own, faults)
        whole = {**base, **stated}
        if "hazard_class" in whole and whole["hazard_class"] is None:
            # A degree takes the place of the word that was registered.
            del whole["hazard_class"]
        return whole

    def _named(self, thing: str, faults: Sequence[Fault], spoiled: Sequence[str]) -> list[tuple[Said, str | None]]:
        """The schema's faults at their fields; where a cell was bad its own fault is reported already."""
        named: list[tuple[Said, str | None]] = []
        for fault in faults:
            member = (fault.pointer or "/").split("/")[1]
            name = _FIELD_OF.get(member, member)
            field = f"premises.{name}" if member == "premises_id" else f"{thing}.{name}"
            if name in spoiled:
                continue
            if fault.code == "field_missing":
                named.append((say("value_missing", field=field), field))
            else:
                named.append((of_fault(fault), field))
        return named

    async def _tests(self, staged: list[Staged]) -> list[Fit]:
        """Check and judge the tests of some assemblies, each assembly's in the order of time."""
        keys = {
            thing: [item.document[member] for item in staged if item.document.get(member)]
            for thing, member in (("assembly", "serial_number"), ("tester", "certificate"), ("gauge", "gauge"))
        }
        known = {thing: await self._one(thing, marks) for thing, marks in keys.items()}
        registered = sorted({found.id for found in known["assembly"].values() if not found.new})
        recorded = await self._store.recorded(self._utility.code, registered) if registered else {}
        reports = await self._reports_before(staged, known["assembly"], recorded) if recorded else {}
        faults: list[Fit] = []
        of_assembly = _OfAssembly()
        for at, item in enumerate(staged):
            await _let_others(at)
            serial = item.document["serial_number"]
            if serial != of_assembly.serial:
                self._judge_corrected_later(of_assembly)
                assembly = known["assembly"].get(serial)
                of_assembly = _OfAssembly(serial, recorded.get(assembly.id, []) if assembly else [])
            try:
                self._test(item, known, of_assembly, reports)
            except _BadError as error:
                self._staging.resolve(item.number, "bad")
                faults += [Fit(staged=item, said=said, field=field) for said, field in error.faults]
        self._judge_corrected_later(of_assembly)
        return faults

    async def _reports_before(
        self, staged: list[Staged], assemblies: dict[str, Known], recorded: dict[UUID, list[RecordedTest]]
    ) -> dict[UUID, KeptReport]:
        """The recorded reports at the moments of those tests, and the last before each."""
        ids: set[UUID] = set()
        for item in staged:
            assembly = assemblies.get(item.document["serial_number"])
            history = recorded.get(assembly.id, []) if assembly else []
            moment = dt.datetime.fromisoformat(item.document["report"]["performed_at"])
            ids |= {row.id for row in history if row.performed_at == moment}
            if (last := ahead.before(ahead.counted(history), moment)) is not None:
                ids.add(last.id)
        return await self._store.reports(self._utility.code, sorted(ids)) if ids else {}

    def _judge_corrected_later(self, of_assembly: "_OfAssembly") -> None:
        """Where the file corrects a test of an assembly, its new tests are judged when they are written, after the correction."""
        if of_assembly.corrected:
            for number, report_id, facts in of_assembly.new:
                self._staging.resolve(number, "new", thing_id=report_id, facts=facts)

    def _test(
        self,
        staged: Staged,
        known: dict[str, dict[str, Known]],
        of_assembly: "_OfAssembly",
        reports: dict[UUID, KeptReport],
    ) -> None:
        faults: list[tuple[Said, str | None]] = []
        found: dict[str, Known] = {}
        for thing, member in (("assembly", "serial_number"), ("tester", "certificate"), ("gauge", "gauge")):
            mark = staged.document.get(member)
            if mark in known[thing]:
                found[thing] = known[thing][mark]
            elif mark:
                faults += self._missing(thing, mark).faults
        if staged.bad or len(found) < 3:  # noqa: PLR2004 - all three
            raise _BadError(*faults)
        document = {**{f"{thing}_id": str(found[thing].id) for thing in found}, **staged.document["report"]}
        try:
            facts = documents.decode(ReportFacts, msgspec.json.encode(document))
            at_that_moment = [row for row in of_assembly.history if row.performed_at == facts.performed_at]
            counted = ahead.current(of_assembly.history)
            before = next((reports[row.id] for row in at_that_moment if row.id in counted), None)
            corrected = facts
            if before is not None:
                corrected = replace(facts, supersedes=before.id, supersedes_because="Corrected by an import.")
            # A void or superseded report of that moment keeps its id.
            report_id = self._report_id(found, document, taken=len(at_that_moment))
            submission = Submission(id=report_id, facts=corrected, principal=self._principal, received_at=self._now)
            previous = of_assembly.previous(facts.performed_at, reports)
            outcomes = {} if before is None else {before.id: before.outcome}
            judged = judge(self._utility, submission, _facts_row(found, previous), outcomes)
        except ProblemError as error:
            raise _BadError(*self._named("test", error.faults or [error.cause], [])) from None
        except rules.RulesError as error:
            raise _BadError(*[(of_rules(fault), None) for fault in (error, *error.also)]) from None
        if before is None:
            text = msgspec.json.encode(facts)
            assembly, tester, gauge = (found[thing].version for thing in ("assembly", "tester", "gauge"))
            packed = ahead.packed(Ahead(judged.row, assembly, tester, gauge, of_assembly.digest))
            self._staging.resolve(staged.number, "new", thing_id=str(report_id), facts=text, judged=packed)
            of_assembly.add(staged.number, judged.row, text)
        elif (differing := _differing(before, facts)) and not self._asked.options.correct_reports:
            raise _BadError((say("test_differs", fields=differing), "test.date"))
        elif differing:
            of_assembly.corrected = True
            self._staging.resolve(
                staged.number,
                "changed",
                thing_id=str(uuid5(before.id, content_hash(facts).hex())),
                facts=msgspec.json.encode(corrected),
            )
        else:
            self._staging.resolve(staged.number, "same", thing_id=str(before.id))
            return
        self.outcomes[judged.row.outcome] += 1
        self.acceptance[judged.row.acceptance] += 1
        self.acceptance_of_new[judged.row.acceptance] += before is None
        self.basis["declared" if judged.row.declared else "judged"] += 1
        self.flags.update({(flag.severity, flag.code) for flag in _flagged(judged.verdict).flags})

    def _report_id(self, found: dict[str, Known], document: dict[str, Any], *, taken: int) -> UUID:
        moment = dt.datetime.fromisoformat(document["performed_at"]).astimezone(dt.UTC)
        again = f" {taken}" if taken else ""
        return self._id("test", f"{found['assembly'].id} {moment.isoformat()}{again}")


class _OfAssembly:
    """The tests of one assembly while they are checked: the recorded ones, and those of the file so far."""

    def __init__(self, serial: str | None = None, history: list[RecordedTest] | None = None) -> None:
        self.serial = serial
        self.history = history or []
        self.digest = ahead.digest(self.history)
        self.corrected = False
        self.new: list[tuple[int, str, bytes]] = []
        self._counted = ahead.counted(self.history)
        self._last: ReportRow | None = None

    def add(self, number: int, row: ReportRow, facts: bytes) -> None:
        """Take in a new test, on which the next one rests unless it is refused."""
        self.new.append((number, str(row.id), facts))
        if row.acceptance != "refused":
            self._last = row

    def previous(self, moment: dt.datetime, reports: dict[UUID, KeptReport]) -> str | None:
        """The last test before that moment as it was judged, of the file or of the record."""
        recorded = ahead.before(self._counted, moment)
        last = self._last
        if last is not None and (recorded is None or recorded.performed_at < last.performed_at):
            return last.judged
        return None if recorded is None else reports[recorded.id].judged


async def _let_others(at: int) -> None:
    """Let other requests have their turn every so often: checking is arithmetic, and the loop is theirs too."""
    if at % _AT_A_STRETCH == 0:
        await asyncio.sleep(0)


def _differing(before: KeptReport, facts: ReportFacts) -> list[str]:
    """The members in which a recorded report and this one differ, apart from what either corrects."""
    kept = replace(msgspec.json.decode(before.content, type=KeptFacts), supersedes=UNSET, supersedes_because=UNSET)
    return [name for name in ReportFacts.__struct_fields__ if getattr(kept, name) != getattr(facts, name)]


def _staged_as(thing: str, staged: Staged) -> Known:
    """A staged thing as it will be when tests are written."""
    version = {"new": 1, "changed": staged.version + 1}.get(staged.state or "", staged.version)
    facts = msgspec.json.decode(staged.facts, type=SHAPES[thing][1])
    return Known(UUID(str(staged.id)), facts, version, new=staged.state == "new")


def _facts_row(found: dict[str, Known], previous: str | None) -> FactsRow:
    """What the registry will know of the three when the report is recorded, and the test before it as it was judged."""
    assembly, tester, gauge = (found[thing].facts for thing in ("assembly", "tester", "gauge"))
    size = None if assembly.nominal_size is UNSET else msgspec.json.encode(assembly.nominal_size).decode()
    before_it_is_known = dt.datetime.min.replace(tzinfo=dt.UTC)
    return FactsRow(
        n=1,
        kind=assembly.kind,
        hazard="unknown" if assembly.hazard is UNSET else assembly.hazard,
        hazard_class=assembly.hazard_class or None,
        nominal_size=size,
        purpose=assembly.purpose or None,
        backpressure_possible=None if assembly.backpressure_possible is UNSET else assembly.backpressure_possible,
        in_plant_air_gap=None if assembly.in_plant_air_gap is UNSET else assembly.in_plant_air_gap,
        installed_on=None if assembly.installed_on is UNSET else assembly.installed_on,
        in_service=assembly.in_service,
        connection="",
        created_at=before_it_is_known,
        certificates=msgspec.json.encode(tester.certificates).decode(),
        tester_known=True,
        tester_organisation_id=None if tester.organisation_id is UNSET else tester.organisation_id,
        accuracy=gauge.accuracy,
        resolution=gauge.resolution,
        gauge_unit=gauge.units.pressure,
        calibrations=msgspec.json.encode(gauge.calibrations).decode(),
        previous_judged=previous,
    )


def _joined(kept: list[dict[str, Any]], stated: list[dict[str, Any]], by: str) -> list[dict[str, Any]]:
    """What is kept with what the file adds, in the order of `by`; where it adds nothing, as it is kept."""
    joined = {item[by]: item for item in kept}
    for item in stated:
        joined[item[by]] = {**joined.get(item[by], {}), **item}
    return kept if list(joined.values()) == kept else sorted(joined.values(), key=lambda item: str(item[by]))


def _certificates(held: list[dict[str, Any]], own: dict[str, Any], faults: list[tuple[Said, str | None]]) -> list[dict[str, Any]]:
    """The certificates held with the one in the file; one of which only the number is stated is none yet."""
    before = next((item for item in held if item["certificate"] == own["certificate"]), {})
    whole = {**before, **own}
    lacking = [name for name in _OF_A_CERTIFICATE if name not in whole]
    if len(lacking) == len(_OF_A_CERTIFICATE) - 1:
        return held
    if lacking:
        faults.append((say("certificate_incomplete", fields=[f"tester.{name}" for name in lacking]), None))
        return held
    return [*(item for item in held if item is not before), whole] if whole != before else held
