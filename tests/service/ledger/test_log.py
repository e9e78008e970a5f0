"""The log over HTTP: heads that go on from one another, proofs that check, and nothing signed of a log that was altered."""

import base64
import json
from typing import Any
from uuid import uuid4

import httpx
import pytest
from jwcrypto import jwk, jws

from service import signing
from service.ledger import merkle
from service.ledger import tree as records
from service.ledger.store import LogStore, Tile
from service.receipts import token as receipts
from tests.support.databases import Database
from tests.support.world import SIGNING_KEYS, Place, bearer

RING = signing.parse(SIGNING_KEYS)


def raw(text: str) -> bytes:
    """Base64url as bytes."""
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def asked(place: Place, path: str, **parameters: Any) -> dict[str, Any]:
    """The answer to a question of the regulator about the log."""
    answer = place.get(f"/log/{path}", key="regulator", **parameters)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def head_of(place: Place) -> dict[str, Any]:
    """The log's head, its signature checked by a second library."""
    result = asked(place, "head")
    theirs = jws.JWS()
    theirs.deserialize(result["head"], jwk.JWKSet.from_json(place.world.client.get("/.well-known/jwks.json").text))
    assert json.loads(theirs.payload) == {name: result[name] for name in ("utility", "size", "root", "time")}
    return result


