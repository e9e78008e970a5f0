"""Makes the repository's `.venv` from a lock.

`environment.py make LOCK` makes it, `ready LOCK [PYTHON]` says whether it is made, `try LOCK` whether the lock can be installed at all.

The lock alone decides what is installed: pip gets exact versions with hashes and no resolver, so that a package released tomorrow changes
nothing; `pip check` proves that the versions fit one another. A stamp is written last. It names the lock, the folder and the Python: an
environment that was interrupted, moved, or made by another Python has no stamp that fits, and is deleted and made again.

Runs on any Python 3.11 or later with the standard library alone. Every start waits for `ready`, so what only the others need is imported
there.
"""

import hashlib
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

ROOT = os.path.dirname(os.path.dirname(os.path.realpath(__file__)))
PLACE = os.path.join(ROOT, ".venv")
STAMP = os.path.join(PLACE, "made")
# The check lock has the versions of the runtime lock and more, so that an environment made from it serves both.
LARGEST_LOCK = "deploy/check.lock"
SMALLEST_LOCK = "deploy/requirements.lock"
# What pip writes where an index cannot be reached or does not have a release.
NO_INDEX = ("No matching distribution", "Could not find a version", "Max retries", "Connection", "timed out", "Name or service")


class TroubleError(Exception):
    """What went wrong and what to do, in a sentence."""


def python_name() -> str:
    """The Python that runs this: its version, and where it is installed."""
    return f"{'.'.join(str(part) for part in sys.version_info[:3])} in {os.path.realpath(sys.base_prefix)}"


def checksum(path: str) -> str:
    """SHA-256 of a file of the repository."""
    with open(os.path.join(ROOT, path), "rb") as file:
        return hashlib.sha256(file.read()).hexdigest()


def stamp(lock: str) -> str:
    """The stamp of an environment made here, from that lock, by the Python that runs this."""
    return f"folder: {ROOT}\npython: {python_name()}\nlock: {lock} {checksum(lock)}\nproject: {checksum('pyproject.toml')}\n"


def read_stamp() -> str:
    """The stamp that there is; empty where the environment was never finished."""
    try:
        with open(STAMP, encoding="utf-8") as file:
            return file.read()
    except (OSError, ValueError):
        return ""


def is_ready(lock: str, wanted: str | None) -> bool:
    """Whether the environment, whose Python runs this, is whole; `wanted` is the command of the Python that it has to be made by."""
    commands = (os.path.join(PLACE, "bin", name) for name in ("nonreturn", "pip"))
    if not all(os.access(command, os.X_OK) for command in commands) or read_stamp() not in (stamp(lock), stamp(LARGEST_LOCK)):
        return False
    return wanted is None or output([wanted, "-I", __file__, "python"]) == python_name()


def output(command: list[str]) -> str:
    """What a command prints; empty where it fails or there is none."""
    import subprocess

    try:
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()  # noqa: S603 - our own commands
    except (OSError, subprocess.CalledProcessError):
        return ""


def why_rebuild() -> str:
    """Why an environment that is there cannot be used, in a few words."""
    found = dict(line.split(": ", 1) for line in read_stamp().splitlines() if ": " in line)
    if not found:
        return "it was not finished"
    if found["folder"] != ROOT:
        return f"it was made in {found['folder']}"
    now = output([os.path.join(PLACE, "bin", "python"), "-I", "-S", __file__, "python"])
    if now != found["python"]:
        return f"its Python, {found['python']}, is not there any more"
    if f"{found['lock']}\n" not in stamp(found["lock"].split(" ", maxsplit=1)[0]) or found["project"] not in stamp(LARGEST_LOCK):
        return "the packages that are needed have changed"
    if now != python_name():
        return f"it was made by another Python, {found['python']}"
    return "it lacks a package or a command"


@contextmanager
def only_maker() -> Iterator[None]:
    """Two first starts at once make one environment: the second waits. The lock ends with its process, however that ends."""
    import fcntl

    folder = os.open(ROOT, os.O_RDONLY)
    try:
        try:
            fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            say("Another start is making .venv; waiting for it …")
            fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


def make(lock: str) -> None:
    """Make `.venv`, if no other start has made it by now; TroubleError where that cannot be."""
    wanted = [name] if (name := os.environ.get("NONRETURN_PYTHON")) else []
    python = os.path.join(PLACE, "bin", "python")

    def has(enough: str) -> bool:
        return output([python, "-I", "-S", __file__, "ready", enough, *wanted]) == "ready"

    with only_maker():
        if has(lock):
            return
        if not os.access(ROOT, os.W_OK):
            raise TroubleError(
                f"the folder {ROOT} belongs to someone else, and .venv is not ready in it; use a clone of your own."
            )
        # Postgres runs as a user of its own where root starts it, and has to be able to read its programs.
        os.umask(0o022)
        if has(SMALLEST_LOCK):
            # What is there stays as it is, as a demo may be running from it; the check lock only adds to it.
            say("Adding what the tests need to .venv (once; a minute or so) …")
            install(python, lock)
        else:
            clear()
            say("Making the environment in .venv (once; a minute or so) …")
            make_empty(PLACE)
            install(python, lock)
            pip(python, "install", "--no-build-isolation", "--no-deps", "--editable", ".", purpose="Nonreturn itself")
            # What pip installs it compiles, but not what is in the repository; else every start in a read-only folder would.
            output([python, "-m", "compileall", "-q", *(os.path.join(ROOT, name) for name in ("rules", "service", "migrations"))])
        with open(STAMP + ".partial", "w", encoding="utf-8") as file:
            file.write(stamp(lock))
        os.replace(STAMP + ".partial", STAMP)


