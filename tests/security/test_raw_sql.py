"""Raw SQL as the service's own role, by somebody who has taken a process over: what it still cannot do.

Each line is a statement of an attacker; the first list the database refuses, the second changes nothing that anybody relies on.
"""

# ruff: noqa: S608 - putting SQL together is what is tried here
import asyncio
from collections.abc import Callable
from typing import Any

import asyncpg
import pytest

from service.db.pool import COMPANY_ROLE, Pool
from tests.support.databases import in_thread
from tests.support.world import Place, bearer

HASH = "sha256('x')"
REFUSED = {
    "un-revoke a key": "UPDATE access.key SET revoked_at = NULL WHERE revoked_at IS NOT NULL",
    "put a revocation off": "UPDATE access.key SET revoked_at = 'infinity' WHERE revoked_at IS NOT NULL",
    "delete a revoked key to make it again": "DELETE FROM access.key",
    "give a key another secret": f"UPDATE access.key SET secret_hash = {HASH}",
    "give a key more rights": "UPDATE access.key SET rights = '{administer}'",
    "let a key not expire": "UPDATE access.key SET expires_at = NULL",
    "make an operator": "INSERT INTO access.organisation VALUES (gen_random_uuid(), 'operator', 'O', now())",
    "become an operator": "UPDATE access.organisation SET kind = 'operator'",
    "make a key of an operator's": "INSERT INTO access.key (key_id, organisation_id, label, secret_hash, rights, created_at) SELECT gen_random_uuid(), "
    f"organisation_id, 'k', {HASH}, '{{administer}}', now() FROM access.organisation WHERE kind = 'operator'",
    "make a key of nobody's": "INSERT INTO access.key (key_id, organisation_id, label, secret_hash, rights, created_at) "
    f"VALUES (gen_random_uuid(), gen_random_uuid(), 'k', {HASH}, '{{administer}}', now())",
    "keep a head of more reports than there are": f"INSERT INTO record.log_head VALUES ($1, 1000000, {HASH}, now(), '', 'x')",
    "keep a head of another root": f"INSERT INTO record.log_head VALUES ($1, 1, {HASH}, now(), (SELECT leaf_hash FROM record.report WHERE log_index = 0), 'x')",
    "keep a head of another tail": f"INSERT INTO record.log_head VALUES ($1, 1, (SELECT leaf_hash FROM record.report WHERE log_index = 0), now(), {HASH}, 'x')",
    "keep a head of no log": f"INSERT INTO record.log_head VALUES ($1, -1, {HASH}, now(), '', 'x')",
    "keep a head of an empty log": f"INSERT INTO record.log_head VALUES ($1, 0, {HASH}, now(), '', 'x')",
    "keep a tile far ahead": f"INSERT INTO record.log_tile VALUES ($1, 0, 1000000, decode(repeat('00', 8192), 'hex'), {HASH})",
    "keep the next tile": f"INSERT INTO record.log_tile VALUES ($1, 0, 0, decode(repeat('00', 8192), 'hex'), {HASH})",
    "keep a tile of tiles": f"INSERT INTO record.log_tile VALUES ($1, 1, 0, decode(repeat('00', 8192), 'hex'), {HASH})",
    "keep a report without its leaf": "INSERT INTO record.report (utility_id, id, log_index, assembly_id, tester_id, gauge_id, performed_at, performed_on, "
    "received_at, reason, organisation_id, key_id, content_hash, content, judged, verdict, outcome, protection, acceptance, rulebook, rulebook_digest) "
    "SELECT utility_id, gen_random_uuid(), 999, assembly_id, tester_id, gauge_id, performed_at, performed_on, received_at, reason, organisation_id, key_id, "
    "content_hash, content, judged, verdict, outcome, protection, acceptance, rulebook, rulebook_digest FROM record.report LIMIT 1",
    "keep a report further on": "INSERT INTO record.report (utility_id, id, log_index, assembly_id, tester_id, gauge_id, performed_at, performed_on, "
    "received_at, reason, organisation_id, key_id, content_hash, content, judged, verdict, outcome, protection, acceptance, rulebook, rulebook_digest, leaf_hash) "
    "SELECT utility_id, gen_random_uuid(), log_index + 2, assembly_id, tester_id, gauge_id, performed_at, performed_on, received_at, reason, organisation_id, key_id, "
    "content_hash, content, judged, verdict, outcome, protection, acceptance, rulebook, rulebook_digest, leaf_hash FROM record.report ORDER BY log_index DESC LIMIT 1",
    "raise the log's count of reports": "UPDATE record.utility_log SET reports = reports + 1",
    "lower the log's count of reports": "UPDATE record.utility_log SET reports = 0",
    "move the feed on": "UPDATE record.utility_log SET changes = changes + 1000000",
    "begin another's log far ahead": "INSERT INTO record.utility_log VALUES ($1, 5, 5) ON CONFLICT DO NOTHING",
    "give the log to another utility": "UPDATE record.utility_log SET utility_id = 'elsewhere'",
    "take the feed's next number": "INSERT INTO record.change SELECT utility_id, changes + 1, 'reports', 'x', 1, now() FROM record.utility_log",
    "count by a trigger on a table of one's own": "CREATE TEMP TABLE report (utility_id text, id uuid, log_index bigint); CREATE TRIGGER mine AFTER INSERT ON report "
    "REFERENCING NEW TABLE AS written FOR EACH STATEMENT EXECUTE FUNCTION record.note_changes('reports'); INSERT INTO report VALUES ($1, gen_random_uuid(), 1)",
    "change the log's rows by a function of one's own": "CREATE FUNCTION pg_temp.mine() RETURNS bigint LANGUAGE sql SECURITY DEFINER AS "
    "'UPDATE record.utility_log SET reports = 9 RETURNING reports'; SELECT pg_temp.mine()",
    "change a report": "UPDATE record.report SET outcome = 'pass'",
    "delete a report": "DELETE FROM record.report",
    "change the feed": "UPDATE record.change SET resource = 'x'",
    "empty the feed": "TRUNCATE record.change",
    "change a decision": "UPDATE record.review SET decision = 'accepted'",
    "delete a standing": "DELETE FROM record.standing",
    "delete a utility": "DELETE FROM record.utility",
    "turn the triggers off": "SET session_replication_role = replica",
    "turn one trigger off": "ALTER TABLE record.report DISABLE TRIGGER append_only",
    "drop a policy": "DROP POLICY own_utility ON record.report",
    "turn row security off": "ALTER TABLE record.report DISABLE ROW LEVEL SECURITY",
    "ask past row security": "SET row_security = off; SELECT * FROM record.report",
    "become the owner": "SET ROLE postgres",
    "take a role": "GRANT pg_read_all_data TO nonreturn_service",
    "make a role": "CREATE ROLE mine SUPERUSER",
    "read a file of the server": "SELECT pg_read_file('/etc/passwd')",
    "run a program": "COPY record.report TO PROGRAM 'true'",
    "load a library": "LOAD '/tmp/x.so'",
    "read passwords": "SELECT * FROM pg_authid",
    "replace a function": "CREATE OR REPLACE FUNCTION record.refuse_change() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NEW; END'",
    "put a table in the schema": "CREATE TABLE record.mine (x integer)",
}


