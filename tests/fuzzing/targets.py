"""What is fuzzed: each target takes bytes of any kind, hands them to a parser of the service, and says what may come of it.

Only the refusals that a parser names may be raised. What is accepted has to hold besides: an answer is JSON with finite numbers, a
drawing is XML, lines are counted as a plain split counts them, a token that verifies holds what was signed.
"""

import asyncio
import datetime as dt
import io
import itertools
import json
import math
import random
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import AsyncIterator, Callable, Iterator
from typing import Any, NoReturn
from zoneinfo import ZoneInfo

import msgspec
import openpyxl
from litestar import Request
from msgspec import Struct

import rules
from rules import operation as rules_operation
from rules import selection
from rules.notices import NoticeFacts, fill
from rules.notices.text import faults
from service import endpoints as calls
from service.http.documents import convert, decode
from service.http.endpoint import _single
from service.http.problem_details import body_of
from service.imports.cells import CellError
from service.imports.columns import Asked, header, parsers
from service.imports.rows import RowReader
from service.imports.schemas import ImportOptions
from service.imports.sheets import Sheet, SheetError, csv_sheet, xlsx_sheets
from service.problems import ProblemError
from service.receipts import token as receipts
from service.record.reports.batches_api import BatchLine, _lines
from service.signing import NotGoodError, parse
from tests.mutation import returning
from tests.mutation.questions import OF_THE_RULES
from tests.support.documents import test_of

NOW = dt.datetime(2026, 6, 1, 19, tzinfo=dt.UTC)
ZONE = ZoneInfo("America/Los_Angeles")
_LOOP = asyncio.new_event_loop()


class Target(Struct, frozen=True, kw_only=True):
    """A parser: what it is given first, what it does with bytes, the refusals that are its own, and whether its bytes are JSON."""

    does: Callable[[bytes], object]
    seeds: list[bytes]
    refusals: tuple[type[Exception], ...]
    json: bool = False
    share: int = 1
    """Its part of all inputs; what is slow gets fewer."""


def sane(answer: Any) -> None:
    """An answer of ours is JSON that any program reads: no NaN, no infinity."""
    json.loads(msgspec.json.encode(answer), parse_constant=_no)


def _no(constant: str) -> NoReturn:
    raise AssertionError(f"{constant} is no JSON")


def judged(body: bytes) -> None:
    """A test is judged, and drawn."""
    test = decode(rules.Test, body)
    verdict = rules.judge(test, received_at=NOW)
    sane(verdict)
    ET.fromstring(rules_operation.draw_verdict(test.assembly.kind, verdict))  # noqa: S314 - our own drawing


def batch_lines(data: bytes) -> None:
    """A batch's lines come out as a plain split gives them, however the body is cut; each is a report or is refused."""
    source = random.Random(len(data))  # noqa: S311 - where a body is cut is no secret
    longest = source.choice([20, 200, 2_000])
    cuts = sorted(source.randrange(len(data) + 1) for _ in range(source.randrange(6)))
    chunks = [data[start:end] for start, end in itertools.pairwise([0, *cuts, len(data)])]

    async def body() -> AsyncIterator[bytes]:
        for chunk in chunks:
            yield chunk

    async def taken() -> list[tuple[int, bytes | None]]:
        return [one async for one in _lines(body(), longest)]

    plainly = [
        (number, line if len(line) <= longest else None)
        for number, line in enumerate(data.split(b"\n"), start=1)
        if len(line) > longest or line.strip()
    ]
    assert _LOOP.run_until_complete(taken()) == plainly
    for line in data.split(b"\n")[:20]:
        try:
            decode(BatchLine, line)
        except ProblemError as refused:
            body_of(refused, "/v1")


BODIES = sorted({one.id: one for one in calls.operations if one.takes not in (None, bytes)}.items())
QUERIES = sorted({one.id: one for one in calls.operations if one.query is not None}.items())
_ASKED: dict[str, Callable[[Any], object]] = {
    "selectAssembly": lambda ask: selection.select(ask, on=NOW.date()),
    "checkPlacement": lambda ask: selection.place(ask, on=NOW.date()),
    "operateAssembly": lambda ask: _drawn(ask, rules_operation.operate(ask)),
    "runPracticeTest": rules_operation.practice_test,
}