def test_the_head_of_an_empty_log_is_the_standards(signed_place: Place) -> None:
    result = head_of(signed_place)
    # RFC 9162, section 2.1.1: the hash of an empty list is the hash of an empty string.
    assert (result["size"], raw(result["root"]).hex()) == (0, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855")


def test_every_report_is_proved_to_be_in_every_log_that_holds_it(signed_place: Place) -> None:
    reports, heads = [], {}
    for size in range(1, 8):
        reports.append(signed_place.recorded(check=0.5 + size / 10)["report"]["id"])
        heads[size] = head_of(signed_place)
        assert heads[size]["size"] == size
    for size, head in heads.items():
        root = raw(head["root"])
        for index, report_id in enumerate(reports[:size]):
            proof = asked(signed_place, "inclusion", report_id=report_id, size=size)
            assert (proof["log_index"], proof["size"], proof["root"]) == (index, size, head["root"])
            own = merkle.leaf_hash(proof["leaf"].encode())
            assert signing.base64url(own) == proof["leaf_hash"]
            assert merkle.included(own, index, size, [raw(one) for one in proof["path"]], root)
            assert json.loads(proof["leaf"])["id"] == report_id
        for first in range(1, size + 1):
            proof = asked(signed_place, "consistency", first=first, second=size)
            assert (proof["first_root"], proof["second_root"]) == (heads[first]["root"], head["root"])
            assert merkle.consistent(first, raw(heads[first]["root"]), size, root, [raw(one) for one in proof["path"]])
    kept = asked(signed_place, "heads", after=2, limit=3)
    assert [one["head"] for one in kept["items"]] == [heads[size]["head"] for size in (3, 4, 5)]
    assert kept["next"] is not None


def test_a_receipt_is_bound_to_the_log_by_its_leaf(signed_place: Place) -> None:
    report_id = signed_place.recorded()["report"]["id"]
    token = signed_place.get(f"/reports/{report_id}/receipt").json()["receipt"]
    content = receipts.check(RING, token).content
    assert content is not None
    assert content.leaf_hash == asked(signed_place, "inclusion", report_id=report_id)["leaf_hash"]


def test_a_head_is_signed_once_and_kept_until_something_is_recorded(signed_place: Place) -> None:
    signed_place.recorded()
    first = head_of(signed_place)
    signed_place.world.clock.pass_by(hours=1)
    assert head_of(signed_place) == first
    bare = signed_place.world.client.get(
        f"{signed_place.base}/log/head", headers=bearer(signed_place.keys["regulator"]) | {"Accept": "application/jose"}
    )
    assert (bare.text, bare.headers["content-type"]) == (first["head"], "application/jose")
    signed_place.recorded()
    second = head_of(signed_place)
    assert (second["size"], second["time"]) == (first["size"] + 1, "2026-06-01T20:00:00Z")


@pytest.mark.parametrize(
    ("path", "parameters", "status"),
    [
        ("inclusion", {"report_id": "0190a0a0-0000-7000-8000-000000000000"}, 404),
        ("inclusion", {}, 400),
        ("inclusion", {"report_id": "x"}, 400),
        ("inclusion", {"report_id": "first", "size": 3}, 422),
        ("inclusion", {"report_id": "second", "size": 1}, 422),
        ("inclusion", {"report_id": "first", "size": 0}, 400),
        ("inclusion", {"report_id": "first", "size": 2**63}, 400),
        ("consistency", {"first": 0}, 400),
        ("consistency", {"first": 3}, 422),
        ("consistency", {"first": 2, "second": 1}, 422),
        ("consistency", {"first": 1, "second": 3}, 422),
        ("heads", {"after": -2}, 400),
    ],
)
def test_what_cannot_be_proved_is_a_problem(signed_place: Place, path: str, parameters: dict[str, Any], status: int) -> None:
    ids = {"first": signed_place.recorded()["report"]["id"], "second": signed_place.recorded()["report"]["id"]}
    parameters = {name: ids.get(str(value), value) for name, value in parameters.items()}
    assert signed_place.get(f"/log/{path}", **parameters).status_code == status


def test_anothers_log_is_not_there(signed_place: Place) -> None:
    other = signed_place.world.place()
    report_id = other.recorded()["report"]["id"]
    key = bearer(signed_place.keys["regulator"])
    for path in ("head", "heads", f"inclusion?report_id={report_id}", "consistency?first=1"):
        assert signed_place.world.client.get(f"{other.base}/log/{path}", headers=key).status_code == 404
    assert signed_place.get("/log/inclusion", report_id=report_id).status_code == 404


def test_without_a_key_proofs_are_given_and_heads_are_a_clear_problem(place: Place) -> None:
    report_id = place.recorded()["report"]["id"]
    assert place.get("/log/inclusion", report_id=report_id).status_code == 200
    assert place.get("/log/head").json()["type"] == "/problems/not-set-up"


TAMPERING = {
    "a row changed and hashed again": "UPDATE record.report SET outcome = 'pass', leaf_hash = sha256('x') WHERE log_index = 0 AND utility_id = $1",
    "a row removed": "DELETE FROM record.report WHERE log_index = 0 AND utility_id = $1",
    "the last row removed and uncounted": "WITH gone AS (DELETE FROM record.report WHERE log_index = 1 AND utility_id = $1) "
    "UPDATE record.utility_log SET reports = 1 WHERE utility_id = $1",
}


@pytest.mark.parametrize("sql", TAMPERING.values(), ids=TAMPERING)
def test_no_head_is_signed_that_does_not_go_on_from_the_last(signed_place: Place, sql: str) -> None:
    signed_place.recorded()
    signed_place.recorded()
    head_of(signed_place)
    owner = signed_place.world.database.owner
    owner("ALTER TABLE record.report DISABLE TRIGGER USER")
    owner(sql, signed_place.code)
    owner("ALTER TABLE record.report ENABLE TRIGGER USER")
    signed_place.recorded()
    answer = signed_place.get("/log/head")
    assert (answer.status_code, answer.json()["type"]) == (500, "/problems/record-altered")


async def test_heads_asked_for_at_once_and_beside_reports_all_go_on_from_one_another(signed_place: Place) -> None:
    import asyncio  # noqa: PLC0415 - only here

    headers = bearer(signed_place.world.operator_key)
    async with httpx.AsyncClient(base_url=signed_place.world.url, timeout=60, headers=headers, trust_env=False) as client:

        async def report() -> None:
            answer = await client.put(f"{signed_place.base}/reports/{uuid4()}", json=signed_place.report())
            assert answer.status_code == 201, answer.text

        async def head() -> tuple[int, str, str]:
            answer = await client.get(f"{signed_place.base}/log/head")
            assert answer.status_code == 200, answer.text
            body = answer.json()
            return body["size"], body["root"], body["head"]

        answers = await asyncio.gather(*(act() for _ in range(20) for act in (report, head, head)))
    heads = sorted({one for one in answers if one is not None})
    assert len({size for size, _, _ in heads}) == len(heads)  # one head a size, whoever asked
    for size, root, _ in heads:
        if size:
            assert asked(signed_place, "consistency", first=size)["first_root"] == root


class _InMemory(LogStore):
    """The log's store without a database: leaf hashes, and the tiles that are kept."""

    def __init__(self) -> None:
        self.leaves: dict[str, list[bytes]] = {"alder": [], "birch": [merkle.EMPTY]}
        self.kept: dict[tuple[str, int, int], Tile] = {}
        self.looks = 0

    async def size(self, utility: str) -> int:
        return len(self.leaves[utility])

    async def leaf_hashes(self, utility: str, start: int, end: int) -> dict[int, bytes | None]:
        return dict(enumerate(self.leaves[utility][start:end], start))

    async def tiles(self, utility: str, level: int) -> int:
        return len([one for one in self.kept if one[:2] == (utility, level)])

    async def tile(self, utility: str, level: int, number: int) -> Tile | None:
        self.looks += 1
        return self.kept.get((utility, level, number))

    async def tile_roots(self, utility: str, level: int, start: int, end: int) -> list[bytes]:
        return [self.kept[utility, level, n].root for n in range(start, end) if (utility, level, n) in self.kept]

    async def keep_tiles(self, utility: str, tiles: Any) -> None:
        for one in tiles:
            assert len(one.hashes) == 32 * vars(records)["WIDTH"]
            assert self.kept.setdefault((utility, one.level, one.number), one) == one


async def test_roots_from_tiles_are_the_roots_of_the_whole_at_every_size(monkeypatch: pytest.MonkeyPatch) -> None:
    # Tiles of 4 instead of 256, so that a log of 300 has five levels of them.
    monkeypatch.setattr(records, "WIDTH", 4)
    monkeypatch.setattr(records, "_BITS", 2)
    monkeypatch.setattr(records, "_TILES_AT_ONCE", 3)
    store, grown = _InMemory(), [0, 1, 3, 4, 5, 15, 16, 17, 63, 64, 65, 255, 256, 257, 300]
    leaves = store.leaves["alder"]
    for size in grown:
        leaves += [merkle.leaf_hash(str(n).encode()) for n in range(len(leaves), size)]
        assert await records.grow(store, "alder") == size
        for before in {one for one in grown if one <= size}:
            assert await records._Tree(store, "alder", size).root(0, before) == merkle.root(leaves[:before])
            for start, end in merkle.consistency_ranges(before, size) if before else ():
                assert await records._Tree(store, "alder", size).root(start, end) == merkle.root(leaves[start:end])
    assert {level for _, level, _ in store.kept} == {0, 1, 2, 3}
    assert len(store.kept) == 75 + 18 + 4 + 1


@pytest.mark.parametrize("size", [300, 3000, 30000])
async def test_a_proof_looks_at_few_tiles_however_long_the_log_is(monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    monkeypatch.setattr(records, "WIDTH", 16)
    monkeypatch.setattr(records, "_BITS", 4)
    store = _InMemory()
    store.leaves["alder"] = [n.to_bytes(32, "big") for n in range(size)]
    await records.grow(store, "alder")
    tree = records._Tree(store, "alder", size)
    for start, end in merkle.inclusion_ranges(size // 3, size):
        await tree.root(start, end)
    # A path runs down one tile a level, and the right edge down another.
    levels = len({level for _, level, _ in store.kept}) + 1
    assert store.looks <= 2 * levels


@pytest.fixture
def long_log(signed_place: Place, database: Database) -> Place:
    """A log of 70 000 reports: one, copied."""
    signed_place.recorded()
    names = [
        row[0]
        for row in database.owner(
            "SELECT column_name::text FROM information_schema.columns WHERE table_schema = 'record' AND table_name = 'report' "
            "AND is_generated = 'NEVER' AND column_name NOT IN ('id', 'log_index', 'leaf_hash')"
        )
    ]
    columns = ", ".join(names)
    database.owner("ALTER TABLE record.report DISABLE TRIGGER USER")
    database.owner(
        f"INSERT INTO record.report (id, log_index, leaf_hash, {columns}) "  # noqa: S608 - our own names
        f"SELECT gen_random_uuid(), n, sha256(n::text::bytea), {columns} FROM record.report, generate_series(1, 69999) AS n "
        "WHERE utility_id = $1",
        signed_place.code,
    )
    database.owner("ALTER TABLE record.report ENABLE TRIGGER USER")
    database.owner("UPDATE record.utility_log SET reports = 70000 WHERE utility_id = $1", signed_place.code)
    return signed_place


@pytest.mark.slow
def test_a_long_log_has_its_tiles_and_its_head(long_log: Place, database: Database) -> None:
    head = head_of(long_log)
    leaves = [
        row[0]
        for row in database.owner("SELECT leaf_hash FROM record.report WHERE utility_id = $1 ORDER BY log_index", long_log.code)
    ]
    assert raw(head["root"]) == merkle.root(leaves)
    tiles = database.owner(
        "SELECT level, count(*) FROM record.log_tile WHERE utility_id = $1 GROUP BY level ORDER BY level", long_log.code
    )
    assert [tuple(row) for row in tiles] == [(0, 273), (1, 1)]
    proof = asked(long_log, "consistency", first=65537)
    assert merkle.consistent(65537, merkle.root(leaves[:65537]), 70000, merkle.root(leaves), [raw(one) for one in proof["path"]])


async def test_a_head_made_meanwhile_is_no_sign_of_tampering(signed_place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between counting the reports and signing, another caller may have made the head of a longer log."""
    import asyncio  # noqa: PLC0415 - only here

    signed_place.recorded()
    grow = records.grow

    async def grown_slowly(store: LogStore, utility: str) -> int:
        size = await grow(store, utility)
        if not waited:
            waited.append(size)
            await asyncio.to_thread(lambda: (signed_place.recorded(), head_of(signed_place)))
        return size

    waited: list[int] = []
    monkeypatch.setattr(records, "grow", grown_slowly)
    answer = await asyncio.to_thread(lambda: signed_place.get("/log/head"))
    assert (answer.status_code, answer.json()["size"], waited) == (200, 1, [1])
    assert head_of(signed_place)["size"] == 2