@pytest.fixture
def reported(signed_place: Place) -> Place:
    """A utility with one report and a revoked key."""
    signed_place.recorded()
    keys = f"/v1/organisations/{signed_place.organisations['utility']}/keys"
    made = signed_place.world.made(keys, label="revoked")
    signed_place.world.operator.delete(f"{keys}/{made['id']}").raise_for_status()
    signed_place.keys["revoked"] = made["key"]
    return signed_place


def as_service(place: Place, act: Callable[[Any], Any], *, role: str | None = None) -> Any:
    """What `act` returns on a connection that sees the place's utility, as the service's role or as a testing company."""

    async def run() -> Any:
        pool = await Pool.open(place.world.database.dsn, size=1)
        try:
            async with pool.lend(place.code) as connection:
                if role is not None:
                    organisation = place.organisations["testing_company"]
                    await connection.execute(
                        "SELECT set_config('nonreturn.organisation', $1, false), set_config('role', $2, false)",
                        organisation,
                        role,
                    )
                return await act(connection)
        finally:
            await pool.close()

    return in_thread(lambda: asyncio.run(run()))


def executed(place: Place, sql: str, role: str | None = None) -> None:
    """Run an attacker's statement; `$1` in it is the utility."""
    as_service(place, lambda connection: connection.execute(sql.replace("$1", f"'{place.code}'")), role=role)


