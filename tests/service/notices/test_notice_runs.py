"""Runs of notices by several at once, cut short anywhere, on many assemblies: each notice once, and nothing left out."""

import asyncio
import datetime as dt
import os
import re
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any
from uuid import UUID

import asyncpg
import pytest

from rules import notices as rule
from service.db.pool import Pool
from service.db.statements import composed
from service.notices.runs import PIECE, NoticeRuns
from service.notices.store import START, NewNotice, NoticeStore, RunRow, _candidates, scans
from service.registry.store import RegistryStore
from tests.support.databases import Database, ask
from tests.support.serving import NOON, SettableClock

TODAY = dt.date(2026, 6, 1)
CODE = "many"
ASSEMBLIES = 1_100
"""More than four pieces of a run."""


def fill(database: Database, code: str, assemblies: int, due_on: dt.date) -> None:
    """A utility of so many assemblies whose tests are all due on that day."""

    async def filled(owner: Any) -> None:
        async with owner.transaction():
            await owner.execute("SET LOCAL session_replication_role = replica")
            await owner.execute("INSERT INTO record.utility VALUES ($1, 1, now(), now(), 'Water', 'us-wa', 'UTC', 30)", code)
            await owner.execute("INSERT INTO record.utility_log (utility_id) VALUES ($1)", code)
            await owner.execute(
                "INSERT INTO record.premises (utility_id, id, version, created_at, changed_at, name, address, connection) "
                "SELECT $1, md5('p' || n)::uuid, 1, now(), now(), 'P' || n, 'A', 'fire' FROM generate_series(1, $2::int) n",
                code,
                assemblies,
            )
            await owner.execute(
                "INSERT INTO record.assembly (utility_id, id, version, created_at, changed_at, premises_id, kind, hazard, purpose, in_service) "
                "SELECT $1, md5('a' || n)::uuid, 1, '2020-01-01', now(), md5('p' || n)::uuid, 'rp', 'health', 'point_of_use', true "
                "FROM generate_series(1, $2::int) n",
                code,
                assemblies,
            )
            await owner.execute(
                "INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis) "
                'SELECT $1, md5(\'a\' || n)::uuid, 1, $3, \'{"status": "current", "protection": "full"}\' FROM generate_series(1, $2::int) n',
                code,
                assemblies,
                due_on,
            )
        await owner.execute("ANALYZE")

    ask(database.owner_dsn, filled)


@pytest.fixture
def many(database: Database) -> Database:
    """The utility, and no notice yet."""
    if not database.owner("SELECT FROM record.utility WHERE utility_id = $1", CODE):
        fill(database, CODE, ASSEMBLIES, TODAY - dt.timedelta(days=5))
    database.owner("DELETE FROM record.notice")
    database.owner("DELETE FROM record.notice_run")
    return database


@asynccontextmanager
async def runs(database: Database, size: int = 4) -> AsyncIterator[NoticeRuns]:
    """The runs as one process has them, with a pool of its own."""
    pool = await Pool.open(database.dsn, size=size)
    try:
        yield NoticeRuns(NoticeStore(pool), RegistryStore(pool), SettableClock())
    finally:
        await pool.close()


def each_once(database: Database, expected: int = ASSEMBLIES, step: str = "overdue_first") -> None:
    """As many notices as assemblies, of one step, none twice; and the runs counted what they prepared."""
    rows = database.owner("SELECT assembly_id, step, state FROM record.notice WHERE utility_id = $1", CODE)
    assert len(rows) == len({row["assembly_id"] for row in rows}) == expected
    assert {(row["step"], row["state"]) for row in rows} == {(step, "prepared")}
    counted = database.owner("SELECT sum((by_step ->> $1)::int) FROM record.notice_run", step)
    assert counted[0][0] == expected


async def _begun(of: NoticeRuns, run_id: UUID) -> None:
    """Wait until a first piece is done."""
    for _ in range(10_000):
        if (await of.read(CODE, run_id)).done > 0:
            return
        await asyncio.sleep(0.001)


async def followed(of: NoticeRuns) -> list[Any]:
    return [result async for result in of.follow(CODE)]


