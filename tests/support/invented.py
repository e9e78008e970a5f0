"""The reports of a generated utility: each known from its assembly's number and its year, with the bytes that the service would have written.

Some hundreds of tests are judged once; a report takes the texts of one of them, with its own ids, moment and calibration put in where they
stand, and its hashes made from the result. A test holds the outcome against the audit, the judging and the standings of the service itself.
One thing is left out: no report is compared with the test before it (`previous` is NULL).
"""

import datetime as dt
import hashlib
import random
from bisect import bisect
from collections.abc import Iterator
from functools import cache
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import msgspec
from msgspec import Struct
from msgspec.structs import replace

import rules
from service.auth.access import Principal
from service.record.reports import rests
from service.record.reports.judging import Judged, day_of_test, judge
from service.record.reports.leaf import hashed
from service.record.reports.rests import RestsOn
from service.record.reports.rows import HistoryRow, ReportRow
from service.record.reports.schemas import ReportFacts, Submission
from service.registry.schemas import UtilityOnRecord
from tests.support import documents

PEOPLE = 20
"""Testers, and gauges, of a utility at least; beyond 10 000 assemblies one for each 500."""
TEMPLATES = 240
A_YEAR = dt.timedelta(days=365)
ORGANISATION = UUID(int=0x7000 << 64 | 1)
PREMISES, ASSEMBLY, TESTER, GAUGE, REPORT, INCIDENT, EXCEPTION = range(1, 8)
_HELD = tuple(name for name in HistoryRow.__struct_fields__ if name != "notified_on")  # no notice was ever sent


def id_of(what: int, number: int) -> UUID:
    """The id of a generated thing: of version 7 (RFC 9562) in form, and known from its number."""
    return UUID(int=what << 80 | 0x7 << 76 | 0x2 << 62 | number)


def assembly_id(number: int) -> UUID:
    """The id of that assembly."""
    return id_of(ASSEMBLY, number)


def kind_of(number: int) -> str:
    """What that assembly is."""
    return documents.KINDS[number % len(documents.KINDS)]


