"""The audit against a tamperer who is a superuser: whatever is changed, removed, added or back-dated, it says which report and what.

Each test tampers in a transaction of its own, audits on the same connection, and rolls back.
"""

import json
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import asyncpg
import msgspec
import pytest
from joserfc.jwk import OKPKey
from msgspec.structs import replace

from service import signing
from service.cli.proving import kept_heads
from service.ledger import tree as log
from service.ledger.audit import Audited, audit, disagreements
from service.ledger.store import LoggedRow, LogStore
from service.problems import ProblemError
from service.record.reports.judging import content_hash
from service.record.reports.leaf import leaf_hash
from service.record.reports.schemas import ReportFacts
from tests.support.serving import NOON
from tests.support.world import SIGNING_KEYS, Place, World, bearer

RING = signing.parse(SIGNING_KEYS)
SIZE, SEALED = 270, 260
EARLY, LATE = 5, 265
"""A report in a whole tile of the tree and under both heads, and one in the tail and under the last head alone."""


class _Lent:
    """A pool of one connection, in whose transaction all happens."""

    def __init__(self, connection: Any) -> None:
        self._connection = connection

    @asynccontextmanager
    async def lend(self, _utility: str, **_how: Any) -> AsyncIterator[Any]:
        yield self._connection


class Bench:
    """A log of 270 reports, a superuser's connection to it with every trigger and foreign key set aside, and heads kept elsewhere."""

    def __init__(self, owner: Any, place: Place, kept: Sequence[str]) -> None:
        self.owner = owner
        self.place = place
        self.kept = kept
        lent: Any = _Lent(owner)
        self.store = LogStore(lent)

    async def audited(self, kept: Sequence[str] = (), keys: signing.SigningKeys = RING) -> Audited:
        """The audit of the log."""
        return await audit(self.store, keys, self.place.code, kept, lambda _done, _of: None)

    async def found(self, kept: Sequence[str] = ()) -> set[tuple[str, int]]:
        """What was found where."""
        return {(one.what, one.log_index) for one in (await self.audited(kept)).troubles}

    async def tamper(self, sql: str, *arguments: Any) -> None:
        """A statement about the utility, which is $1."""
        await self.owner.execute(sql, self.place.code, *arguments)

    async def at(self, index: int) -> LoggedRow:
        """The row at that place in the log."""
        [row] = await self.store.reports(self.place.code, index, index + 1)
        return row

    async def hash_anew(self, index: int) -> None:
        """What a tamperer does who knows the leaf."""
        own = leaf_hash(self.place.code, await self.at(index))
        await self.tamper("UPDATE record.report SET leaf_hash = $3 WHERE utility_id = $1 AND log_index = $2", index, own)

    async def lie(self, index: int) -> None:
        """A change of who tested, in every text, column and hash of the row that holds it."""
        row, other = await self.at(index), uuid4()
        content = row.content.replace(str(row.tester_id), str(other))
        own = content_hash(msgspec.json.decode(content, type=ReportFacts))
        sql = "UPDATE record.report SET tester_id = $3, content = $4, content_hash = $5 WHERE utility_id = $1 AND log_index = $2"
        await self.tamper(sql, index, other, content, own)
        await self.hash_anew(index)

    async def put_in(self, index: int, **values: str) -> None:
        """A report put in around the service at that place: the last one but for these values; counted, and hashed."""
        columns = [row[0] for row in await self.owner.fetch(COLUMNS)]
        changed = {"id": "gen_random_uuid()", "log_index": str(index)} | values
        chosen = ", ".join(changed.get(name, name) for name in columns)
        await self.tamper(
            f"INSERT INTO record.report ({', '.join(columns)}) SELECT {chosen} FROM record.report "  # noqa: S608 - names of our own
            f"WHERE utility_id = $1 AND log_index = {SIZE - 1}"
        )
        await self.tamper(f"UPDATE record.utility_log SET reports = {index + 1} WHERE utility_id = $1")  # noqa: S608 - a number of ours
        await self.hash_anew(index)