async def test_runs_asked_for_at_once_are_one_run_and_each_notice_is_prepared_once(many: Database) -> None:
    async with runs(many) as one, runs(many) as other, runs(many) as third:
        result = await asyncio.gather(*(followed(of) for of in (one, other, third, one)))
        last = [each[-1] for each in result]
        assert all((run.state, run.done, run.total) == ("finished", ASSEMBLIES, ASSEMBLIES) for run in last[:1])
        # Whoever came after the first had finished has found nothing to do.
        assert sum(run.by_step.get("overdue_first", 0) for run in {run.id: run for run in last}.values()) == ASSEMBLIES
        each_once(many)
        assert (await followed(one))[-1].by_step == {}
    each_once(many)


async def test_how_far_a_run_has_come_can_be_read_while_it_runs_and_only_grows(many: Database) -> None:
    async with runs(many) as one, runs(many) as reader:
        begun = await one.start(CODE)
        seen = []
        while (result := await reader.read(CODE, begun.id)).state == "running":
            seen.append(result)
        assert [run.done for run in seen] == sorted(run.done for run in seen)
        assert any(0 < run.done < ASSEMBLIES and run.total == ASSEMBLIES for run in seen)
        assert (result.state, result.done, result.by_step) == ("finished", ASSEMBLIES, {"overdue_first": ASSEMBLIES})
        assert result.without_addressee == ASSEMBLIES


async def test_a_worker_that_was_given_up_writes_nothing_more(many: Database) -> None:
    """Two that both believe the run to be theirs, as after a process was halted for a while: only one of them goes on."""
    async with runs(many) as one, runs(many) as other:
        utility = await one._registry.utility(CODE)
        run, mine = await one._enter(utility)
        assert mine
        first = one.work(utility, run)
        assert (await anext(first)).done == PIECE
        assert (await other._enter(utility))[1] is False
        many.owner("UPDATE record.notice_run SET beat_at = beat_at - interval '1 minute'")
        assert (await other.read(CODE, run.id)).state == "interrupted"
        again, mine = await other._enter(utility)
        assert (again.id, again.done, mine) == (run.id, PIECE, True)
        second = other.work(utility, again)
        assert (await anext(second)).done == 2 * PIECE
        left, went_on = await asyncio.gather(_rest(first), _rest(second))
        assert left == []
        assert (went_on[-1].done, went_on[-1].total) == (ASSEMBLIES, ASSEMBLIES)
        assert (await one.read(CODE, run.id)).state == "finished"
    each_once(many)


async def _rest(work: AsyncIterator[RunRow]) -> list[RunRow]:
    return [run async for run in work]


async def test_the_database_keeps_a_notice_once_even_without_the_runs_own_care(many: Database) -> None:
    """Pieces written at the same moment by workers of runs that know nothing of each other."""
    async with runs(many, size=12) as of:
        utility = await of._registry.utility(CODE)
        run, _ = await of._enter(utility)
        [scan] = [
            one
            for one in scans(rule.windows(rule.default_steps(), TODAY), TODAY)
            if one.window.step.step == "overdue_first" and one.status == "current"
        ]
        found = await of._store.candidates(CODE, scan, after=START, limit=100)

        async def write() -> set[UUID]:
            new = [
                NewNotice(
                    id=of._clock.new_id(),
                    assembly_id=one.assembly_id,
                    standing_version=one.version,
                    due_on=one.due_on,
                    report_id=None,
                    repair_by=None,
                    scheduled_for=TODAY,
                    subject="s",
                    body="b",
                )
                for one in found
            ]
            async with of._store._pool.lend(CODE) as connection, connection.transaction():
                # Without the lock that makes pieces wait for each other.
                columns = [[getattr(each, name) for each in new] for name in NewNotice.__struct_fields__]
                from service.notices.store import _SQL  # noqa: PLC0415 - only here

                rows = await connection.fetch(_SQL["prepare"], CODE, NOON, run.id, "overdue_first", "due", "customer", *columns)
            return {row["id"] for row in rows}

        kept = await asyncio.gather(*(write() for _ in range(8)))
        assert sum(map(len, kept)) == len(set().union(*kept)) == 100
        await of._store.leave_run(CODE, run)
    with pytest.raises(asyncpg.UniqueViolationError, match="notice_once"):
        many.owner(
            "INSERT INTO record.notice SELECT utility_id, gen_random_uuid(), version, created_at, changed_at, assembly_id, run_id, step, occasion, "
            "addressee, due_on, report_id, repair_by, scheduled_for, state, states, subject, body FROM record.notice LIMIT 1"
        )


