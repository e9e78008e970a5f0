"""The limit: pgbench, in C, running the service's own statement that records reports, one report a statement and a commit.

It decodes nothing, judges nothing and reads nothing: the rows it writes are those of one report that was judged once.
"""

import os
import re
import subprocess
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from service.db.statements import statements
from service.record.reports.rows import ReportRow, StandingRow
from tests.benchmarks.peers.copy import KEPT

_RATE = re.compile(rb"^tps = ([0-9.]+)", re.MULTILINE)


def script(utility: str, assemblies: int, row: ReportRow, standing: StandingRow) -> str:
    """The statement with values in its parameters' places: a new id and some assembly each time, all else as that report has it."""
    some = f"('{str(row.assembly_id)[:-12]}' || lpad(to_hex(:number::bigint), 12, '0'))::uuid"
    own = {"id": "gen_random_uuid()", "assembly_id": some}
    columns = [own.get(name) or _literal(getattr(row, name)) for name in ReportRow.__struct_fields__]
    values = [_literal(utility), *(f"ARRAY[{one}]" for one in columns), "'{}'", "'{}'", "'{}'"]
    values += [f"ARRAY[{one}]" for one in (some, *(_literal(getattr(standing, name)) for name in KEPT[1:]))]
    values.append("NULL")
    sql = re.sub(r"^--.*\n", "", statements("service.record.reports.store")["record"], flags=re.MULTILINE)
    sql = re.sub(r"\$(\d+)", lambda found: values[int(found[1]) - 1], sql)
    return f"\\set number random(0, {assemblies - 1})\n{sql};\n"


def _literal(value: Any) -> str:
    if value is None:
        return "NULL"
    text = "\\x" + value.hex() if isinstance(value, bytes) else str(value)
    # pgbench takes a colon before a letter for a variable of its own.
    return (
        "('" + text.replace("'", "''").replace(":", "'||chr(58)||'") + "')"
        if ":" in text
        else "'" + text.replace("'", "''") + "'"
    )


def rate(programs: Path, socket_directory: str, scripts: dict[str, str], *, connections: int, seconds: float) -> float:
    """Reports a second, all utilities together; a pgbench a utility, since a session is of one utility."""
    share = max(1, connections // len(scripts))
    with TemporaryDirectory() as folder:
        running = []
        for utility, text in list(scripts.items())[:connections]:
            path = Path(folder) / f"{utility}.sql"
            path.write_text(text, encoding="utf-8")
            running.append(_start(programs, socket_directory, utility, path, share, seconds))
        listed = [one.communicate() for one in running]
    return sum(float(_found(out, complaint)) for out, complaint in listed)


def _start(
    programs: Path, socket_directory: str, utility: str, path: Path, clients: int, seconds: float
) -> subprocess.Popen[bytes]:
    arguments: Sequence[str] = (
        str(programs / "pgbench"),
        "-n",
        "-M",
        "prepared",
        "-c",
        str(clients),
        "-j",
        "1",
        "-T",
        str(max(1, round(seconds))),
        "-f",
        str(path),
        "-h",
        socket_directory,
        "-U",
        "nonreturn_service",
        "postgres",
    )
    environment = os.environ | {"PGOPTIONS": f"-c nonreturn.utility={utility} -c role=nonreturn_service"}
    return subprocess.Popen(arguments, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def _found(out: bytes, complaint: bytes) -> bytes:
    found = _RATE.search(out)
    if found is None:
        raise RuntimeError(complaint.decode()[:2000])
    return found[1]
