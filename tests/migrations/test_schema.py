"""The schema that the migrations build: what it adds up to, whose each row is, and what can never be changed."""

import subprocess
from pathlib import Path
from typing import Any

import asyncpg
import pytest

from service.db.embedded import OWNER, SERVICE, EmbeddedPostgres
from service.db.migrate import migrate, migrated, newest
from service.db.pool import Pool
from service.transfer.store import LEFT_OUT, OWNED
from tests.support.databases import Database, ask, in_thread

# Global by nature: it says who may do what, before any utility is named.
GLOBAL = "access"


def dump(postgres: EmbeddedPostgres, database: str) -> str:
    """The schemas `access` and `record` as pg_dump writes them, without its own remarks."""
    result = subprocess.run(
        [
            postgres.programs / "pg_dump",
            "--schema-only",
            "--schema=access",
            "--schema=record",
            "--host",
            postgres.socket_directory,
            "--username",
            OWNER,
            database,
        ],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    # Lines with a key of this very dump (\restrict) and comments differ from one dump to the next.
    return "\n".join(line for line in result.splitlines() if line and not line.startswith(("--", "\\")))


def test_the_migrations_add_up_to_the_schema(postgres: EmbeddedPostgres, database: Database, repository: Path) -> None:
    schema = (repository / "migrations" / "schema.sql").read_text(encoding="utf-8")
    ask(postgres.dsn(), lambda connection: connection.execute("CREATE DATABASE from_schema"))
    ask(postgres.dsn(database="from_schema"), lambda connection: connection.execute(schema))
    built = dump(postgres, database.name)
    assert "CREATE TABLE record.report" in built
    assert built == dump(postgres, "from_schema"), "Bring migrations/schema.sql to what the migrations build."
    ask(postgres.dsn(), lambda connection: connection.execute("DROP DATABASE from_schema"))


def test_migrating_again_changes_nothing(postgres: EmbeddedPostgres, database: Database) -> None:
    before = dump(postgres, database.name)
    in_thread(lambda: migrate(database.owner_dsn))
    assert dump(postgres, database.name) == before
    assert database.owner("SELECT version_num FROM public.alembic_version")[0][0] == newest()


async def test_a_database_states_whether_it_is_migrated(postgres: EmbeddedPostgres, database: Database) -> None:
    assert await migrated(database.owner_dsn)
    assert not await migrated(postgres.dsn())


def test_the_record_is_not_dropped_by_a_downgrade(database: Database, repository: Path) -> None:
    from alembic import command  # noqa: PLC0415 - only here
    from alembic.config import Config  # noqa: PLC0415 - only here

    config = Config(str(repository / "migrations" / "alembic.ini"))
    config.attributes["dsn"] = database.owner_dsn
    refused: list[Exception] = []

    def downgrade() -> None:
        try:
            command.downgrade(config, "base")
        except NotImplementedError as error:
            refused.append(error)

    in_thread(downgrade)
    assert len(refused) == 1
    assert database.count("report") == 0


KEYS = """
SELECT c.conrelid::regclass::text AS of, c.contype::text AS kind, c.conname AS name,
    array(SELECT a.attname::text FROM unnest(c.conkey) WITH ORDINALITY AS k (n, place)
        JOIN pg_attribute a ON a.attrelid = c.conrelid AND a.attnum = k.n ORDER BY k.place) AS columns,
    array(SELECT a.attname::text FROM unnest(c.confkey) WITH ORDINALITY AS k (n, place)
        JOIN pg_attribute a ON a.attrelid = c.confrelid AND a.attnum = k.n ORDER BY k.place) AS target
FROM pg_constraint c JOIN pg_namespace s ON s.oid = c.connamespace
WHERE s.nspname = 'record' AND c.contype IN ('p', 'f', 'u')
"""


def test_every_key_begins_with_the_utility_and_every_reference_carries_it(database: Database) -> None:
    keys = database.owner(KEYS)
    assert {row["kind"] for row in keys} == {"p", "f", "u"}
    for row in keys:
        assert row["columns"][0] == "utility_id", (row["of"], row["name"])
        if row["kind"] == "f":
            assert row["target"][0] == "utility_id", (row["of"], row["name"])


def test_every_unique_index_begins_with_the_utility(database: Database) -> None:
    rows = database.owner(
        """
        SELECT i.indexrelid::regclass::text AS name, a.attname AS first FROM pg_index i
        JOIN pg_class t ON t.oid = i.indrelid JOIN pg_namespace s ON s.oid = t.relnamespace
        JOIN pg_attribute a ON a.attrelid = t.oid AND a.attnum = i.indkey[0]
        WHERE s.nspname = 'record' AND i.indisunique
        """
    )
    assert len(rows) >= len(tables(database))
    assert {row["first"] for row in rows} == {"utility_id"}


def tables(database: Database) -> list[str]:
    """The tables of the record."""
    return [row[0] for row in database.owner("SELECT tablename FROM pg_tables WHERE schemaname = 'record' ORDER BY 1")]


def test_every_table_has_a_primary_key_and_row_security_that_binds_its_owner_too(database: Database) -> None:
    rows = database.owner(
        """
        SELECT t.relname, t.relrowsecurity AND t.relforcerowsecurity AS secured,
            EXISTS (SELECT FROM pg_constraint c WHERE c.conrelid = t.oid AND c.contype = 'p') AS keyed,
            (SELECT count(*) FROM pg_policy p WHERE p.polrelid = t.oid AND p.polpermissive) AS policies
        FROM pg_class t JOIN pg_namespace s ON s.oid = t.relnamespace WHERE s.nspname = 'record' AND t.relkind IN ('r', 'p')
        """
    )
    assert sorted(row["relname"] for row in rows) == tables(database)
    assert {(row["secured"], row["keyed"], row["policies"]) for row in rows} == {(True, True, 1)}


def test_the_service_is_neither_a_superuser_nor_beyond_row_security_nor_an_owner(database: Database) -> None:
    [role] = database.owner("SELECT * FROM pg_roles WHERE rolname = $1", SERVICE)
    assert not role["rolsuper"]
    assert not role["rolbypassrls"]
    assert not role["rolcreatedb"]
    assert not role["rolcreaterole"]
    owned = database.owner(
        "SELECT count(*) FROM pg_class WHERE relowner = (SELECT oid FROM pg_roles WHERE rolname = $1)", SERVICE
    )
    assert owned[0][0] == 0


REFUSED_TO_THE_SERVICE = [
    (schema_table, act)
    for schema_table, acts in {
        "record.report": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.change": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.log_tile": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.log_head": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.fact": ("INSERT", "UPDATE", "DELETE", "TRUNCATE"),
        "record.fact_tile": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.fact_head": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.report_request": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.standing": ("DELETE", "TRUNCATE"),
        "record.utility": ("DELETE", "TRUNCATE"),
        "record.utility_log": ("DELETE", "TRUNCATE"),
        "record.assembly": ("DELETE", "TRUNCATE"),
        "record.notice": ("DELETE", "TRUNCATE"),
        "record.notice_run": ("DELETE", "TRUNCATE"),
        "record.notice_schedule": ("DELETE", "TRUNCATE"),
        "record.incident": ("DELETE", "TRUNCATE"),
        "record.incident_version": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.incident_reach": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.exception": ("DELETE", "TRUNCATE"),
        "record.hazard_assessment": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.local_rulebook": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.import_version": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.import_thing": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.import_reports": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.review": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.screening": ("DELETE", "TRUNCATE"),
        "record.screening_decision": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.assembly_identity_change": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.report_flag": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.assembly_correction": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.contact_change": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.service_change": ("UPDATE", "DELETE", "TRUNCATE"),
        "record.webhook_progress": ("DELETE", "TRUNCATE"),
        "record.webhook_attempt": ("UPDATE", "DELETE", "TRUNCATE"),
        "access.webhook_utility": ("UPDATE", "DELETE", "TRUNCATE"),
        "access.utility": ("UPDATE", "DELETE", "TRUNCATE"),
        "access.organisation": ("UPDATE", "DELETE", "TRUNCATE"),
        "access.key": ("DELETE", "TRUNCATE"),
    }.items()
    for act in acts
]


@pytest.mark.parametrize(("table", "act"), REFUSED_TO_THE_SERVICE)
def test_the_service_may_not_undo_what_is_recorded(database: Database, table: str, act: str) -> None:
    [row] = database.owner("SELECT has_table_privilege($1, $2, $3)", SERVICE, table, act)
    assert row[0] is False


UTILITY = "INSERT INTO record.utility VALUES ($1, 1, now(), now(), 'Water', 'us-wa', 'UTC', 30)"
PREMISES = "INSERT INTO record.premises (utility_id, id, version, created_at, changed_at, name, address, connection) VALUES ($1, gen_random_uuid(), 1, now(), now(), 'P', 'A', 'fire')"
OTHERS = {
    "record.assembly": "(utility_id, id, version, created_at, changed_at, premises_id, kind, hazard, purpose, in_service) "
    "SELECT utility_id, id, 1, now(), now(), id, 'pvb', 'health', 'point_of_use', true FROM record.premises",
    "record.tester": "(utility_id, id, version, created_at, changed_at, name, certificates) "
    "SELECT utility_id, id, 1, now(), now(), 'T', '[]' FROM record.premises",
    "record.gauge": "(utility_id, id, version, created_at, changed_at, serial_number, units, accuracy, resolution, calibrations) "
    "SELECT utility_id, id, 1, now(), now(), 'G', '{}', 0.2, 0.1, '[]' FROM record.premises",
    "record.report": "SELECT utility_id, id, 0, id, id, id, now(), '2026-01-01', now(), 'periodic', NULL, id, id, '', '', '', '', 'pass', "
    "'full', 'accepted', 'us-wa', '' FROM record.premises",
    "record.report_flag": "SELECT utility_id, 'near_limit', 0 FROM record.premises",
    "record.report_request": "SELECT utility_id, id, 'key', id FROM record.premises",
    "record.standing": "SELECT utility_id, id, 1, NULL, '{}' FROM record.premises",
    "record.notice_schedule": "SELECT utility_id, 1, now(), now(), '[]' FROM record.premises",
    "record.notice_run": "SELECT utility_id, id, now(), '2026-01-01', 'finished', id, now() FROM record.premises",
    "record.notice": "SELECT utility_id, id, 1, now(), now(), id, id, 'due', 'due', 'customer', '2026-01-01', NULL, NULL, '2026-01-01', "
    "'prepared', '[]', '', '' FROM record.premises",
    "record.log_tile": "SELECT utility_id, 0, 0, decode(repeat('00', 8192), 'hex'), '' FROM record.premises",
    "record.log_head": "SELECT utility_id, 1, '', now(), '', '' FROM record.premises",
    "record.fact_tile": "SELECT utility_id, 0, 0, decode(repeat('00', 8192), 'hex'), '' FROM record.premises",
    "record.fact_head": "SELECT utility_id, 1, '', now(), '', '' FROM record.premises",
    "record.incident": "SELECT utility_id, id, 1, now(), now(), now(), '2026-01-01', 'suspected', 'X', '{}', '{}' FROM record.premises",
    "record.incident_version": "SELECT utility_id, id, 1, now(), id, id, now(), '2026-01-01', true, '{}' FROM record.premises",
    "record.incident_reach": "SELECT utility_id, id, 1, 1, id, NULL FROM record.premises",
    "record.assembly_grant": "SELECT utility_id, md5('company')::uuid, id, now() FROM record.premises",
    "record.local_rulebook": "SELECT utility_id, 1, now(), id, id, '{}' FROM record.premises",
    "record.import_version": "SELECT utility_id, id, 1, now(), 'writing', NULL, NULL, '{}', id, id FROM record.premises",
    "record.import_thing": "SELECT utility_id, id, 'premises', id, 1, NULL FROM record.premises",
    "record.import_reports": "SELECT utility_id, id, 0, 1 FROM record.premises",
    "record.hazard_assessment": "SELECT utility_id, id, 1, now(), id, '2026-01-01', 'O', 'health', NULL, NULL, NULL, NULL, id, id FROM record.premises",
    "record.review": "SELECT utility_id, id, 1, now(), 'accepted', 'B', 'D', id, id FROM record.premises",
    "record.screening": "SELECT utility_id, id, 1, now(), now(), 'last_digits', id, NULL, NULL, '2026', '2026-01-01', '', '{}', 'open' FROM record.premises",
    "record.screening_decision": "SELECT utility_id, id, 2, now(), 'explained', 'B', 'D', id, id FROM record.premises",
    "record.assembly_correction": "SELECT utility_id, id, 2, now(), 'kind', 'B', NULL, NULL, 'dc', 'pvb', id, id FROM record.premises",
    "record.service_change": "SELECT utility_id, id, 1, now(), false, now()::date, NULL, NULL FROM record.assembly",
    "record.contact_change": "SELECT utility_id, id, 2, now(), NULL, '{}' FROM record.premises",
    "record.assembly_identity_change": "SELECT utility_id, id, 2, now(), NULL, 'S', NULL, NULL FROM record.premises",
    "record.exception": "SELECT utility_id, id, 1, now(), now(), id, '2026-01-01', '2026-12-31', 'other', 'B', 'G', id, id FROM record.premises",
    "record.webhook": "SELECT utility_id, id, 1, now(), now(), 'https://portal.example/', NULL, NULL, true, NULL, 1, NULL, '' FROM record.premises",
    "record.webhook_progress": "SELECT utility_id, id, 0, 0 FROM record.premises",
    "record.webhook_delivery": "SELECT utility_id, id, id, now(), 0, 1, NULL, 'pending', now() FROM record.premises",
    "record.webhook_attempt": "SELECT utility_id, id, id, 1, now(), 0.1, 204, NULL FROM record.premises",
}


@pytest.fixture(scope="module")
def two_utilities(database: Database) -> Database:
    """Two utilities with one row of everything in each; the ids of both are alike in kind, never in value."""

    async def fill(owner: Any) -> None:
        await owner.execute("INSERT INTO access.organisation VALUES (md5('company')::uuid, 'testing_company', 'C', now())")
        for code in ("alder", "birch"):
            await owner.execute(UTILITY, code)
            await owner.execute("INSERT INTO access.utility_grant VALUES ($1, md5('company')::uuid, now())", code)
            await owner.execute("INSERT INTO record.utility_log (utility_id) VALUES ($1)", code)
            await owner.execute(PREMISES, code)
        for table, rows in OTHERS.items():
            await owner.execute(f"INSERT INTO {table} {rows} WHERE utility_id = 'alder'")
            await owner.execute(f"INSERT INTO {table} {rows} WHERE utility_id = 'birch'")

    ask(database.owner_dsn, fill)
    return database


def test_a_session_sees_the_utility_that_it_names_and_no_other(two_utilities: Database) -> None:
    async def seen(service: Any) -> dict[str, dict[str, list[str]]]:
        found: dict[str, dict[str, list[str]]] = {}
        for named in ("alder", "birch", "", "nobody", None):
            if named is not None:
                await service.execute("SELECT set_config('nonreturn.utility', $1, false)", named)
            found[str(named)] = {
                table: [
                    row[0]
                    for row in await service.fetch(f"SELECT DISTINCT utility_id FROM record.{table}")  # noqa: S608 - our own
                ]
                for table in tables(two_utilities)
            }
        return found

    found = ask(two_utilities.dsn, seen)
    for named in ("alder", "birch"):
        assert found[named] == {table: [named] for table in tables(two_utilities)}
    assert not any(any(rows.values()) for named, rows in found.items() if named not in ("alder", "birch"))


def test_a_session_that_has_named_none_sees_nothing(two_utilities: Database) -> None:
    async def seen(service: Any) -> int:
        return sum([await service.fetchval(f"SELECT count(*) FROM record.{table}") for table in tables(two_utilities)])  # noqa: S608

    assert ask(two_utilities.dsn, seen) == 0


@pytest.mark.parametrize("sql", [PREMISES, "INSERT INTO record.utility_log (utility_id) VALUES ($1)"])
def test_a_session_cannot_write_for_another_utility(two_utilities: Database, sql: str) -> None:
    async def written(service: Any) -> None:
        await service.execute("SELECT set_config('nonreturn.utility', 'alder', false)")
        with pytest.raises(asyncpg.InsufficientPrivilegeError, match="row-level security"):
            await service.execute(sql, "birch")

    ask(two_utilities.dsn, written)


def test_a_session_changes_nothing_of_another_utility(two_utilities: Database) -> None:
    async def changed(service: Any) -> str:
        await service.execute("SELECT set_config('nonreturn.utility', 'alder', false)")
        return str(await service.execute("UPDATE record.premises SET name = 'mine' WHERE utility_id = 'birch'"))

    assert ask(two_utilities.dsn, changed) == "UPDATE 0"


@pytest.mark.parametrize(
    "table",
    [
        "report",
        "change",
        "log_tile",
        "log_head",
        "fact",
        "fact_tile",
        "fact_head",
        "incident_version",
        "incident_reach",
        "exception",
        "review",
        "hazard_assessment",
        "local_rulebook",
        "contact_change",
        "assembly_correction",
        "import_version",
        "import_thing",
        "import_reports",
        "service_change",
    ],
)
@pytest.mark.parametrize(
    "act", ["UPDATE record.{} SET utility_id = utility_id", "DELETE FROM record.{}", "TRUNCATE record.{} CASCADE"]
)
def test_reports_and_changes_are_append_only_for_their_owner_too(two_utilities: Database, table: str, act: str) -> None:
    before = two_utilities.count(table)
    assert before > 0

    async def acted(owner: Any) -> None:
        with pytest.raises(asyncpg.IntegrityConstraintViolationError, match="append-only"):
            await owner.execute(act.format(table))

    ask(two_utilities.owner_dsn, acted)
    assert two_utilities.count(table) == before


def test_changes_are_numbered_from_one_without_a_gap(two_utilities: Database) -> None:
    rows = two_utilities.owner("SELECT utility_id, sequence FROM record.change ORDER BY utility_id, sequence")
    for code in ("alder", "birch"):
        numbers = [row["sequence"] for row in rows if row["utility_id"] == code]
        assert numbers == list(range(1, len(numbers) + 1))
        [log] = two_utilities.owner("SELECT changes FROM record.utility_log WHERE utility_id = $1", code)
        assert log["changes"] == len(numbers) > 0


def test_every_table_of_the_record_is_exported_or_left_out_for_a_reason(database: Database) -> None:
    tables = {row[0] for row in database.owner("SELECT tablename FROM pg_tables WHERE schemaname = 'record'")}
    assert tables == {owned.table for owned in OWNED} | set(LEFT_OUT), (
        "Add the table to OWNED (or LEFT_OUT) in service/transfer/store.py."
    )
    for owned in OWNED:
        # Rows come in an order that does not hang on where Postgres keeps them: by the whole of a key.
        keys = database.owner(
            "SELECT array_agg(a.attname::text) FROM pg_index i JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = ANY (i.indkey) "
            "WHERE i.indrelid = ('record.' || $1)::regclass AND i.indisunique GROUP BY i.indexrelid",
            owned.table,
        )
        assert {"utility_id", *owned.order.split(", ")} in [set(row[0]) for row in keys]


ROW_COLUMNS = (
    "SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum) FROM pg_attribute "
    "WHERE attrelid = ('record.' || $1)::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = ''"
)


def test_every_table_can_be_spread_by_a_hash_of_the_utility(two_utilities: Database) -> None:
    """Postgres itself is asked: a hash-partitioned table takes no unique constraint without the column that it is spread by.

    PostgreSQL's documentation, "Table Partitioning", limitations of declarative partitioning; a database spread over machines by hash asks the
    same of its keys, since each machine can only look at its own rows.
    """

    async def spread(owner: Any) -> dict[str, tuple[int, int]]:
        names = tables(two_utilities)
        counts = {}
        transaction = owner.transaction()
        await transaction.start()
        await owner.execute("CREATE SCHEMA spread; SET LOCAL session_replication_role = replica")
        for name in names:
            await owner.execute(f"CREATE TABLE spread.{name} (LIKE record.{name} INCLUDING ALL) PARTITION BY HASH (utility_id)")
            for part in range(2):
                await owner.execute(
                    f"CREATE TABLE spread.{name}_{part} PARTITION OF spread.{name} FOR VALUES WITH (MODULUS 2, REMAINDER {part})"
                )
            columns = await owner.fetchval(ROW_COLUMNS, name)
            await owner.execute(f"INSERT INTO spread.{name} ({columns}) SELECT {columns} FROM record.{name}")  # noqa: S608 - our own
            counts[name] = tuple([await owner.fetchval(f"SELECT count(*) FROM {one}.{name}") for one in ("record", "spread")])  # noqa: S608
        for name, key in await owner.fetch(
            "SELECT t.relname, pg_get_constraintdef(c.oid) FROM pg_constraint c JOIN pg_class t ON t.oid = c.conrelid "
            "JOIN pg_namespace s ON s.oid = t.relnamespace WHERE s.nspname = 'record' AND c.contype = 'f'"
        ):
            await owner.execute(f"ALTER TABLE spread.{name} ADD {key.replace('REFERENCES record.', 'REFERENCES spread.')}")
        await transaction.rollback()
        return counts

    counts = ask(two_utilities.owner_dsn, spread)
    assert all(before == after > 0 for before, after in counts.values()), counts


def test_what_is_global_never_refers_to_a_utilitys_own_rows(database: Database) -> None:
    """So the few small tables that say who may do what can be whole on every machine, and a reference from a utility's row always has its target."""
    rows = database.owner(
        "SELECT s.nspname AS of, r.nspname AS to FROM pg_constraint c JOIN pg_class t ON t.oid = c.conrelid JOIN pg_namespace s ON s.oid = t.relnamespace "
        "JOIN pg_class u ON u.oid = c.confrelid JOIN pg_namespace r ON r.oid = u.relnamespace WHERE c.contype = 'f'"
    )
    assert {(row["of"], row["to"]) for row in rows} == {("record", "record"), ("record", GLOBAL), (GLOBAL, GLOBAL)}


@pytest.mark.parametrize("setting", ["fsync", "synchronous_commit", "full_page_writes"])
def test_a_commit_is_on_the_disk(database: Database, setting: str) -> None:
    """A report is answered once it is durable, by the service's own Postgres too."""

    async def shown(service: Any) -> str:
        return str(await service.fetchval("SELECT current_setting($1)", setting))

    assert ask(database.dsn, shown) == "on"


async def test_a_pool_waits_for_the_disk_unless_it_is_reported_that_somebody_will_later(database: Database) -> None:
    for more, expected in (({}, "on"), ({"flushed_later": True}, "off")):
        pool = await Pool.open(database.dsn, size=1, **more)
        async with pool.lend("any") as connection:
            assert await connection.fetchval("SELECT current_setting('synchronous_commit')") == expected
        await pool.close()