def _drawn(ask: rules_operation.OperationRequest, answer: rules_operation.OperationResult) -> rules_operation.OperationResult:
    ET.fromstring(rules_operation.draw_operation(ask, answer))  # noqa: S314 - our own drawing
    return answer


def bodies(data: bytes) -> None:
    """The body of any call, which the first byte names; one of the rules is answered too."""
    if not data:
        return
    name, call = BODIES[data[0] % len(BODIES)]
    document = decode(call.takes, data[1:])
    if name in _ASKED:
        sane(_ASKED[name](document))


def queries(data: bytes) -> None:
    """The query of any call."""
    if not data:
        return
    _, call = QUERIES[data[0] % len(QUERIES)]
    scope: Any = {"type": "http", "method": "GET", "path": "/", "headers": [], "query_string": data[1:], "state": {}}
    convert(call.query, _single(Request(scope)))


def rows_of(sheets: Iterator[Sheet], asked: Asked) -> None:
    """Every row of every sheet is reported, or its problem is."""
    for sheet in sheets:
        found = header(sheet.rows, asked, [])
        if found is None:
            continue
        _, under = found
        reader = RowReader(sheet.name, under, asked, ZONE)
        for number, cells in sheet.rows:
            result, problems = reader.read(number, cells)
            sane([result, problems])


def csv_file(data: bytes) -> None:
    """A CSV file; the first byte says how it is read."""
    if not data:
        return
    how = data[0]
    options = ImportOptions(
        encoding=("utf-8", "utf-16", "windows-1252", "iso-8859-15")[how & 3],
        delimiter=(None, "semicolon")[how >> 2 & 1],
        dates=("mdy", "dmy", None)[how >> 3 & 1],
        pressure=("psi", None)[how >> 4 & 1],
        length="in",
    )
    asked = Asked(options)
    rows_of(iter([csv_sheet(io.BytesIO(data[1:]), encoding=options.encoding, delimiter=options.delimiter)]), asked)


def import_options(data: bytes) -> None:
    """What an import gets besides its file: two JSON objects, parted by a NUL."""
    columns, _, defaults = data.decode("utf-8", "replace").partition("\0")
    asked = Asked(ImportOptions(columns=columns[:20_000], defaults=defaults[:20_000], pressure="psi", length="in"))
    header(iter([(1, ["Serial No", "Acct", *asked.unmet])]), asked, [])


def one_cell(data: bytes) -> None:
    """One cell as each field reads it; a number that is read is a finite one."""
    text = data.decode("utf-8", "replace")[:4_000].strip()
    asked = Asked(ImportOptions(pressure="psi", length="in", dates="mdy"))
    for field, parser in parsers().items():
        try:
            value = parser(text, asked.how(field, None))
        except CellError:
            continue
        size = value[0] if isinstance(value, tuple) else value
        assert not isinstance(size, float) or math.isfinite(size), (field, value)


def _workbook(packing: int = zipfile.ZIP_DEFLATED) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Serial No", "Size (in)", "Type", "Test date", "Time", "Check held (psi)", "Tester cert", "Gauge"])
    sheet.append(["S-1", 1.5, "PVB", dt.datetime(2025, 4, 3), dt.time(9, 30), 1.4, "T-1", "G-1"])
    sheet.append(["S-2", "3/4", "RP", "2025-04-03", "9:30 am", "leaked", "T-1", "G-1"])
    sheet.append([True, None, "=A1", "#N/A", dt.timedelta(hours=30), 10**300, "'=x", "é"])
    result = io.BytesIO()
    book.save(result)
    if packing == zipfile.ZIP_DEFLATED:
        return result.getvalue()
    again = io.BytesIO()
    with zipfile.ZipFile(result) as packed, zipfile.ZipFile(again, "w", packing) as archive:
        for one in packed.namelist():
            archive.writestr(one, packed.read(one))
    return again.getvalue()


# One workbook: it states the second at which it was made, so that the parts of two differ.
with zipfile.ZipFile(io.BytesIO(_workbook())) as _packed:
    _PARTS = {one: _packed.read(one) for one in _packed.namelist()}
