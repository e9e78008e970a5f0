"""The whole record under the tree: a superuser alters one row of any table, then standings are rebuilt, and the audit names the row.

Each case tampers with every trigger and foreign key set aside, rebuilds as the service does, audits in the same transaction, and rolls back.
The tables are those that the schema `record` has, so that one added later is tried here or fails here.
"""

# ruff: noqa: S608 - tables and columns are named by this module and by Postgres
import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any, Final

import asyncpg
import pytest
from joserfc.jwk import OKPKey

from service import signing
from service.db.pool import Pool
from service.ledger import tree as log
from service.ledger.audit import audit
from service.ledger.audit_facts import audit_facts
from service.ledger.fact_store import FactStore
from service.ledger.facts import SCHEMA, TRACKED, UNTRACKED
from service.ledger.store import LogStore
from service.problems import ProblemError
from service.record.reports.store import ReportStore
from service.record.standings.work_out import rebuild_standings
from service.registry.store import RegistryStore
from tests.service.ledger.test_audit import RING, _Lent, send
from tests.support.databases import ask, in_thread
from tests.support.serving import NOON
from tests.support.world import Place, World, bearer

TABLES: Final = sorted({*TRACKED, *UNTRACKED})
NOT_TRIED: Final = {"webhook_progress", "webhook_delivery", "webhook_attempt", "word", "report_flag"}
"""How far deliveries have come, and what things are found by: nothing rests on it (see UNTRACKED)."""
CHANGES: Final = {
    "utility": "due_soon_days = due_soon_days + 1",
    "utility_grant": "assemblies = 'listed'",
    "premises": "hazard = 'health'",
    "assembly": "in_service = NOT in_service",
    "tester": "certificates = '[]'",
    "gauge": "accuracy = accuracy / 2",
    "local_rulebook": "content = replace(content, 'Alder', 'Alter')",
    "review": "because = 'x'",
    "report_request": "report_id = gen_random_uuid()",
    "incident": "status = 'unfounded'",
    "incident_version": "counts = NOT counts",
    "incident_reach": "assembly_id = gen_random_uuid()",
    "exception": "granted_by = 'x'",
    "hazard_assessment": "hazard = 'non_health'",
    "assembly_identity_change": "serial_number_after = 'x'",
    "contact_change": "contact = '{}'",
    "assembly_correction": "because = 'x'",
    "service_change": "because = 'x'",
    "screening": "disposition = 'dismissed'",
    "screening_decision": "because = 'x'",
    "notice_schedule": "steps = '[1]'",
    "notice_run": "done = done + 1",
    "notice": "body = 'x'",
    "assembly_grant": None,
    "webhook": "url = 'https://elsewhere.example/'",
    "log_head": "root = sha256('x')",
    "fact_head": "root = sha256('x')",
    "report": "acceptance = 'refused'",
    "change": "version = version + 1",
    "standing": "basis = replace(basis, 'current', 'failed')",
    "import_version": "because = 'x'",
    "import_thing": "before = 'x'",
    "import_reports": None,
    "utility_log": "changes = changes - 1",
    "log_tile": "root = sha256('x')",
    "fact_tile": "root = sha256('x')",
    "fact": "act = 'removed'",
}
"""What is changed of a row, by table; None: every column is of the key, or its time."""
DATES: Final = {
    "incident_reach": None,
    "standing": "due_on",
    "utility_log": None,
    "log_tile": None,
    "fact_tile": None,
    "local_rulebook": "recorded_at",
    "report_request": None,
    "screening_decision": "decided_at",
    "review": "decided_at",
    "change": "recorded_at",
    "fact": "recorded_at",
    "incident_version": "recorded_at",
    "log_head": "made_at",
    "fact_head": "made_at",
    "report": "received_at",
    "utility_grant": "granted_at",
    "assembly_grant": "granted_at",
    "assembly_identity_change": "changed_at",
    "contact_change": "changed_at",
    "assembly_correction": "recorded_at",
    "service_change": "recorded_at",
    "import_version": "recorded_at",
    "import_thing": None,
    "import_reports": None,
}
"""The time of a row, by table; None where it has none; `created_at` where it is not listed."""
ADDED: Final = {
    "change": "sequence = sequence + 100000",
    "fact": "number = number + 100000",
    "report": "id = gen_random_uuid(), log_index = 100000",
    "standing": "assembly_id = gen_random_uuid()",
    "log_tile": "number = number + 9",
    "fact_tile": "number = number + 9",
    "log_head": "size = size + 1",
    "fact_head": "size = size + 1",
    "screening": "id = gen_random_uuid(), occasion = 'x'",
    "notice": "id = gen_random_uuid(), step = 'x'",
    "report_request": "idempotency_key = 'x'",
    "incident_reach": "place = 99",
    "utility_grant": "organisation_id = gen_random_uuid()",
    "local_rulebook": "version = 9",
    "review": "version = 9",
    "screening_decision": "version = 9",
    "incident_version": "version = 9",
    "assembly_identity_change": "version = 9",
    "contact_change": "version = 9",
    "assembly_grant": "organisation_id = gen_random_uuid()",
    "utility": None,
    "utility_log": None,
    "notice_schedule": None,
    "assembly_correction": "version = 8",
    "service_change": "number = 8",
    "import_version": "version = 9",
    "import_thing": "version = 9",
    "import_reports": "until_index = 9",
}
"""What is set in a copy of a row so that it is another; `id` where it is not listed. None: a utility has one row, and others are not audited."""
REBUILT: Final = {("standing", "change"), ("standing", "backdate"), ("standing", "remove")}
"""What `nonreturn rebuild` puts right, so that nothing is left to name."""


