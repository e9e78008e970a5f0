"""`nonreturn load`: several files in one run, a dry run unless stated, every problem on standard error."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.world import Place, World

pytestmark = pytest.mark.slow

PREMISES = "Acct;Name;Address;Connection\nC-1;A;1 Lane;irrigation\n"
TESTS = (
    "Serial,Acct,Kind,Hazard,Purpose,Size,Test date,Reason,Tester cert,Gauge,CV (psi),AI (psi),AI opened fully\n"
    "A-1,C-1,PVB,low,isolation,1 in,03/04/2026,annual,T-1,G-1,1.8,1.4,Y\n"
)


def run(world: World, *arguments: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"NONRETURN_DSN": world.database.dsn}
    return subprocess.run(
        [sys.executable, "-m", "service", "load", *arguments],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def test_files_are_loaded_as_one_and_only_when_asked_to(place: Place, world: World, tmp_path: Path) -> None:
    (tmp_path / "premises.csv").write_text(PREMISES, encoding="utf-8")
    (tmp_path / "tests.csv").write_text(TESTS, encoding="utf-8")
    files = [str(tmp_path / "tests.csv"), str(tmp_path / "premises.csv"), "--utility", place.code]
    before = world.database.count("change")
    bad = run(world, *files)
    assert bad.returncode == 1
    assert "tests.csv, row 2, column G `Test date` (`03/04/2026`): Which part is the month is unclear" in bad.stderr
    # Standard error goes to a pipe here, so no progress is drawn on it.
    assert "\r" not in bad.stderr
    listed = [*files, "--dates", "mdy", "--default", "test.time=09:00"]
    dry = run(world, *listed)
    assert (dry.returncode, dry.stderr, world.database.count("change")) == (0, "", before), dry.stderr
    assert "reports: 1 new, 0 changed, 0 the same, 0 bad" in dry.stdout
    done = run(world, *listed, "--write")
    assert (done.returncode, done.stderr) == (0, "")
    [line] = place.get("/reports").json()["items"]
    assert line["performed_at"] == "2026-03-04T17:00:00Z"
    kept = world.database.count("change")
    assert "reports: 0 new, 0 changed, 1 the same, 0 bad" in run(world, *listed, "--write").stdout
    assert world.database.count("change") == kept


def test_what_cannot_be_done_is_said_in_a_line(place: Place, world: World, tmp_path: Path) -> None:
    for arguments, says in (
        ([str(tmp_path / "nothing.csv"), "--utility", place.code], "No such file"),
        ([str(Path(__file__)), "--utility", "nobody"], "No utility"),
        ([str(Path(__file__)), "--utility", place.code, "--column", "A=premises.colour"], "premises.name"),
    ):
        result = run(world, *arguments)
        assert (result.returncode, says in result.stderr, "Traceback" in result.stderr) == (1, True, False), result.stderr