_NAMES = sorted(_PARTS)


def workbook(data: bytes) -> None:
    """A workbook of which one part, named by the first byte, is what comes after it; or a file that is those bytes."""
    if not data:
        return
    packed = io.BytesIO(data[1:])
    if data[0] < 250:
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as archive:
            for name, part in _PARTS.items():
                archive.writestr(name, data[1:] if name == _NAMES[data[0] % len(_NAMES)] else part)
        packed.seek(0)
    rows_of(xlsx_sheets(packed), Asked(ImportOptions(pressure="psi", length="in")))


def packed_file(data: bytes) -> None:
    """A file declared to be a workbook, its zip broken in any way."""
    rows_of(xlsx_sheets(io.BytesIO(data)), Asked(ImportOptions(pressure="psi", length="in")))


# RFC 8037, appendix A.1: a published private key.
_KEYS = parse(
    '{"keys": [{"kty": "OKP", "crv": "Ed25519", "d": "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A", "x": "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}]}'
)
_TOKEN = _KEYS.sign("of-a-test", b'{"a":1}')


def token(data: bytes) -> None:
    """A token: one that opens is one that was signed, to the letter; a receipt is found genuine or not, and nothing is raised."""
    text = data.decode("utf-8", "replace")
    receipts.check(_KEYS, text)
    _KEYS.open("of-a-test", text)
    assert text == _TOKEN


_FACTS = NoticeFacts(
    utility="Plain water",
    premises="Plot {1}",
    address="1 Sluice Lane\n",
    reference=None,
    assembly="a pressure vacuum breaker",
    serial_number="{caution}",
    position=None,
    due_on=dt.date(2026, 6, 1),
    tested_on=None,
    repair_by=None,
)


def template(data: bytes) -> None:
    """A notice's template: one without faults is filled, and holds no more lines than it had."""
    text = data.decode("utf-8", "replace")
    if faults(text, "due", "/text"):
        return
    assert len(fill(text, _FACTS).splitlines()) == len(text.splitlines())


def _tests() -> list[bytes]:
    source = random.Random(1)  # noqa: S311 - the same documents every time
    found = []
    for kind in ("rp", "rpda", "dc", "dcda", "pvb", "svb"):
        result = test_of({"rpda": "rp", "dcda": "dc", "svb": "pvb"}.get(kind, kind), source)
        found.append(
            {
                "rulebook": "us-wa",
                "performed_at": "2026-05-14T09:20:00-07:00",
                "assembly": {"kind": kind, "size": 1.0, "hazard": "health"},
                "units": {"pressure": "psi", "length": "in"},
                "line_pressure": 62,
                "initial_test": result["initial_test"],
                "gauge": {"accuracy": 0.2, "resolution": 0.1, "calibrated_on": "2026-01-12", "height_above_assembly": 0},
                "tester": {"certificate": "T-1", "kinds": ["rp", "dc"], "valid_from": "2025-03-01", "valid_until": "2028-02-29"},
                "repairs": [{"component": "check", "part": "disc", "action": "replaced"}],
                "final_test": result["initial_test"],
                "declared": "pass",
            }
        )
    return [msgspec.json.encode(one) for one in found]


_LINE = msgspec.json.encode(
    {
        "id": "018f0000-0000-7000-8000-000000000001",
        "assembly_id": "018f0000-0000-7000-8000-000000000002",
        "tester_id": "018f0000-0000-7000-8000-000000000003",
        "gauge_id": "018f0000-0000-7000-8000-000000000004",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "reason": "periodic",
        "units": {"pressure": "psi"},
        "initial_test": {"readings": [{"component": "check", "closed_tight": True, "held_at": 1.8}]},
    }
)


def _bodies() -> list[bytes]:
    found = []
    for at, (name, _) in enumerate(BODIES):
        document = OF_THE_RULES.get(name, {"name": "A", "units": {"pressure": "psi"}, "kind": "pvb", "steps": [], "facts": {}})
        found.append(bytes([at]) + msgspec.json.encode(document))
    return found


