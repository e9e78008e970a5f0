"""How `.venv` is made: the lock alone decides what is in it, whatever was interrupted or moved is made again, and trouble is a sentence."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from importlib import metadata
from pathlib import Path
from runpy import run_path

import pytest

from tests.support.wheels import START, TinyRepository, pinned, write_wheel

PIN = re.compile(r"^([a-z0-9._-]+)==(\S+)( ;[^\\]*)?", re.MULTILINE)
MAKING = "Making the environment in .venv (once; a minute or so) …\n"
NEWER = "9999"


def requires(name: str) -> list[str]:
    """What the real package needs; nothing where the lock has it for other machines only."""
    try:
        return metadata.requires(name) or []
    except metadata.PackageNotFoundError:
        return []


@pytest.mark.parametrize("lock", ["requirements.lock", "check.lock"])
def test_a_newer_release_of_every_package_changes_nothing(lock: str, repository: Path, tmp_path: Path) -> None:
    """Each package of the lock is offered at its version and at a newer one, needing what the real one needs."""
    install_arguments = run_path(str(repository / "deploy/environment.py"))["install_arguments"]
    pins = PIN.findall((repository / "deploy" / lock).read_text(encoding="utf-8"))
    assert len(pins) > 40
    wheels = tmp_path / "wheels"
    wheels.mkdir()
    lines = []
    for name, version, marker in pins:
        write_wheel(wheels, name, NEWER, requires(name))
        lines.append(pinned(write_wheel(wheels, name, version, requires(name)), marker))
    offered = tmp_path / lock
    offered.write_text("".join(lines), encoding="utf-8")

    def install(arguments: list[str]) -> subprocess.CompletedProcess[str]:
        asked = ["--dry-run", "--ignore-installed", "--quiet", "--report", "-", "--no-index", "--find-links", wheels.as_uri()]
        # Whatever this machine sets for pip.
        environment = {name: value for name, value in os.environ.items() if not name.startswith("PIP_")}
        return subprocess.run(
            [sys.executable, "-I", "-m", "pip", *arguments, *asked],
            env=environment | {"PIP_CONFIG_FILE": os.devnull},
            capture_output=True,
            text=True,
            check=False,
        )

    done = install(install_arguments(str(offered)))
    assert done.returncode == 0, done.stderr
    installed = {(one["metadata"]["name"], one["metadata"]["version"]) for one in json.loads(done.stdout)["install"]}
    assert installed <= {(name, version) for name, version, _ in pins}
    # What is left out is for other machines.
    assert len(installed) >= sum(not marker for _, _, marker in pins)
    if lock == "check.lock":
        # The wheels are such that it matters: with its resolver pip wants the newer of a package that an extra needs, which has no hash.
        resolved = install([word for word in install_arguments(str(offered)) if word != "--no-deps"])
        assert resolved.returncode != 0
        assert "must have their versions pinned" in resolved.stderr


@pytest.fixture
def tiny(tmp_path: Path, repository: Path) -> TinyRepository:
    return TinyRepository(tmp_path / "my wäter works", repository, python=sys.executable)


def test_a_first_start_makes_the_environment_and_the_next_does_nothing(tiny: TinyRepository) -> None:
    assert tiny.start() == (0, "served\n", MAKING)
    before = (tiny.folder / ".venv/made").stat().st_mtime_ns
    assert tiny.start() == (0, "served\n", "")
    assert (tiny.folder / ".venv/made").stat().st_mtime_ns == before


@pytest.mark.slow
@pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGKILL])
def test_an_interrupted_first_start_recovers(tiny: TinyRepository, by: signal.Signals) -> None:
    process = tiny.begin()
    # In the middle: there is a Python, and the packages are not there yet.
    deadline = time.monotonic() + 60
    while not (tiny.folder / ".venv/bin/python").exists():
        assert time.monotonic() < deadline
        time.sleep(0.01)
    os.killpg(process.pid, by)
    process.communicate(timeout=20)
    assert process.returncode != 0
    assert not (tiny.folder / ".venv/made").exists()
    assert tiny.start() == (0, "served\n", "Rebuilding .venv: it was not finished.\n" + MAKING)


@pytest.mark.slow
def test_a_lost_index_in_the_middle_recovers(tiny: TinyRepository) -> None:
    [wheel] = tiny.wheels.iterdir()
    away = wheel.rename(wheel.parent.parent / wheel.name)
    status, printed, said = tiny.start()
    assert (status, printed) == (1, "")
    assert said.startswith(
        MAKING
        + "nonreturn: cannot install the packages of deploy/requirements.lock: check the network and which package index pip "
        "uses (`pip config list`), then run this again. pip says: ERROR: No matching distribution found for sluice==1.0"
    )
    assert said.count("\n") == 2
    away.rename(wheel)
    assert tiny.start() == (0, "served\n", "Rebuilding .venv: it was not finished.\n" + MAKING)


@pytest.mark.slow
def test_another_package_under_the_same_name_is_refused(tiny: TinyRepository) -> None:
    write_wheel(tiny.wheels, "sluice", "1.0", ["gate"])
    status, _, said = tiny.start()
    assert status == 1
    assert "a package differs from the one in the lock and was refused" in said


@pytest.mark.slow
def test_versions_that_do_not_fit_are_refused_with_what_pip_found(tiny: TinyRepository) -> None:
    tiny.lock(pinned(write_wheel(tiny.wheels, "sluice", "1.0", ["gate>=2"])))
    status, _, said = tiny.start()
    assert status == 1
    assert "pip says: sluice 1.0 requires gate, which is not installed." in said


@pytest.mark.slow
def test_a_clone_that_was_moved_is_made_again(tiny: TinyRepository) -> None:
    assert tiny.start()[0] == 0
    before = tiny.folder.resolve()
    tiny.folder = tiny.folder.rename(tiny.folder.with_name("elsewhere"))
    assert tiny.start() == (0, "served\n", f"Rebuilding .venv: it was made in {before}.\n" + MAKING)


@pytest.mark.slow
def test_an_environment_of_another_python_is_made_again(tiny: TinyRepository) -> None:
    """Another Python is played by the stamp: a machine need not have two."""
    assert tiny.start()[0] == 0
    made = tiny.folder / ".venv/made"
    made.write_text(re.sub("python: .*", "python: 3.10.1 in /gone", made.read_text(encoding="utf-8")), encoding="utf-8")
    assert tiny.start()[2] == "Rebuilding .venv: its Python, 3.10.1 in /gone, is not there any more.\n" + MAKING
    # And one that is broken altogether.
    (tiny.folder / ".venv/bin/python").unlink()
    assert "Rebuilding .venv: its Python, " in tiny.start()[2]


@pytest.mark.slow
def test_an_environment_without_pip_is_made_again(tiny: TinyRepository) -> None:
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", tiny.folder / ".venv"], check=True)
    assert tiny.start() == (0, "served\n", "Rebuilding .venv: it was not finished.\n" + MAKING)


@pytest.mark.slow
def test_a_lock_that_changed_renews_the_environment(tiny: TinyRepository) -> None:
    assert tiny.start()[0] == 0
    tiny.lock(pinned(write_wheel(tiny.wheels, "sluice", "1.1")))
    assert tiny.start() == (0, "served\n", "Rebuilding .venv: the packages that are needed have changed.\n" + MAKING)


@pytest.mark.slow
def test_the_check_adds_to_what_a_demo_runs_from(tiny: TinyRepository) -> None:
    assert tiny.start()[0] == 0
    before = (tiny.folder / ".venv/pyvenv.cfg").stat().st_mtime_ns
    both = [pinned(wheel) for wheel in (*tiny.wheels.iterdir(), write_wheel(tiny.wheels, "gate", "1.0"))]
    (tiny.folder / "deploy/check.lock").write_text("".join(both), encoding="utf-8")
    (tiny.folder / "deploy/start").write_text(START.replace("requirements.lock", "check.lock"), encoding="utf-8")
    # The lock that it was made from is the same still.
    assert tiny.start() == (0, "served\n", "Adding what the tests need to .venv (once; a minute or so) …\n")
    assert (tiny.folder / ".venv/pyvenv.cfg").stat().st_mtime_ns == before
    (tiny.folder / "deploy/start").write_text(START, encoding="utf-8")
    assert tiny.start() == (0, "served\n", "")


@pytest.mark.slow
def test_two_first_starts_at_once_make_one_environment(tiny: TinyRepository) -> None:
    first, second = tiny.begin(), tiny.begin()
    said = [process.communicate(timeout=120) for process in (first, second)]
    assert [printed for printed, _ in said] == ["served\n"] * 2
    assert sorted(complained for _, complained in said) == ["Another start is making .venv; waiting for it …\n", MAKING]


@pytest.mark.slow
def test_a_lock_that_cannot_be_installed_is_not_kept(tiny: TinyRepository, repository: Path) -> None:
    """`uv` is played by a script that writes the lock it finds: what matters is what becomes of it."""
    shutil.copy(repository / "deploy/lock", tiny.folder / "deploy")
    tools = tiny.folder.parent / "tools"
    tools.mkdir()
    (tools / "uv").write_text('#!/bin/sh\nfor last; do :; done\ncp "$NEW_LOCK" "$last"\n', encoding="utf-8")
    (tools / "uv").chmod(0o755)
    new = tiny.folder.parent / "new"
    locks = [tiny.folder / "deploy" / name for name in ("requirements.lock", "check.lock")]
    before = [lock.read_text(encoding="utf-8") for lock in locks]

    def renew(lock: str) -> subprocess.CompletedProcess[str]:
        new.write_text(lock, encoding="utf-8")
        own = {
            "PIP_NO_INDEX": "1",
            "PIP_FIND_LINKS": tiny.wheels.as_uri(),
            "NONRETURN_PYTHON": sys.executable,
            "NEW_LOCK": str(new),
        }
        own["PATH"] = f"{tools}:{os.environ['PATH']}"
        return subprocess.run(
            ["sh", tiny.folder / "deploy/lock"], env=os.environ | own, cwd="/", capture_output=True, text=True, check=False
        )

    # It names one package, and that one needs another.
    done = renew(pinned(write_wheel(tiny.wheels, "sluice", "2.0", ["gate"])))
    assert done.returncode == 1
    assert "sluice 2.0 requires gate, which is not installed." in done.stderr
    assert [lock.read_text(encoding="utf-8") for lock in locks] == before
    done = renew(pinned(write_wheel(tiny.wheels, "sluice", "3.0")))
    assert done.returncode == 0, done.stderr
    assert all("sluice==3.0" in lock.read_text(encoding="utf-8") for lock in locks)


def test_no_python_is_a_sentence(tiny: TinyRepository) -> None:
    tools = tiny.folder.parent / "tools"
    tools.mkdir()
    for name in ("sh", "dirname"):
        (tools / name).symlink_to(shutil.which(name) or name)
    status, printed, said = tiny.start(PATH=str(tools), NONRETURN_PYTHON="")
    assert (status, printed) == (1, "")
    assert said == "nonreturn: Python 3.11 or later is needed; install it, or name it: NONRETURN_PYTHON=/path/to/python3.\n"
    status, printed, said = tiny.start(NONRETURN_PYTHON="/gone/python3")
    assert (status, printed) == (1, "")
    assert said == "nonreturn: NONRETURN_PYTHON=/gone/python3 is not Python 3.11 or later; name another, or unset it.\n"