class Bench:
    """The whole record of a utility, on one connection in a transaction that is rolled back."""

    def __init__(self, owner: Any, place: Place) -> None:
        self.owner = owner
        self.place = place
        lent: Any = _Lent(owner)
        self.pool = lent

    async def tamper(self, sql: str) -> list[dict[str, Any]]:
        """What a superuser's statement returns; triggers and foreign keys are off while it runs."""
        await self.owner.execute("SET LOCAL session_replication_role = replica")
        rows = await self.owner.fetch(sql, self.place.code)
        await self.owner.execute("SET LOCAL session_replication_role = origin")
        return [json.loads(row[0]) for row in rows]

    async def rebuild(self) -> None:
        """As the command does; without its utility or its log it cannot."""
        try:
            utility = await RegistryStore(self.pool).utility(self.place.code)
        except ProblemError:
            return
        await rebuild_standings(ReportStore(self.pool), utility)

    async def lines(self, table: str | None = None) -> list[str]:
        """What both audits say; that of reports is left out for tables that it does not look at."""
        troubles = []
        if table in (None, "report", "review", "change", "utility_log", "log_tile", "log_head"):
            troubles = (await audit(LogStore(self.pool), RING, self.place.code, [], lambda *_: None)).troubles
        facts = await audit_facts(FactStore(self.pool), RING, self.place.code, [], lambda *_: None)
        return [trouble.line() for trouble in [*troubles, *facts.troubles]]


def put_rulebook(place: Place) -> None:
    """A version of the utility's own rulebook."""
    document = {"extends": "us-wa", "title": "Alder Falls Municipal Code, chapter 13.08", "in_force_from": "2026-01-01"}
    headers = bearer(place.keys["utility"])
    place.world.client.put(f"{place.base}/rulebook/versions/1", json=document, headers=headers).raise_for_status()


