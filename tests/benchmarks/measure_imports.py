"""An import of past tests over HTTP (goal 2), beside asyncpg COPY of the rows that it wrote: register, reports and standings."""

import asyncio
import csv
import datetime as dt
import io
import json
import random
import statistics
import time
import urllib.parse
import urllib.request
from typing import Any, Final

import asyncpg
from msgspec import Struct

from tests.benchmarks.stage import Server, Stage, serving, staged
from tests.support import table

TESTS = 12_000
"""Past tests of one import; `--tests` says otherwise."""
TESTS_EACH = 3
"""Past tests of one assembly."""
TOGETHER = 500
PEOPLE = 40
REGISTER: Final = ("premises", "tester", "gauge", "assembly")
_READINGS: Final = {"rp": (7.4, 2.8, 2.1, None, None), "dc": (1.9, None, 1.6, None, None), "pvb": (None, None, None, 1.6, 1.8)}
_HEAD: Final = (
    "Reference,Customer,Address,Connection,Serial number,Type,Hazard,Purpose,Size,Installed,Test date,Time,Reason,Certificate,Tester,"
    "Certified kinds,Valid from,Valid until,Gauge serial,Gauge accuracy (psi),Gauge resolution (psi),Calibrated,"
    "Line pressure (psi),Check 1 (psi),Relief valve (psi),Check 2 (psi),Air inlet (psi),Air inlet fully open,Check valve (psi),Result"
)
_FIELDS: Final = (
    "premises.reference,premises.name,premises.address,premises.connection,assembly.serial_number,assembly.kind,assembly.hazard,"
    "assembly.purpose,assembly.size,assembly.installed_on,test.date,test.time,test.reason,tester.certificate,tester.name,tester.kinds,"
    "tester.valid_from,tester.valid_until,gauge.serial_number,gauge.accuracy,gauge.resolution,gauge.calibrated_on,test.line_pressure,"
    "initial.main.check_1.held_at,initial.main.relief_valve.opened_at,initial.main.check_2.held_at,initial.main.air_inlet.opened_at,"
    "initial.main.air_inlet.opened_fully,initial.main.check.held_at,test.declared"
)


class Imported(Struct, frozen=True):
    """What one import took: the seconds of each phase, and the largest memory of the server's processes, MB."""

    phases: dict[str, float]
    memory: float

    @property
    def seconds(self) -> float:
        """All phases together."""
        return sum(self.phases.values())


def sheet(tests: int, now: dt.datetime, source: random.Random) -> bytes:
    """A sheet of past tests, assembly by assembly, as a utility exports one; the same for every seed."""
    text = io.StringIO()
    lines = csv.writer(text)
    lines.writerow(_HEAD.split(","))
    for n in range(tests):
        assembly, year = divmod(n, TESTS_EACH)
        kind = ("rp", "dc", "pvb")[assembly % 3]
        day = (now - dt.timedelta(days=30 + 365 * (TESTS_EACH - 1 - year) + assembly % 300)).date()
        person = (assembly + year) % PEOPLE
        one, relief, two, inlet, check = (value and round(value + source.randrange(9) / 10, 1) for value in _READINGS[kind])
        purpose = ("point of use", "non_health") if kind == "pvb" else ("containment", "health" if kind == "rp" else "non_health")
        lines.writerow(
            [
                f"C-{assembly}",
                f"Customer {assembly}",
                f"{assembly} Sluice Lane",
                "Commercial",
                f"S-{assembly}",
                kind,
                purpose[1],
                purpose[0],
                '1"',
                "2015-05-01",
                day,
                f"{8 + n % 9:02}:{n % 60:02}",
                "annual",
                f"CERT-{person}",
                f"Tester {person}",
                "rp, dc, pvb, svb",
                "2015-01-01",
                "2035-01-01",
                f"KIT-{person}",
                0.2,
                0.1,
                day.replace(month=1, day=1),
                60 + n % 20,
                one,
                relief,
                two,
                inlet,
                "Y" if inlet else None,
                check,
                "Pass",
            ]
        )
    return text.getvalue().encode()