@pytest.mark.parametrize("attack", REFUSED)
def test_the_database_refuses_it_to_the_service(reported: Place, attack: str) -> None:
    with pytest.raises(asyncpg.PostgresError):
        executed(reported, REFUSED[attack])
    assert holds(reported)


@pytest.mark.parametrize("attack", REFUSED)
def test_the_database_refuses_it_to_who_reads_as_a_testing_company(reported: Place, attack: str) -> None:
    with pytest.raises(asyncpg.PostgresError):
        executed(reported, REFUSED[attack], role=COMPANY_ROLE)


def holds(place: Place) -> bool:
    """Whether the log goes on, the revoked key stays so, and there is one operator."""
    world = place.world
    place.recorded()
    head = place.get("/log/head")
    assert head.status_code == 200, head.text
    assert world.client.get(place.base, headers=bearer(place.keys["revoked"])).status_code == 401
    [row] = world.database.owner("SELECT count(*) FROM access.organisation WHERE kind = 'operator'")
    return bool(row[0] == 1)


def test_a_head_that_nobody_signed_does_not_stop_the_log(reported: Place) -> None:
    leaf = "(SELECT leaf_hash FROM record.report WHERE log_index = 0)"
    executed(reported, f"INSERT INTO record.log_head VALUES ($1, 1, {leaf}, now(), {leaf}, 'no signature')")
    head = reported.get("/log/head")
    assert head.status_code == 200
    # The answer is signed all the same, and the log goes on.
    assert head.json()["head"].count(".") == 2
    assert holds(reported)


def test_holding_the_log_counts_nothing(reported: Place) -> None:
    counts = "SELECT reports, changes FROM record.utility_log WHERE utility_id = $1"
    before = reported.world.database.owner(counts, reported.code)
    executed(reported, "SELECT record.hold_log($1, 1000000, NULL, '{}', '{}')")
    executed(reported, "UPDATE record.utility_log SET utility_id = utility_id")
    assert reported.world.database.owner(counts, reported.code) == before
    assert holds(reported)


READS = {
    "another utility's reports": "SELECT * FROM record.report WHERE utility_id <> $1",
    "another utility's premises": "SELECT * FROM record.premises WHERE utility_id <> $1",
    "every table, others' rows": "SELECT * FROM record.change WHERE utility_id <> $1",
    "others' heads": "SELECT * FROM record.log_head WHERE utility_id <> $1",
    "others by a leaky function": "SELECT * FROM record.report WHERE (CASE WHEN utility_id <> $1 THEN 1 / (length(utility_id) - length(utility_id)) ELSE 0 END) = 1",
}


@pytest.mark.parametrize("attack", READS)
def test_it_reads_nothing_of_a_utility_that_it_has_not_named(reported: Place, attack: str) -> None:
    other = reported.world.place()
    other.recorded()
    sql = READS[attack].replace("$1", f"'{reported.code}'")
    assert as_service(reported, lambda connection: connection.fetch(sql)) == []


COMPANY_READS = [
    "SELECT * FROM access.key",
    "SELECT * FROM access.organisation",
    "SELECT * FROM access.utility_grant",
    "SELECT contact FROM record.premises",
    "SELECT * FROM record.incident",
    "SELECT * FROM record.exception",
    "SELECT * FROM record.notice",
    "SELECT * FROM record.screening",
    "SELECT * FROM record.webhook",
    "SELECT rests_on FROM record.standing",
    "SELECT * FROM record.hazard_assessment",
    "SELECT * FROM record.log_head",
    "SELECT * FROM record.report_request",
]


@pytest.mark.parametrize("sql", COMPANY_READS)
def test_who_reads_as_a_testing_company_reads_none_of_that(reported: Place, sql: str) -> None:
    with pytest.raises(asyncpg.InsufficientPrivilegeError):
        executed(reported, sql, role=COMPANY_ROLE)