# A row of each table that a few calls do not fill: $2 premises, $3 assembly, $4 report, $5 tester, $6 organisation.
ROWS: Final = [
    "WITH x AS (SELECT $1::text AS u, $2::uuid AS p, $3::uuid AS a, $4::uuid AS r, $5::uuid AS t, $6::uuid AS o) " + row
    for row in (
        "INSERT INTO record.report_request SELECT u, o, 'a \"key\"', r FROM x",
        "INSERT INTO record.review SELECT u, r, 1, now(), 'accepted', 'Seen.', 'D', o, o FROM x",
        "INSERT INTO record.incident SELECT u, p, 1, now(), now(), now(), '2026-01-01', 'suspected', 'Ä \"taste\"', '{}', '{}' FROM x",
        "INSERT INTO record.incident_version SELECT u, p, 1, now(), o, o, now(), '2026-01-01', true, '{\"b\": [1.50, null]}' FROM x",
        "INSERT INTO record.incident_reach SELECT u, p, 1, 1, a, NULL FROM x",
        "INSERT INTO record.exception SELECT u, p, 1, now(), now(), a, '2024-01-01', '2024-12-31', 'other', 'B', 'G', o, o FROM x",
        "INSERT INTO record.hazard_assessment SELECT u, p, 1, now(), p, '2026-01-01', 'O', 'health', NULL, NULL, NULL, NULL, o, o FROM x",
        'INSERT INTO record.contact_change SELECT u, p, 1, now(), NULL, \'{"name": "N"}\' FROM x',
        "INSERT INTO record.screening SELECT u, p, 1, now(), now(), 'last_digits', t, NULL, NULL, '2026', '2026-01-01', '', '{}', 'open' FROM x",
        "INSERT INTO record.screening_decision SELECT u, p, 2, now(), 'explained', 'B', 'D', o, o FROM x",
        "INSERT INTO record.notice_schedule SELECT u, 1, now(), now(), NULL FROM x",
        "INSERT INTO record.notice_run SELECT u, p, now(), '2026-01-01', 'finished', o, now() FROM x",
        "INSERT INTO record.notice SELECT u, p, 1, now(), now(), a, p, 'due', 'due', 'customer', now(), NULL, NULL, now(), 'sent', '[]', '', '' FROM x",
        "INSERT INTO record.assembly_correction SELECT u, a, 9, now(), 'kind', 'B', NULL, NULL, 'rp', 'pvb', o, o FROM x",
        "INSERT INTO record.service_change SELECT u, a, 9, now(), true, '2026-01-01', NULL, NULL FROM x",
        "INSERT INTO record.import_version SELECT u, p, 1, now(), 'sealed', NULL, NULL, '{}', o, o FROM x",
        "INSERT INTO record.import_thing SELECT u, p, 'premises', p, 1, NULL FROM x",
        "INSERT INTO record.import_reports SELECT u, p, 0, 10 FROM x",
        "INSERT INTO record.assembly_grant SELECT u, o, a, now() FROM x",
        "INSERT INTO record.webhook SELECT u, p, 1, now(), now(), 'https://portal.example/', NULL, NULL, true, NULL, 1, NULL, '' FROM x",
        "INSERT INTO record.webhook_progress SELECT u, p, 0, 0 FROM x",
        "INSERT INTO record.webhook_delivery SELECT u, p, p, now(), 0, 1, NULL, 'pending', now() FROM x",
        "INSERT INTO record.webhook_attempt SELECT u, p, p, 1, now(), 0.1, 204, NULL FROM x",
    )
]


async def rebuilt(place: Place) -> None:
    """Work out every standing again, as `nonreturn rebuild` does."""
    pool = await Pool.open(place.world.database.dsn, size=2)
    await rebuild_standings(ReportStore(pool), await RegistryStore(pool).utility(place.code))
    await pool.close()


@pytest.fixture(scope="module")
def recorded(signed_world: World) -> Place:
    """A utility with rows in every table, written with the triggers on, and with both logs sealed."""
    place = signed_world.place()
    send(place, 260)
    owner, code = place.world.database.owner, place.code
    put_rulebook(place)
    report = owner("SELECT id FROM record.report WHERE utility_id = $1 LIMIT 1", code)[0][0]
    ids = (place.premises, place.assembly, report, place.tester, place.organisations["testing_company"])
    for row in ROWS:
        owner(row, code, *ids)
    owner("UPDATE record.assembly SET serial_number = 'S-2', version = version + 1 WHERE utility_id = $1", code)

    async def grow(connection: Any) -> None:
        for _ in range(260):
            await connection.execute("UPDATE record.gauge SET version = version + 1 WHERE utility_id = $1", code)

    ask(place.world.database.owner_dsn, grow)
    # What was put in by hand above is taken into the standings, as the service does itself.
    in_thread(lambda: asyncio.run(rebuilt(place)))
    # A seal is a fact: the second covers the first.
    for name in ("reports", "facts"):
        place.get("/log/head", key="regulator", log=name).raise_for_status()
    return place