def head(place: Place) -> str:
    """The head as it is, kept by a regulator."""
    answer = place.get("/log/head", key="regulator")
    assert answer.status_code == 200, answer.text
    return str(answer.json()["head"])


def send(place: Place, count: int) -> None:
    """Record that many reports, in one batch."""
    result = place.report(remarks="as found")
    answer = place.world.client.post(
        f"{place.base}/reports/batches",
        content="".join(json.dumps({"id": str(uuid4()), **result}) + "\n" for _ in range(count)).encode(),
        headers=bearer(place.keys["testing_company"]) | {"Content-Type": "application/x-ndjson"},
    )
    assert {json.loads(line)["status"] for line in answer.text.splitlines()} == {201}, answer.text[:500]


@pytest.fixture(scope="module")
def recorded(signed_world: World) -> tuple[Place, str, str]:
    """A place with its reports, and its heads of 260 and of 270."""
    place = signed_world.place()
    send(place, SEALED)
    first = head(place)
    send(place, SIZE - SEALED)
    return place, first, head(place)


@pytest.fixture
async def bench(recorded: tuple[Place, str, str]) -> AsyncIterator[Bench]:
    """The log, as it was before this test and is again after it."""
    place = recorded[0]
    owner = await asyncpg.connect(place.world.database.owner_dsn)
    transaction = owner.transaction()
    await transaction.start()
    await owner.execute("SET LOCAL session_replication_role = replica")
    yield Bench(owner, place, recorded[1:])
    await transaction.rollback()
    await owner.close()


COLUMNS = (
    "SELECT attname::text FROM pg_attribute WHERE attrelid = 'record.report'::regclass AND attnum > 0 AND attgenerated = '' "
    "AND NOT attisdropped ORDER BY attnum"
)
CHANGES = {
    "id": "gen_random_uuid()",
    "log_index": "log_index + 5000",
    "utility_id": "'elsewhere'",
    "assembly_id": "gen_random_uuid()",
    "tester_id": "gen_random_uuid()",
    "gauge_id": "gen_random_uuid()",
    "performed_at": "performed_at - interval '1 microsecond'",
    "performed_on": "performed_on - 1",
    "received_at": "received_at - interval '400 days'",
    "reason": "'repair'",
    "supersedes": "gen_random_uuid()",
    "organisation_id": "gen_random_uuid()",
    "key_id": "gen_random_uuid()",
    "company_id": "gen_random_uuid()",
    "content_hash": "sha256('x')",
    "content": "replace(content, 'as found', 'as lost')",
    "judged": "replace(judged, '1.8', '1.9')",
    "verdict": "replace(verdict, '1.8', '1.9')",
    "outcome": "'fail'",
    "protection": "'lost'",
    "acceptance": "'refused'",
    "rulebook": "'us-ca'",
    "rulebook_digest": "'sha256:00'",
    "previous": "'null'",
    "leaf_hash": "sha256('x')",
    "mechanical_protection": "'lost'",
    "failed_protection": "'degraded'",
    "acts_as": "'lost'",
}
GONE = {"log_index", "utility_id"}


async def test_nothing_is_found_where_nothing_was_altered(bench: Bench) -> None:
    assert await bench.audited(bench.kept) == Audited(reports=SIZE, heads=2, troubles=[])


async def test_every_column_of_a_report_is_tampered_with_here(bench: Bench) -> None:
    assert {row[0] for row in await bench.owner.fetch(COLUMNS)} == set(CHANGES)


