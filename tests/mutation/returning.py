"""What comes back to the service that it once gave away, as fuzzing finds it changed: places in lists, tags, receipts, exports, kept heads.

As in `targets.py`: only the refusals that a parser names may be raised, and what is accepted has to hold besides.
"""

import asyncio
import datetime as dt
import hashlib
import tempfile
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any
from unittest import mock
from uuid import UUID

import msgspec
from litestar import Request

import rules
from service import endpoints as calls
from service.cli.proving import kept_heads
from service.http.documents import convert
from service.http.endpoint import Call
from service.http.problem_details import body_of
from service.notices.api import PreviewQuery, _place
from service.problems import ProblemError
from service.receipts.pages_api import receipt_in
from service.record.reports.judging import content_hash
from service.record.reports.schemas import KeptFacts
from service.record.standings.lists_api import AssembliesQuery, _cursor
from service.transfer import export_restore as transfer
from service.transfer.store import OWNED

_ID = "018f0000-0000-7000-8000-000000000002"


def place_in_a_list(data: bytes) -> None:
    """Where a list shall go on, as each sort of list reads it."""
    text = data.decode("utf-8", "replace")
    for one in calls.operations:
        if one.query is not None and "after" in one.query.__struct_fields__:
            try:
                convert(one.query, {"after": text})
            except ProblemError as refused:
                body_of(refused, "/v1")
    for sort in ("due_on", "id"):
        try:
            query = convert(AssembliesQuery, {"after": text, "sort": sort})
            found = _cursor(query)
        except ProblemError:
            continue
        assert found is None or isinstance(found.assembly_id, UUID)
    found_place = _place(convert(PreviewQuery, {"after": text}))
    assert found_place is None or isinstance(found_place.due, dt.date)


def tag(data: bytes) -> None:
    """A tag in `If-Match`: what is taken is a version that fits a column."""
    headers = [(b"if-match", data)]
    scope: Any = {"type": "http", "method": "PATCH", "path": "/", "headers": headers, "query_string": b"", "state": {}}
    call = Call(Request(scope), None, None, b"")  # type: ignore[arg-type]
    versions = call.if_match().versions
    assert versions is None or all(0 <= version < 10**18 for version in versions)


def pasted(data: bytes) -> None:
    """A receipt as somebody pastes it."""
    token = receipt_in(data.decode("utf-8", "replace"))
    assert not any(letter.isspace() for letter in token)


def heads(data: bytes) -> None:
    """A file of heads that were kept elsewhere."""
    with tempfile.NamedTemporaryFile() as file:
        file.write(data)
        file.flush()
        assert all(isinstance(one, str) for one in kept_heads(Path(file.name)))


class _Nowhere:
    """Takes an export's rows and keeps none."""

    def __init__(self, _pool: object) -> None: ...

    @asynccontextmanager
    async def restoring(self, _utility: str) -> AsyncIterator["_Nowhere"]:
        """No transaction."""
        yield self

    async def write(self, _table: str, rows: Sequence[bytes]) -> None:
        """No rows."""
        assert all(isinstance(one, bytes) for one in rows)

    async def finish(self) -> None:
        """No end."""

    async def knows_time_zone(self, _name: str) -> bool:
        """Any: what the database knows is not fuzzed."""
        return True


async def _none(_restoring: object, _utility: object) -> list[UUID]:
    return []


def export(data: bytes) -> None:
    """An export to be restored; half of those whose last line does not fit get one that does, so that more is reached than the sum."""
    lines = data.splitlines(keepends=True)
    if len(lines) > 1 and len(data) % 2:
        sent = b"".join(lines[:-1])
        counts: dict[str, int] = {}
        for line in lines[1:-1]:
            for owned in OWNED:
                if f'"table":"{owned.table}"'.encode() in line:
                    counts[owned.table] = counts.get(owned.table, 0) + 1
        lines[-1] = msgspec.json.encode({"rows": counts, "sha256": hashlib.sha256(sent).hexdigest()}) + b"\n"
    nowhere: dict[str, Any] = {"TransferStore": _Nowhere, "RegistryStore": _Nowhere, "_differing": _none}
    with mock.patch.multiple(transfer, **nowhere):
        asyncio.run(transfer.restore(None, lines))  # type: ignore[arg-type]


def exports(test: bytes, line: bytes) -> list[bytes]:
    """A small export that fits itself, of a report judged as that test."""
    received_at = dt.datetime(2026, 6, 1, 19, tzinfo=dt.UTC)
    judged = msgspec.json.decode(test, type=rules.Test)
    result = msgspec.json.decode(line)
    del result["id"]
    facts = msgspec.convert(result, KeptFacts)
    report = {
        "id": _ID,
        "content": msgspec.json.encode(facts).decode(),
        "content_hash": f"\\x{content_hash(facts).hex()}",
        "judged": msgspec.json.encode(judged).decode(),
        "received_at": received_at.isoformat(),
        "previous": None,
        "gauge_id": str(facts.gauge_id),
        "verdict": msgspec.json.encode(rules.judge(judged, received_at=received_at)).decode(),
    }
    made = [
        {"nonreturn_export": 1, "utility": "a-place"},
        {
            "table": "utility",
            "row": {
                "utility_id": "a-place",
                "name": "A",
                "rulebook": "us-wa",
                "time_zone": "UTC",
                "due_soon_days": 30,
                "version": 1,
                "created_at": received_at,
                "changed_at": received_at,
            },
        },
        {"table": "premises", "row": {"id": _ID, "name": "Plot 1"}},
        {"table": "report", "row": report},
    ]
    body = b"".join(msgspec.json.encode(one) + b"\n" for one in made)
    counts = {"utility": 1, "premises": 1, "report": 1}
    return [body + msgspec.json.encode({"rows": counts, "sha256": hashlib.sha256(body).hexdigest()}) + b"\n"]


PLACES = [_ID.encode(), f"2026-05-14~{_ID}".encode(), f"never~{_ID}".encode(), f"1~2026-05-14~{_ID}".encode(), b"12"]
TAGS = [b'"1"', b'"0"', b'W/"1"', b"*", b'"1", "2"', b'"999999999999999999"']
HEADS = [b"ey.a.b\n", b'{"head": "ey.a.b"}\n{"items": [{"head": "ey.a.b"}], "next": null}\n']
PASTED = [b"ey.a.b", b'{"receipt": "ey\\n.a.b"}', b"ey\n .a\t.b\xc2\xa0", b"{" * 2_000]
