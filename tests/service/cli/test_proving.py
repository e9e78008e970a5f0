"""The commands that prove the record: over every utility there ever was, with an exit status that a script can go by."""

import asyncio
import json
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from service.cli import proving
from service.cli.command import main, parser
from service.cli.commands import Database as Owned
from service.cli.demo import prepare
from service.cli.scenario import UTILITY
from service.settings import Settings
from tests.support.databases import fresh_database, in_thread
from tests.support.world import SIGNING_KEYS, Place, World


def run(world: World, act: Any) -> int:
    """The exit status of a command in this world."""
    settings = Settings(dsn=world.database.dsn, admin_dsn=world.database.owner_dsn, signing_keys=SIGNING_KEYS)
    # Whoever waits for a signal to stop gets it in the main thread alone, which this is not.
    status: int = in_thread(lambda: asyncio.run(act(settings)))
    return status


@pytest.fixture(autouse=True)
def _no_signals(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.cli.commands.signal.signal", lambda *_: None)


def alter(place: Place, sql: str, *more: str) -> None:
    """What a superuser can do."""
    owner = place.world.database.owner
    owner("ALTER TABLE record.report DISABLE TRIGGER USER")
    owner(sql, place.code, *more)
    owner("ALTER TABLE record.report ENABLE TRIGGER USER")


def test_every_utility_is_gone_through_also_one_that_nobody_may_act_in_any_more(
    signed_place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    other = signed_place.world.place()
    for place in (signed_place, other):
        place.recorded()
    signed_place.world.database.owner("DELETE FROM access.utility_grant WHERE utility_id = $1", other.code)
    for act in (
        lambda settings: proving.rejudge(settings, None),
        lambda settings: proving.audited(settings, None, [], rejudged=True, standings=True),
    ):
        assert run(signed_place.world, act) == 0
        printed = capsys.readouterr().out
        assert f"{signed_place.code}: 1 reports" in printed
        assert f"{other.code}: 1 reports" in printed


def test_the_demo_s_own_record_audits_clean(postgres: Any, template: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Its two years are filled in at once, by a clock that is set: the reports must arrive in the order of their times all the same."""
    with fresh_database(postgres, template) as database:
        settings = Settings(dsn=database.dsn, admin_dsn=database.owner_dsn, signing_keys=SIGNING_KEYS)
        in_thread(lambda: asyncio.run(prepare(Owned(settings))))
        reports = database.count("report")
        # The seal of the reports is a fact, and so is that of the facts.
        facts = database.count("fact") + 2
        for act in (
            proving.seal(settings, UTILITY),
            proving.audited(settings, None, [], rejudged=True, standings=True),
        ):
            assert in_thread(partial(asyncio.run, act)) == 0
    assert reports > 60
    assert (
        capsys.readouterr().out.splitlines()[-1]
        == f"{UTILITY}: {reports} reports, {facts} facts, 2 heads kept here, 0 kept elsewhere: nothing altered."
    )


def test_a_verdict_that_was_changed_is_counted_and_named_when_judged_again(
    signed_place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    ids = [signed_place.recorded(check=held_at)["report"]["id"] for held_at in (0.6, 0.7, 1.8)]
    alter(
        signed_place,
        "UPDATE record.report SET verdict = replace(verdict, 'fail', 'pass') WHERE utility_id = $1 AND outcome = 'fail'",
    )
    assert run(signed_place.world, lambda settings: proving.rejudge(settings, signed_place.code)) == 2
    printed = capsys.readouterr().out
    assert [one in printed for one in ids] == [True, True, False]
    alter(signed_place, "UPDATE record.report SET judged = replace(judged, 'us-wa', 'gone') WHERE utility_id = $1")
    # What can no longer be judged is counted too, and does not stop the rest.
    assert run(signed_place.world, lambda settings: proving.rejudge(settings, signed_place.code)) == 3


def test_an_old_verdict_is_shown_to_differ_and_is_not_rewritten(signed_place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    # As it was given before suitability was judged: under another rulebook's digest, without the members of today, a weak check `lost`.
    place, old = signed_place, "sha256:" + "0" * 64
    recorded = place.recorded(check=0.6)
    report_id, verdict = recorded["report"]["id"], recorded["verdict"]
    for name in ("suitable", "suitability", "protection_reasons"):
        verdict.pop(name)
    verdict["initial"] = {"outcome": "fail", "protection": "lost"}
    new_digest, verdict["rulebook"]["digest"] = verdict["rulebook"]["digest"], old
    stored = json.dumps(verdict)
    alter(place, "UPDATE record.report SET protection = 'lost', verdict = $2 WHERE utility_id = $1", stored)
    assert run(place.world, lambda settings: proving.rejudge(settings, place.code)) == 1
    printed = capsys.readouterr().out
    assert f"{report_id}: Judged by another rulebook ({old}, now {new_digest}). initial.protection lost → degraded." in printed
    assert "Members that differ: initial, protection_reasons, rulebook, suitability, suitable." in printed
    assert "The stored verdict stays as it is." in printed
    # It is read as it was given, with its own digest; nothing was written.
    assert place.get(f"/reports/{report_id}").json()["verdict"] == verdict
    assert (
        place.world.database.owner("SELECT verdict FROM record.report WHERE utility_id = $1", place.code)[0]["verdict"] == stored
    )
    alter(place, "UPDATE record.report SET verdict = '' WHERE utility_id = $1")
    assert run(place.world, lambda settings: proving.rejudge(settings, place.code)) == 1
    assert "The stored verdict cannot be read." in capsys.readouterr().out


def test_the_audit_says_which_report_and_fails_and_a_sealed_log_is_held_to_its_seal(
    signed_place: Place, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    world, code = signed_place.world, signed_place.code
    report_id = signed_place.recorded(check=0.6)["report"]["id"]
    assert run(world, lambda settings: proving.seal(settings, code)) == 0
    kept = capsys.readouterr().out.split()
    # Of the log of reports, and of that of facts.
    assert len(kept) == 2
    assert run(world, lambda settings: proving.audited(settings, code, kept, rejudged=True, standings=True)) == 0
    facts = world.database.owner("SELECT facts FROM record.utility_log WHERE utility_id = $1", code)[0][0]
    assert capsys.readouterr().out == f"{code}: 1 reports, {facts} facts, 2 heads kept here, 2 kept elsewhere: nothing altered.\n"
    world.database.owner("UPDATE record.standing SET basis = replace(basis, 'failed', 'current') WHERE utility_id = $1", code)
    alter(signed_place, "UPDATE record.report SET verdict = replace(verdict, '0.6', '1.6') WHERE utility_id = $1")
    assert run(world, lambda settings: proving.audited(settings, code, kept, rejudged=True, standings=True)) == 1
    printed = capsys.readouterr().out
    assert f"report {report_id}, log index 0: row changed" in printed
    assert f"report {report_id}: verdict differs" in printed
    assert f"assembly {signed_place.assembly}: standing differs" in printed
    assert "kept head differs" in printed
    # The audit repairs nothing.
    assert run(world, lambda settings: proving.audited(settings, code, [], rejudged=False, standings=True)) == 1


def test_a_log_that_was_altered_is_not_sealed(signed_place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    signed_place.recorded()
    assert run(signed_place.world, lambda settings: proving.seal(settings, signed_place.code)) == 0
    alter(signed_place, "DELETE FROM record.report WHERE utility_id = $1")
    signed_place.recorded()
    assert run(signed_place.world, lambda settings: proving.seal(settings, signed_place.code)) == 1
    assert "missing" in capsys.readouterr().err


def test_the_command_line_takes_what_it_says() -> None:
    options = parser().parse_args(["audit", "--utility", "alder", "--heads", "heads.jsonl", "--rejudge", "--standings"])
    assert (options.utility, options.heads, options.rejudge, options.standings) == ("alder", Path("heads.jsonl"), True, True)
    for name in ("rejudge", "seal", "audit"):
        assert parser().parse_args([name]).utility is None


@pytest.mark.parametrize("keys", ["no-such-file", '{"keys": 1}'])
def test_keys_that_cannot_be_read_are_reported_before_anything_starts(monkeypatch: pytest.MonkeyPatch, keys: str) -> None:
    monkeypatch.setenv("NONRETURN_SIGNING_KEYS", keys)
    monkeypatch.setattr("sys.argv", ["nonreturn", "serve"])
    with pytest.raises(SystemExit, match="A setting cannot be read"):
        main()