@pytest.mark.parametrize("column", CHANGES)
@pytest.mark.parametrize("index", [EARLY, LATE])
async def test_a_changed_column_is_found_in_its_report(bench: Bench, column: str, index: int) -> None:
    report_id = (await bench.at(index)).id
    await bench.tamper(f"UPDATE record.report SET {column} = {CHANGES[column]} WHERE utility_id = $1 AND log_index = $2", index)  # noqa: S608
    troubles = (await bench.audited()).troubles
    what = "report missing" if column in GONE else "row changed"
    [named] = [one for one in troubles if one.log_index == index and one.what == what]
    assert named.report_id == (None if column in GONE else report_id if column != "id" else (await bench.at(index)).id)
    if column in GONE | {"id"}:
        # The change feed still knows which it was.
        assert any(str(report_id) in one.line() for one in troubles)


@pytest.mark.parametrize("column", sorted(set(CHANGES) - GONE - {"leaf_hash"}))
@pytest.mark.parametrize("index", [EARLY, LATE])
async def test_a_changed_row_that_is_hashed_again_is_found_by_the_tree_and_its_heads(
    bench: Bench, column: str, index: int
) -> None:
    await bench.tamper(f"UPDATE record.report SET {column} = {CHANGES[column]} WHERE utility_id = $1 AND log_index = $2", index)  # noqa: S608
    await bench.hash_anew(index)
    assert ("row changed", index) in await bench.found()


@pytest.mark.parametrize("index", [EARLY, LATE])
async def test_a_lie_reported_in_the_whole_row_is_found_by_the_tree_and_its_heads(bench: Bench, index: int) -> None:
    await bench.lie(index)
    [listed] = [one.line() for one in (await bench.audited()).troubles if one.what == "row changed"]
    assert str((await bench.at(index)).id) in listed


async def test_who_rewrites_the_whole_tree_cannot_sign_it(bench: Bench) -> None:
    await bench.lie(EARLY)
    await bench.tamper("DELETE FROM record.log_tile WHERE utility_id = $1")
    await log.grow(bench.store, bench.place.code)
    for size in (SEALED, SIZE):
        root = await log._Tree(bench.store, bench.place.code, SIZE).root(0, size)
        tail = b"".join(await log._hashes(bench.store, bench.place.code, 256, size))
        change = "UPDATE record.log_head SET root = $2, tail = $3 WHERE utility_id = $1 AND size = $4"
        await bench.tamper(change, root, tail, size)
    assert await bench.found() == {("head changed", -1)}


async def test_who_has_the_service_sign_the_rewritten_log_is_found_by_a_head_kept_elsewhere(bench: Bench) -> None:
    await bench.lie(LATE)
    await bench.tamper("DELETE FROM record.log_tile WHERE utility_id = $1")
    await bench.tamper("DELETE FROM record.log_head WHERE utility_id = $1")
    await log.head(bench.store, RING, bench.place.code, now=NOON)
    # All that is in the database agrees by now.
    assert await bench.found() == set()
    troubles = (await bench.audited(bench.kept)).troubles
    assert {one.what for one in troubles} == {"head missing", "kept head differs"}
    # The head of 260 still fits: what was altered was recorded after it.
    [listed] = [one.detail for one in troubles if one.what == "kept head differs"]
    assert "log of 270 reports" in listed
    assert listed.endswith("at log index 260 or later.")


@pytest.mark.parametrize("index", [0, EARLY, LATE])
async def test_a_removed_report_is_named_by_its_place_and_by_its_id(bench: Bench, index: int) -> None:
    report_id = (await bench.at(index)).id
    await bench.tamper("DELETE FROM record.report WHERE utility_id = $1 AND log_index = $2", index)
    troubles = (await bench.audited()).troubles
    assert ("report missing", index) in {(one.what, one.log_index) for one in troubles}
    assert any(str(report_id) in one.line() for one in troubles)


async def test_the_last_reports_removed_and_uncounted_are_found(bench: Bench) -> None:
    await bench.tamper("DELETE FROM record.report WHERE utility_id = $1 AND log_index >= 265")
    await bench.tamper("UPDATE record.utility_log SET reports = 265 WHERE utility_id = $1")
    assert {one.what for one in (await bench.audited()).troubles} == {"reports removed", "report missing"}
    await bench.tamper("DELETE FROM record.log_head WHERE utility_id = $1 AND size = 270")
    await bench.tamper(
        "DELETE FROM record.change WHERE utility_id = $1 AND resource = 'reports' AND id NOT IN (SELECT id::text FROM record.report)"
    )
    assert {one.what for one in (await bench.audited(bench.kept)).troubles} == {"reports removed", "change missing"}