@pytest.fixture
async def bench(recorded: Place) -> AsyncIterator[Bench]:
    """The record, as it was before this test and is again after it."""
    owner = await asyncpg.connect(recorded.world.database.owner_dsn, server_settings={"timezone": "UTC"})
    transaction = owner.transaction()
    await transaction.start()
    await owner.execute("SELECT set_config('nonreturn.utility', $1, true)", recorded.code)
    yield Bench(owner, recorded)
    await transaction.rollback()
    await owner.close()


def test_every_table_of_the_record_is_tried_here_and_kept_by_triggers(recorded: Place) -> None:
    owner = recorded.world.database.owner
    tables = {row[0] for row in owner("SELECT tablename FROM pg_tables WHERE schemaname = 'record'")}
    assert tables == {*TABLES} - {"utility_grant"}, (
        "Keep the table's facts (record.keep_facts, TRACKED), or say in UNTRACKED why not."
    )
    assert set(CHANGES) == {*TABLES} - NOT_TRIED
    for table, key in TRACKED.items():
        name = f"{SCHEMA.get(table, 'record')}.{table}"
        assert tuple(owner("SELECT record.key_columns($1::text::regclass)", name)[0][0]) == key
        triggers = owner("SELECT tgname::text FROM pg_trigger WHERE tgrelid = $1::text::regclass AND tgname LIKE 'facts_%'", name)
        assert {row[0] for row in triggers} == {"facts_inserted", "facts_updated", "facts_deleted"}, table


async def test_nothing_is_named_where_nothing_was_done(bench: Bench) -> None:
    await bench.rebuild()
    assert await bench.lines() == []
    for table in sorted({*TABLES} - NOT_TRIED):
        # No case below is about a table that has no row.
        name = f"{SCHEMA.get(table, 'record')}.{table}"
        assert await bench.owner.fetchval(f"SELECT count(*) FROM {name} WHERE utility_id = $1", bench.place.code) > 0, table


CASES: Final = [
    (table, act)
    for table in sorted(set(TABLES) - NOT_TRIED)
    for act in ("change", "backdate", "remove", "add")
    if not (act == "change" and CHANGES[table] is None)
    and not (act == "backdate" and DATES.get(table, "created_at") is None)
    and not (act == "add" and ADDED.get(table, "") is None)
]


ALONE: Final = {*UNTRACKED, "utility", "log_head", "fact_head"}
"""Tables that other lines of the audit speak of too, each tried by itself; the rest are altered together, a row of each, and each is named."""


async def altered(bench: Bench, table: str, act: str) -> dict[str, Any]:
    """Alter a row of that table; the row as it is then, or was."""
    name = f"{SCHEMA.get(table, 'record')}.{table}"
    one = f"ctid = (SELECT ctid FROM {name} WHERE utility_id = $1 LIMIT 1)"
    if act == "remove":
        sql = f"DELETE FROM {name} AS t WHERE {one}"
    elif act == "add":
        columns = [row[0] for row in await bench.owner.fetch(COLUMNS, name)]
        other = dict(item.split(" = ", 1) for item in (ADDED.get(table) or "id = gen_random_uuid()").split(", "))
        chosen = ", ".join(other.get(column, column) for column in columns)
        sql = f"INSERT INTO {name} AS t ({', '.join(columns)}) SELECT {chosen} FROM {name} WHERE {one}"
    else:
        column = DATES.get(table, "created_at")
        change = CHANGES[table] if act == "change" else f"{column} = {column} - interval '400 days'"
        sql = f"UPDATE {name} AS t SET {change} WHERE {one}"
    [row] = await bench.tamper(sql + " RETURNING to_jsonb(t)::text")
    return row


@pytest.mark.parametrize(("table", "act"), [case for case in CASES if case[0] in ALONE])
async def test_a_row_that_is_altered_is_named(bench: Bench, table: str, act: str) -> None:
    row = await altered(bench, table, act)
    await bench.rebuild()
    lines = await bench.lines(table)
    if (table, act) in REBUILT:
        assert lines == []
    else:
        assert [line for line in lines if names(line, table, row)], lines