async def test_what_was_corrected_after_it_was_read_is_not_prepared(many: Database) -> None:
    async with runs(many) as of:
        utility = await of._registry.utility(CODE)
        run, _ = await of._enter(utility)
        work = of.work(utility, run)
        await anext(work)
        # Read, but not yet written: a test is reported that passed.
        candidates = of._store.candidates

        async def corrected_after(*arguments: Any, **more: Any) -> Any:
            found = await candidates(*arguments, **more)
            if found:
                many.owner(
                    "UPDATE record.standing SET version = version + 1, due_on = '2027-06-01' WHERE assembly_id = $1",
                    found[0].assembly_id,
                )
            return found

        of._store.candidates = corrected_after  # type: ignore[method-assign]
        after = await _rest(work)
        # A standing corrected in each of the four pieces that were left.
        assert after[-1].done == ASSEMBLIES
        assert after[-1].by_step == {"overdue_first": ASSEMBLIES - 4}
    assert many.count("notice") == ASSEMBLIES - 4
    many.owner("UPDATE record.standing SET due_on = $1", TODAY - dt.timedelta(days=5))


async def test_a_service_that_stops_lets_its_run_go_and_the_next_goes_on_at_once(many: Database) -> None:
    async with runs(many) as one:
        begun = await one.start(CODE)
        await _begun(one, begun.id)
        await one.close()
        stopped = await one.read(CODE, begun.id)
    assert (stopped.state, 0 < stopped.done < ASSEMBLIES) == ("interrupted", True)
    assert many.count("notice") == stopped.done
    async with runs(many) as next_one:
        result = await followed(next_one)
    assert result[-1].id == begun.id
    assert (result[-1].done, result[-1].by_step) == (ASSEMBLIES, {"overdue_first": ASSEMBLIES})
    each_once(many)


async def test_a_run_left_undone_yesterday_is_left_to_the_run_of_today(many: Database) -> None:
    async with runs(many) as one:
        begun = await one.start(CODE)
        await _begun(one, begun.id)
        await one.close()
        one._clock.moment += dt.timedelta(days=1)  # type: ignore[attr-defined]
        result = await followed(one)
        assert (await one.read(CODE, begun.id)).state == "abandoned"
        assert (result[-1].on, result[-1].id == begun.id) == (TODAY + dt.timedelta(days=1), False)
    each_once(many)