def clear() -> None:
    """Delete what there is of `.venv`, and say why."""
    import shutil

    if not os.path.lexists(PLACE):
        return
    say(f"Rebuilding .venv: {why_rebuild()}.")
    try:
        os.unlink(PLACE) if os.path.islink(PLACE) else shutil.rmtree(PLACE)
    except OSError as error:
        raise TroubleError(
            f"cannot delete {error.filename} ({error.strerror}); delete .venv as its owner, then run this again."
        ) from error


def make_empty(place: str) -> None:
    """Make an environment with pip and nothing else."""
    import subprocess

    made = subprocess.run([sys.executable, "-I", "-m", "venv", place], capture_output=True, text=True, check=False)  # noqa: S603
    if made.returncode != 0:
        said = made.stdout + made.stderr
        advice = "install python3-venv, as Debian and its kin call it, then run this again" if "ensurepip" in said else "see why"
        raise TroubleError(f"{sys.executable} cannot make an environment: {advice}. Python says: {last_line(said.splitlines())}")


def install(python: str, lock: str) -> None:
    """Install what the lock names for that Python; TroubleError where that cannot be, or the versions do not fit one another."""
    pip(python, *install_arguments(os.path.join(ROOT, lock)), purpose=f"the packages of {lock}")
    pip(python, "check", purpose=f"{lock}, whose packages do not fit one another")


def install_arguments(lock: str) -> list[str]:
    """What pip is asked to install, whatever else an index offers; `lock` is a path."""
    return ["install", "--no-deps", "--require-hashes", "--requirement", lock]


def pip(python: str, *arguments: str, purpose: str) -> None:
    """Run pip, showing nothing but what went wrong; TroubleError then."""
    import subprocess

    # What this machine sets for all of pip may not change what is installed; where its index is, it has to say.
    own = {"PIP_CONSTRAINT": os.devnull, "PIP_USER": "0", "PIP_DISABLE_PIP_VERSION_CHECK": "1", "PIP_NO_INPUT": "1"}
    lines: list[str] = []
    with subprocess.Popen(  # noqa: S603 - our own command
        [python, "-I", "-m", "pip", *arguments],
        env=os.environ | own,
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
    ) as process:
        assert process.stdout is not None  # noqa: S101 - it was asked for
        for line in process.stdout:
            if "Retrying (Retry(" in line and not any("Retrying (Retry(" in before for before in lines):
                say("The package index does not answer; trying again …")
            lines.append(line)
    if process.returncode == 0:
        return
    text = "".join(lines)
    if arguments[0] == "check":
        raise TroubleError(f"cannot install {purpose}. pip says: {'; '.join(line.strip() for line in lines)}")
    if "DO NOT MATCH THE HASHES" in text:
        advice = (
            "a package differs from the one in the lock and was refused; check which package index pip uses (`pip config list`)"
        )
    elif any(sign in text for sign in NO_INDEX):
        advice = "check the network and which package index pip uses (`pip config list`), then run this again"
    else:
        advice = "see what pip says, then run this again"
    raise TroubleError(f"cannot install {purpose}: {advice}. pip says: {last_line(lines)}")


def last_line(lines: list[str]) -> str:
    """The last error in what a command printed, or else its last line."""
    filled = [line.strip() for line in lines if line.strip() and "[notice]" not in line]
    return next((line for line in reversed(filled) if line.startswith("ERROR")), filled[-1] if filled else "nothing")


def try_lock(lock: str) -> None:
    """Install the lock somewhere else, to see whether it can be; TroubleError where not."""
    import tempfile

    with tempfile.TemporaryDirectory(prefix="nonreturn-lock-") as folder:
        make_empty(folder)
        install(os.path.join(folder, "bin", "python"), lock)


def say(text: str) -> None:
    """A line for whoever waits."""
    print(text, file=sys.stderr, flush=True)


def main(act: str, *arguments: str) -> int:
    """Do what was asked; the exit status."""
    if act == "python":
        print(python_name())
    elif act == "ready":
        if not is_ready(arguments[0], arguments[1] if len(arguments) > 1 else None):
            return 1
        print("ready")
    else:
        try:
            make(arguments[0]) if act == "make" else try_lock(arguments[0])
        except TroubleError as trouble:
            say(f"nonreturn: {trouble}")
            return 1
        except KeyboardInterrupt:
            say("\nStopped before .venv was finished; the next start makes it again.")
            return 130
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