async def test_a_report_put_in_around_the_service_is_found(bench: Bench) -> None:
    await bench.put_in(SIZE)
    assert await bench.found() == {("report added", SIZE)}
    await bench.tamper(f"UPDATE record.utility_log SET reports = {SIZE} WHERE utility_id = $1")  # noqa: S608 - a number of ours
    assert {one.detail for one in (await bench.audited()).troubles} == {
        "Its log index is beyond the number of recorded reports.",
        "The change feed does not contain it.",
    }


@pytest.mark.parametrize("received", ["received_at - interval '6 minutes'", "received_at + interval '6 minutes'"])
async def test_a_report_put_in_with_another_time_is_out_of_order(bench: Bench, received: str) -> None:
    await bench.put_in(SIZE, received_at=received)
    await bench.put_in(SIZE + 1)
    assert {one for one in await bench.found() if one[0] == "out of order"} == {("out of order", SIZE)}


async def test_reports_that_waited_a_little_for_each_other_are_in_order(bench: Bench) -> None:
    for index, received in ((SIZE, "received_at - interval '4 minutes'"), (SIZE + 1, "received_at + interval '4 minutes'")):
        await bench.put_in(index, received_at=received)
    assert {what for what, _ in await bench.found()} == {"report added"}


TREE = {
    "a tile's hash": (
        "UPDATE record.log_tile SET hashes = overlay(hashes placing sha256('x') from 161 for 32) WHERE utility_id = $1",
        {("row changed", EARLY), ("tile changed", -1)},
    ),
    "a tile's root": ("UPDATE record.log_tile SET root = sha256('x') WHERE utility_id = $1", {("tile changed", -1)}),
    "a tile removed": ("DELETE FROM record.log_tile WHERE utility_id = $1", {("tile missing", -1)}),
    "a head's root": (
        "UPDATE record.log_head SET root = sha256('x') WHERE utility_id = $1 AND size = 260",
        {("head changed", -1), ("head differs", -1)},
    ),
    "a head's time": (
        "UPDATE record.log_head SET made_at = made_at - interval '1 day' WHERE utility_id = $1 AND size = 260",
        {("head changed", -1)},
    ),
    "a head's size": (
        "UPDATE record.log_head SET size = 261 WHERE utility_id = $1 AND size = 260",
        {("head changed", -1), ("head differs", -1), ("row changed", 260)},
    ),
    "a head's signature": (
        "UPDATE record.log_head SET signed = replace(signed, '.', '.A') WHERE utility_id = $1 AND size = 260",
        {("head not good", -1)},
    ),
    "a change removed": ("DELETE FROM record.change WHERE utility_id = $1 AND sequence = 1", {("change missing", -1)}),
}


@pytest.mark.parametrize("name", TREE)
async def test_what_is_kept_of_the_tree_is_held_against_itself(bench: Bench, name: str) -> None:
    sql, expected = TREE[name]
    await bench.tamper(sql)
    assert await bench.found() == expected


async def test_a_head_removed_here_is_missed_by_who_kept_it(bench: Bench) -> None:
    await bench.tamper("DELETE FROM record.log_head WHERE utility_id = $1 AND size = 260")
    assert await bench.found() == set()
    assert await bench.found(bench.kept) == {("head missing", -1)}


async def test_a_head_that_nobody_here_signed_proves_nothing(bench: Bench) -> None:
    other = signing.parse(json.dumps({"keys": [OKPKey.generate_key("Ed25519").as_dict(private=True)]}))
    first = bench.kept[0]
    assert await bench.found([first[:-2] + "AA", "words"]) == {("kept head not good", -1)}
    assert {one.what for one in (await bench.audited([first], other)).troubles} == {"kept head not good", "head not good"}
    # A head of another utility says nothing of this one.
    elsewhere = bench.place.world.place()
    elsewhere.recorded()
    assert await bench.found([head(elsewhere)]) == set()