def measure(*, rounds: int, tests: int = TESTS) -> dict[str, Any]:
    """The time of an import ÷ that of a COPY of the same rows, round by round, and the largest memory of the server."""
    source = random.Random(11)  # noqa: S311 - reproducible on purpose
    ours: list[Imported] = []
    theirs: list[float] = []
    with staged() as stage, serving(["service", "serve", "--workers", "1"], {"NONRETURN_DSN": stage.dsn}) as server:
        for n in range(rounds):
            imported, copied = f"import-{n}", f"copy-{n}"
            for code in (imported, copied):
                stage.fill(code, assemblies=0, years=1)
            ours.append(_import(stage, server, imported, sheet(tests, stage.clock.now(), source)))
            theirs.append(asyncio.run(_copy(stage.owner_dsn, imported, copied)))
    ratio = table.paired([one.seconds for one in ours], theirs)
    phases = {name: statistics.median(one.phases.get(name, 0.0) for one in ours) for name in ("reading", "checking", "writing")}
    rows: list[list[object]] = [[f"asyncpg COPY of the rows of {tests:,} tests (limit)", statistics.median(theirs), 1.0]]
    rows += [[f"import: {name}", seconds, seconds / statistics.median(theirs)] for name, seconds in phases.items()]
    rows += [["import, over HTTP", statistics.median(one.seconds for one in ours), ratio]]
    table.show("Import of past tests", ["", "s", "÷ COPY"], rows)
    memory = max(one.memory for one in ours)
    table.show("Memory of the server's largest process", ["", "MB"], [["while it imports", memory]])
    return {"import_vs_copy": ratio, "import_peak_mb": memory, "import_phases_s": phases}


def _import(stage: Stage, server: Server, code: str, body: bytes) -> Imported:
    columns = dict(zip(_HEAD.split(","), _FIELDS.split(","), strict=True))
    query = urllib.parse.urlencode(
        {"dry_run": "false", "make_testers_and_gauges": "true", "held_or_refused_at_most": "1", "columns": json.dumps(columns)}
    )
    request = urllib.request.Request(
        f"http://127.0.0.1:{server.port}/v1/utilities/{code}/imports?{query}",
        data=body,
        method="POST",
        headers={"Authorization": f"Bearer {stage.key}", "Content-Type": "text/csv", "Accept": "application/x-ndjson"},
    )
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    phases: dict[str, float] = {}
    memory, phase, last = server.memory(), "reading", time.perf_counter()
    run: dict[str, Any] | None = None
    with opener.open(request, timeout=3600) as answer:
        for line in answer:
            event = json.loads(line)
            now = time.perf_counter()
            phase = event.get("progress", {}).get("phase", phase)
            phases[phase] = phases.get(phase, 0.0) + now - last
            last, memory = now, max(memory, server.memory())
            run = event.get("run", run)
    if run is None or not run["written"] or run["problem_count"]:
        raise RuntimeError(f"The import did not write all: {run and run['groups']}")
    return Imported(phases, memory)


async def _copy(dsn: str, from_code: str, to_code: str) -> float:
    """The seconds that a COPY of all that the import wrote takes, into another utility; triggers, foreign keys and the feed stay."""
    connection = await asyncpg.connect(dsn)
    rows: dict[str, tuple[list[str], list[tuple[Any, ...]]]] = {}
    for name in (*REGISTER, "report", "standing"):
        columns = [
            row[0]
            for row in await connection.fetch(
                "SELECT attname FROM pg_attribute WHERE attrelid = ('record.' || $1)::regclass AND attnum > 0 AND NOT attisdropped "
                "AND attgenerated = '' AND attname <> 'utility_id' ORDER BY attnum",
                name,
            )
        ]
        key = "assembly_id" if name == "standing" else "id"
        # Both utilities begin with the same few testers and gauges.
        sql = f"""SELECT {", ".join(columns)} FROM record.{name} a WHERE utility_id = $1
            AND NOT EXISTS (SELECT FROM record.{name} b WHERE b.utility_id = $2 AND b.{key} = a.{key})
            ORDER BY {"log_index" if name == "report" else key}"""  # noqa: S608 - our own names
        found = await connection.fetch(sql, from_code, to_code)
        rows[name] = ["utility_id", *columns], [(to_code, *row) for row in found]
    begun = time.perf_counter()
    for name, (columns, found) in rows.items():
        for start in range(0, len(found), TOGETHER):
            async with connection.transaction():
                await connection.execute("SELECT reports FROM record.utility_log WHERE utility_id = $1 FOR UPDATE", to_code)
                await connection.copy_records_to_table(
                    name, schema_name="record", records=found[start : start + TOGETHER], columns=columns
                )
    seconds = time.perf_counter() - begun
    await connection.close()
    return seconds