def command(database: Database, *codes: str) -> subprocess.Popen[str]:
    """`nonreturn notices` as a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "service", "notices", *codes],
        env=os.environ | {"NONRETURN_DSN": database.dsn},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.slow
def test_commands_at_once_and_killed_in_the_middle_leave_each_notice_once(many: Database) -> None:
    # Long overdue by whatever day it is for these processes.
    for kills in range(3):
        process = command(many, CODE)
        assert process.stderr is not None
        for _ in range(kills + 1):
            assert CODE in process.stderr.readline()
        process.kill()
        process.communicate()
    [(state, done)] = many.owner("SELECT state, done FROM record.notice_run")
    assert (state, many.count("notice")) == ("running", done)
    assert 0 < done < ASSEMBLIES
    # Half a minute later.
    many.owner("UPDATE record.notice_run SET beat_at = beat_at - interval '1 minute'")
    both = [command(many, CODE) for _ in range(2)]
    printed = [process.communicate(timeout=60)[1] for process in both]
    assert [process.returncode for process in both] == [0, 0], printed
    # One worked; the other followed it, or came when it was done and found nothing to do.
    assert any(f"finished, {ASSEMBLIES} of {ASSEMBLIES}" in one for one in printed)
    assert all("finished" in one.splitlines()[-1] for one in printed)
    each_once(many, step="overdue_final")


@pytest.mark.slow
def test_many_times_the_assemblies_take_no_more_memory_and_no_more_time_each(database: Database) -> None:
    long_ago = dt.date(2020, 1, 1)
    measured = {}
    for code, assemblies in (("small", 1_000), ("large", 8_000)):
        fill(database, code, assemblies, long_ago)
        script = (
            "import asyncio, resource, sys, time; from service.cli import commands; from service.settings import Settings; import os\n"
            "begun = time.monotonic(); asyncio.run(commands.notices(Settings.from_environment(os.environ), [sys.argv[1]]))\n"
            "print(time.monotonic() - begun, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
        )
        done = subprocess.run(
            [sys.executable, "-c", script, code],
            env=os.environ | {"NONRETURN_DSN": database.dsn},
            capture_output=True,
            text=True,
            check=True,
        )
        seconds, peak_kb = done.stdout.split()
        assert f"finished, {assemblies} of {assemblies}" in done.stderr
        measured[code] = (float(seconds) / assemblies, int(peak_kb))
    assert database.owner("SELECT count(*) FROM record.notice WHERE utility_id = 'large'")[0][0] == 8_000
    assert measured["large"][1] - measured["small"][1] < 8_000, measured
    assert measured["large"][0] < 2 * measured["small"][0], measured


@pytest.fixture
async def stated(many: Database) -> Database:
    """The utility, every notice of today prepared, and nothing counted since."""
    async with runs(many) as of:
        await followed(of)
    return many


def test_candidates_are_found_by_an_index_and_not_in_the_whole_record(stated: Database) -> None:
    """As the service's role is given the plan: row security takes away what might leak, an expression in an index for one."""
    plans = {}

    async def explained(service: Any) -> None:
        await service.execute("SELECT set_config('nonreturn.utility', $1, false)", CODE)
        for scan in scans(rule.windows(rule.default_steps(), TODAY), TODAY):
            after = {"after_due": TODAY, "after": UUID(int=1), "limit": PIECE}
            sql, arguments = _candidates(CODE, scan, ["candidates"], "candidates_after", **after)
            plans[scan.window.step.step, scan.status] = "\n".join(
                row[0] for row in await service.fetch(f"EXPLAIN {sql}", *arguments)
            )

    ask(stated.dsn, explained)
    assert len(plans) == 11
    for (_, status), plan in plans.items():
        # The failed are few, those without protection fewer, and this record holds no report to fail by.
        if status == "failed":
            assert re.search(r"Index Scan using standing_\w+ on standing s", plan), plan
        else:
            condition = re.search(r"standing_by_due_day on standing s .*\n\s+Index Cond: (.*)", plan)
            assert condition is not None, plan
            assert "status" in condition[1], plan
            assert "due_on <= " in condition[1], plan
            assert "ROW(due_on, assembly_id)" in condition[1], plan
            assert "Sort" not in plan, plan
        assert re.search(r"Index Scan using notice_\w+ on notice n .*\n\s+Index Cond: .*\(assembly_id = s.assembly_id\)", plan), (
            plan
        )


def test_what_is_to_be_sent_is_listed_from_its_index(stated: Database) -> None:
    # As after a while: most have been sent, and Postgres has counted.
    stated.owner("UPDATE record.notice SET state = 'sent' WHERE id NOT IN (SELECT id FROM record.notice ORDER BY id LIMIT 400)")
    stated.owner("ANALYZE record.notice")

    async def explained(service: Any) -> str:
        await service.execute("SELECT set_config('nonreturn.utility', $1, false)", CODE)
        values = {"utility": CODE, "state": "prepared", "after": UUID(int=1), "limit": 101}
        sql, arguments = composed("service.notices.store", ["notices", "of_state", "after", "by_id"], values)
        return "\n".join(row[0] for row in await service.fetch(f"EXPLAIN {sql}", *arguments))

    plan = ask(stated.dsn, explained)
    assert "notice_to_send" in plan, plan
    assert "Sort" not in plan, plan