def people_of(assemblies: int) -> int:
    """How many testers, and gauges, a utility of so many assemblies has."""
    return max(PEOPLE, assemblies // 500)


class _Template(Struct, frozen=True, kw_only=True):
    """A report, and its texts with a place for each thing that differs; `content_in_order` is what the hash of its content is of."""

    row: ReportRow
    content: str
    content_in_order: str
    judged: str


class Reports:
    """The reports of one utility: one for each assembly and year, the last ones up to 14 months back, so that some are overdue."""

    def __init__(self, utility: UtilityOnRecord, now: dt.datetime, *, assemblies: int, years: int) -> None:
        self.utility = utility
        self.now = now.replace(microsecond=0)
        self.assemblies = assemblies
        self.years = years
        self.people = people_of(assemblies)
        self._zone = ZoneInfo(utility.time_zone)
        last = (self.now - dt.timedelta(days=30)).date()
        self.calibrated_on = sorted(last - n * A_YEAR for n in range(years + 2))

    def in_order(self) -> Iterator[tuple[int, int]]:
        """Assembly and year of each, in the order in which they came."""
        count = self.assemblies * self.years
        # One integer each, so that five million of them are sorted in seconds.
        places = sorted(
            self._minutes_back(n, year) * -count + year * self.assemblies + n
            for year in range(self.years)
            for n in range(self.assemblies)
        )
        for place in places:
            year, n = divmod(place % count, self.assemblies)
            yield n, year

    def _minutes_back(self, n: int, year: int) -> int:
        return (n * 37 % 425 + 365 * (self.years - 1 - year)) * 1440 + _scattered(n, year) % 600

    def performed_at(self, n: int, year: int) -> dt.datetime:
        """When that test was made, and received."""
        return self.now - dt.timedelta(minutes=self._minutes_back(n, year))

    def id(self, n: int, year: int) -> UUID:
        """A report's id: in the order of time, as ids of version 7 are."""
        return id_of(REPORT, (2**24 - self._minutes_back(n, year)) << 32 | n)

    def row(self, n: int, year: int) -> ReportRow:
        """The report of that assembly in that year."""
        scattered = _scattered(n, year)
        template = self._template(kind_of(n), scattered % TEMPLATES)
        performed_at = self.performed_at(n, year)
        tester_id, gauge_id = id_of(TESTER, scattered % self.people), id_of(GAUGE, scattered % self.people)
        marks = {
            "assembly": assembly_id(n),
            "tester": tester_id,
            "gauge": gauge_id,
            "performed_at": f"{performed_at.isoformat()[:19]}Z",
            "performed_here": performed_at.astimezone(self._zone).isoformat(),
            "calibrated_on": self.calibrated_on[bisect(self.calibrated_on, performed_at.date()) - 1],
        }
        row = replace(
            template.row,
            id=self.id(n, year),
            assembly_id=assembly_id(n),
            tester_id=tester_id,
            gauge_id=gauge_id,
            performed_at=performed_at,
            performed_on=day_of_test(self.utility, performed_at),
            received_at=performed_at,
            content=template.content % marks,
            content_hash=hashlib.sha256((template.content_in_order % marks).encode()).digest(),
            judged=template.judged % marks,
        )
        return hashed(self.utility.code, row)

    def many(self, n: int) -> int:
        """How many reports that assembly has; those beyond the number of the tested have none."""
        return self.years if n < self.assemblies else 0

    def history(self, n: int) -> list[HistoryRow]:
        """What that assembly has been through, as far as its standing needs it."""
        return [HistoryRow(**self._held(n, year)) for year in range(self.many(n))]

    def _held(self, n: int, year: int) -> dict[str, Any]:
        template = self._template(kind_of(n), _scattered(n, year) % TEMPLATES).row
        performed_at = self.performed_at(n, year)
        own = {
            "id": self.id(n, year),
            "assembly_id": assembly_id(n),
            "performed_at": performed_at,
            "received_at": performed_at,
            "performed_on": day_of_test(self.utility, performed_at),
            "initial_outcome": self._initial(kind_of(n), _scattered(n, year) % TEMPLATES),
        }
        return {name: own[name] if name in own else getattr(template, name) for name in _HELD}

    def rests_on(self, n: int) -> RestsOn:
        """What the next report of that assembly rests on."""
        if not self.many(n):
            return RestsOn(tests=[])
        last = self._template(kind_of(n), _scattered(n, self.years - 1) % TEMPLATES)
        facts = msgspec.json.decode(last.row.content, type=ReportFacts)
        latest = rests.latest(self.id(n, self.years - 1), self.performed_at(n, self.years - 1), facts)
        return RestsOn(tests=rules.rested_on(rests.events(self.history(n))), latest=latest)

    @cache  # noqa: B019 - the reports of a utility are few objects, each of one measurement
    def _initial(self, kind: str, number: int) -> str | None:
        return self._template(kind, number).row.initial_outcome

    @cache  # noqa: B019
    def _template(self, kind: str, number: int) -> _Template:
        row = self.judged_once(kind, number).row
        facts = msgspec.json.decode(row.content, type=ReportFacts)
        in_order = msgspec.json.encode(facts, order="sorted").decode()
        moment, day = f"{row.performed_at.isoformat()[:19]}Z", self.calibrated_on[-1].isoformat()
        # A report states the moment in UTC; it is judged by the utility's own day.
        here = row.performed_at.astimezone(self._zone).isoformat()
        if moment in row.verdict or here in row.verdict or day in row.verdict:
            raise RuntimeError("A verdict speaks of its test's days, which differ from report to report.")

        def with_places(text: str) -> str:
            text = text.replace("%", "%%")
            for mark, result in (
                ("assembly", row.assembly_id),
                ("tester", row.tester_id),
                ("gauge", row.gauge_id),
                ("performed_at", moment),
                ("performed_here", here),
                ("calibrated_on", day),
            ):
                text = text.replace(str(result), f"%({mark})s")
            return text

        return _Template(
            row=row, content=with_places(row.content), content_in_order=with_places(in_order), judged=with_places(row.judged)
        )

    def judged_once(self, kind: str, number: int) -> Judged:
        """A report of such an assembly, of 20 days ago, as it is written; the same for the same number."""
        source = random.Random(f"{kind} {number}")  # noqa: S311 - reproducible on purpose
        ids = {"assembly_id": str(assembly_id(0)), "tester_id": str(id_of(TESTER, 0)), "gauge_id": str(id_of(GAUGE, 0))}
        performed_at = self.now - dt.timedelta(days=20)
        facts = msgspec.convert(
            {**documents.test_of(kind, source), **ids, "performed_at": performed_at}, ReportFacts, strict=False
        )
        who = Principal(
            key_id=ORGANISATION, organisation_id=ORGANISATION, kind="operator", rights=frozenset(), utilities=frozenset()
        )
        result = Submission(id=id_of(REPORT, 0), facts=facts, principal=who, received_at=performed_at)
        return judge(self.utility, result, documents.known_of(kind, self.calibrated_on[-1].isoformat()))


def _scattered(n: int, year: int) -> int:
    return n * 7919 + year * 104_729