@pytest.mark.parametrize("act", ["change", "backdate", "remove", "add"])
async def test_a_row_of_each_other_table_is_named_and_nothing_else_is(bench: Bench, act: str) -> None:
    rows = {table: await altered(bench, table, act) for table, of in CASES if of == act and table not in ALONE}
    await bench.rebuild()
    lines = await bench.lines("")
    for table, row in rows.items():
        assert [line for line in lines if names(line, table, row)], (table, lines)
    # The standing of an assembly that was taken away belongs to nothing.
    assert len([line for line in lines if not line.startswith("standing ")]) == len(rows), lines


def names(line: str, table: str, row: dict[str, Any]) -> bool:
    """Whether a line of the audit names that row."""
    if table in TRACKED:
        return line.startswith(f"{table} {'/'.join(str(row[column]) for column in TRACKED[table])}".rstrip() + ": ")
    if table == "report":
        return line.startswith(f"report {row['id']},") or row["id"] in line
    if table == "change":
        return any(f"{what} {row['sequence']}" in line for what in ("change", "changes", "number"))
    if table == "fact":
        return f"log index {row['number']}: fact " in line
    if table == "standing":
        return line.startswith(f"standing {row['assembly_id']}: ")
    return line.startswith("utility_log") if table == "utility_log" else "tile" in line.lower()


COLUMNS: Final = (
    "SELECT attname::text FROM pg_attribute WHERE attrelid = $1::text::regclass AND attnum > 0 AND attgenerated = '' "
    "AND NOT attisdropped ORDER BY attnum"
)


@pytest.mark.parametrize("table", ["review", "incident", "assembly"])
async def test_who_writes_a_fact_for_a_lie_is_found_by_the_sealed_tree(bench: Bench, table: str) -> None:
    """The row, its fact's digest and its leaf's hash all agree; the signed head does not."""
    [row] = await bench.tamper(
        f"UPDATE record.{table} AS t SET {CHANGES[table]} WHERE ctid = (SELECT ctid FROM record.{table} WHERE utility_id = $1 LIMIT 1) "
        "RETURNING to_jsonb(t)::text"
    )
    key = "/".join(str(row[column]) for column in TRACKED[table])
    sql = (
        "UPDATE record.fact AS f SET digest = d.digest, leaf_hash = "
        "record.fact_leaf_hash(f.utility_id, f.number, f.recorded_at, f.act, f.of_table, f.row_key, f.detail, d.digest) FROM ("
        f"SELECT number, sha256(salt || convert_to(record.fact_text(to_jsonb(t) - ARRAY['latitude', 'longitude']), 'UTF8')) AS digest "
        f"FROM record.fact, record.{table} AS t WHERE t.utility_id = $1 AND fact.utility_id = $1 AND of_table = '{table}' AND row_key = '{key}' "
        f"AND concat_ws('/', {', '.join('t.' + column for column in TRACKED[table])}) = '{key}' ORDER BY number DESC LIMIT 1"
        ") AS d WHERE f.utility_id = $1 AND f.number = d.number RETURNING to_jsonb(f)::text"
    )
    [fact] = await bench.tamper(sql)
    lines = await bench.lines()
    assert not [line for line in lines if line.startswith(f"{table} {key}: row")]
    assert [line for line in lines if line.startswith(f"{table} {key}: log index {fact['number']}: fact changed")]


async def test_a_head_whose_signature_does_not_hold_is_never_trusted(bench: Bench) -> None:
    """One put in by hand neither stops the log nor vouches for it."""
    store = FactStore(bench.pool)
    copy = "INSERT INTO record.fact_head AS t SELECT utility_id, size + 1, sha256('x'), made_at, tail, signed FROM record.fact_head WHERE utility_id = $1"
    [forged] = await bench.tamper(copy + " RETURNING to_jsonb(t)::text")
    assert [line for line in await bench.lines() if "does not say what was signed" in line]
    await bench.owner.execute("UPDATE record.gauge SET version = version + 1 WHERE utility_id = $1", bench.place.code)
    made = await log.head(store, RING, bench.place.code, now=NOON)
    assert made.size > forged["size"]
    assert log.is_signed(store, RING, made)
    other = signing.parse(json.dumps({"keys": [OKPKey.generate_key("Ed25519").as_dict(private=True)]}))
    assert not log.is_signed(store, other, made)