async def test_rows_from_before_there_were_hashes_are_audited_by_what_they_say(bench: Bench) -> None:
    await bench.tamper("UPDATE record.report SET leaf_hash = NULL WHERE utility_id = $1")
    assert await bench.found() == set()
    await bench.tamper("DELETE FROM record.log_tile WHERE utility_id = $1")
    await bench.tamper("DELETE FROM record.log_head WHERE utility_id = $1")
    await bench.tamper("UPDATE record.report SET outcome = 'fail' WHERE utility_id = $1 AND log_index = 7")
    [trouble] = (await bench.audited()).troubles
    assert trouble.log_index == 7
    assert "(see outcome)" in trouble.line()
    # Their leaves are worked out from the rows, where the tree takes them in.
    assert await log.grow(bench.store, bench.place.code) == SIZE
    assert await bench.owner.fetchval("SELECT count(*) FROM record.log_tile WHERE utility_id = $1", bench.place.code) == 1


async def test_each_column_that_a_text_states_too_is_held_against_it(bench: Bench) -> None:
    row = await bench.at(1)
    other: dict[str, Any] = {
        **dict.fromkeys(("assembly_id", "tester_id", "gauge_id", "supersedes"), UUID(int=1)),
        "content_hash": b"",
        **dict.fromkeys(("reason", "outcome", "initial_outcome", "protection", "acceptance", "rulebook", "rulebook_digest"), "x"),
        **dict.fromkeys(("mechanical_protection", "failed_protection", "acts_as"), "x"),
        "performed_at": row.received_at,
    }
    assert disagreements(row) == []
    for name, value in other.items():
        assert disagreements(replace(row, **{name: value})) == [name]
    for name in ("content", "verdict"):
        assert disagreements(replace(row, **{name: "{"})) == ["content or verdict, which cannot be read"]


async def test_heads_are_read_as_they_are_printed_and_as_they_are_answered(tmp_path: Path, bench: Bench) -> None:
    first, second = bench.kept
    file = tmp_path / "heads"
    file.write_text(f"{first}\n\n{bench.place.get('/log/head').text}\n{bench.place.get('/log/heads').text}\n")
    assert kept_heads(file) == [first, second, first, second]
    assert kept_heads(None) == []


async def test_a_decision_put_in_or_taken_away_behind_the_service_is_reported(bench: Bench) -> None:
    [report] = [(await bench.at(EARLY)).id]
    added = "INSERT INTO record.review SELECT utility_id, id, 1, now(), 'accepted', 'B', 'D', id, id FROM record.report WHERE utility_id = $1 AND id = $2"
    await bench.tamper(added, report)
    assert await bench.found() == {("decision added", -1)}
    await bench.tamper("DELETE FROM record.review WHERE utility_id = $1")
    await bench.tamper(
        "INSERT INTO record.change SELECT utility_id, changes + 1, 'reviews', $2, 1, now() FROM record.utility_log WHERE utility_id = $1",
        str(report),
    )
    assert await bench.found() == {("decision removed", -1)}


@pytest.mark.parametrize(
    "stated", [b'{"head" "x"}', b"\xe1\x00", b'{"other": 1}', b'{"items": [{"size": 1}]}', b'{"head": ' + b"[" * 5_000]
)
def test_a_file_of_kept_heads_that_holds_something_else_is_refused_in_words(stated: bytes, tmp_path: Path) -> None:
    # Found by fuzzing: each of these ended in a trace.
    file = tmp_path / "heads"
    file.write_bytes(stated)
    if b"other" in stated:
        assert kept_heads(file) == []
    else:
        with pytest.raises(ProblemError, match="not a tree head"):
            kept_heads(file)