def _queries() -> list[bytes]:
    text = b"limit=10&after=x&status=overdue&on=2026-05-14&as_of=2026-05-14&due_before=2026-05-14&wait=5&box=-123,47,-122,48&hazard=health&kind=pvb&sort=due_on"
    return (
        [bytes([at]) + b"limit=10" for at in range(len(QUERIES))]
        + [bytes([at]) + text for at in range(len(QUERIES))]
        + [bytes([at]) + b"limit=%31&%00=+&a=%ff" for at in range(len(QUERIES))]
    )


_CSV = b"Serial No,Size (in),Type,Test date,Time,Check held (psi),Opened at,Tester cert,Gauge\nS-1,1 1/2,PVB,4/3/2025,9:30 am,1.4,leaked,T-1,G-1\nS-2,3/4,RP,3 Apr 2025,14:05,<0.1,1.0 psi,,\n"

# What the options of an import hold is bounded by its own length, not by a cell's.
_OPTIONS = [
    b'{"Acct": "premises.reference", "Ser": null}\0{"test.time": "12:00", "test.line_pressure": "60 psi", "assembly.size": "1 1/2 in"}',
    b'{"": ""}\0{"test.date": "2025-04-03T10:00+02:00", "tester.kinds": "rp, dc", "premises.latitude": "47.1"}',
    b'{}\0{"premises.latitude": "' + b"9" * 5_000 + b'"}',
    b'{}\0{"premises.latitude": "1/' + b"9" * 5_000 + b'"}',
]
_CELLS = [
    b"1 1/2 in",
    b"3/4",
    b"-1.4psi",
    b"9:30 am",
    b"2025-04-03T09:30+05:30",
    b"3 Apr 2025",
    b"April 3rd, 2025",
    b"4/3/2025 14:05:59.5 pm",
    b"RP; DC",
    b"leaked",
    b"yes",
    b"9" * 400,
    b"1/" + b"9" * 400,
    "１２:３０".encode(),
    b"0001-01-01T00:00+23:59",
    b"1,234.5",
]

TARGETS: dict[str, Target] = {
    "test": Target(does=judged, seeds=_tests(), refusals=(ProblemError, rules.RulesError), json=True, share=5),
    "batch": Target(does=batch_lines, seeds=[_LINE + b"\n\n" + _LINE[:-1], _LINE], refusals=(), share=3),
    "line": Target(does=lambda data: decode(BatchLine, data), seeds=[_LINE], refusals=(ProblemError,), json=True, share=5),
    "bodies": Target(does=bodies, seeds=_bodies(), refusals=(ProblemError, rules.RulesError), json=True, share=5),
    "queries": Target(does=queries, seeds=_queries(), refusals=(ProblemError,), share=5),
    "csv": Target(
        does=csv_file, seeds=[bytes([how]) + _CSV for how in (0, 2, 8, 16)], refusals=(SheetError, ProblemError), share=5
    ),
    "options": Target(does=import_options, seeds=_OPTIONS, refusals=(ProblemError,), share=2),
    "cell": Target(does=one_cell, seeds=_CELLS, refusals=(), share=4),
    "workbook": Target(
        does=workbook,
        seeds=[bytes([at]) + _PARTS[name] for at, name in enumerate(_NAMES)] + [b"\xff" + _workbook()],
        refusals=(SheetError, ProblemError),
    ),
    "zip": Target(does=packed_file, seeds=[_workbook(), _workbook(zipfile.ZIP_STORED)], refusals=(SheetError, ProblemError)),
    "place": Target(does=returning.place_in_a_list, seeds=returning.PLACES, refusals=(ProblemError,)),
    "tag": Target(does=returning.tag, seeds=returning.TAGS, refusals=(ProblemError,), share=2),
    "pasted": Target(does=returning.pasted, seeds=returning.PASTED, refusals=(), share=2),
    "heads": Target(does=returning.heads, seeds=returning.HEADS, refusals=(ProblemError,)),
    "export": Target(does=returning.export, seeds=returning.exports(_tests()[4], _LINE), refusals=(ProblemError,), share=2),
    "token": Target(does=token, seeds=[_TOKEN.encode()], refusals=(NotGoodError,), share=3),
    "template": Target(
        does=template, seeds=[b"Test due by {due_on}: {{x}} {caution}\n{premises}, {address}"], refusals=(), share=3
    ),
}
