"""Tiny wheels and repositories for the tests of how the environment is made; no test reaches a package index for them."""

import hashlib
import os
import shutil
import subprocess
import zipfile
from collections.abc import Iterable
from pathlib import Path

# A package that builds itself, and a command: what is installed in place where the real repository has Nonreturn.
PROJECT = """\
[build-system]
requires = []
build-backend = "backend"
backend-path = ["."]
[project]
name = "nonreturn"
version = "0.1"
[project.scripts]
nonreturn = "tiny:main"
"""
BACKEND = """\
import sys
from pathlib import Path
sys.path.insert(0, "")
from wheels import write_wheel
def build_editable(wheel_directory, config_settings=None, metadata_directory=None):
    scripts = {"entry_points.txt": "[console_scripts]\\nnonreturn = tiny:main\\n"}
    return write_wheel(Path(wheel_directory), "nonreturn", "0.1", more=scripts, modules={"tiny.py": "def main():\\n    print('served')\\n"}).name
"""
START = """\
set -eu
cd "$(dirname "$0")/.."
. deploy/environment.sh
make_environment deploy/requirements.lock
exec .venv/bin/nonreturn
"""


def write_wheel(
    folder: Path,
    name: str,
    version: str,
    requires: Iterable[str] = (),
    *,
    more: dict[str, str] | None = None,
    modules: dict[str, str] | None = None,
) -> Path:
    """A wheel with nothing in it but its metadata, and what the last two arguments add; its path."""
    plain = name.replace("-", "_").replace(".", "_")
    info = f"{plain}-{version}.dist-info"
    lines = ["Metadata-Version: 2.1", f"Name: {name}", f"Version: {version}", *(f"Requires-Dist: {line}" for line in requires)]
    files = {
        f"{info}/METADATA": "\n".join(lines) + "\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: tests\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        **{f"{info}/{path}": text for path, text in (more or {}).items()},
        **(modules or {}),
    }
    files[f"{info}/RECORD"] = "".join(f"{path},,\n" for path in [*files, f"{info}/RECORD"])
    wheel = folder / f"{plain}-{version}-py3-none-any.whl"
    with zipfile.ZipFile(wheel, "w") as archive:
        for path, text in files.items():
            archive.writestr(path, text)
    return wheel


def pinned(wheel: Path, marker: str = "") -> str:
    """The line of a lock for that wheel."""
    name, version = wheel.name.split("-")[:2]
    return f"{name}=={version}{marker} --hash=sha256:{hashlib.sha256(wheel.read_bytes()).hexdigest()}\n"


class TinyRepository:
    """A repository with the real way of making an environment, and a lock of one tiny package."""

    def __init__(self, folder: Path, real: Path, *, python: str) -> None:
        self.folder, self.python = folder, python
        self.wheels = folder.parent / "wheels"
        for made in (folder / "deploy", self.wheels, *(folder / name for name in ("rules", "service", "migrations"))):
            made.mkdir(parents=True, exist_ok=True)
        for name in ("environment.sh", "environment.py"):
            shutil.copy(real / "deploy" / name, folder / "deploy")
        shutil.copy(__file__, folder)
        (folder / "deploy/start").write_text(START, encoding="utf-8")
        (folder / "pyproject.toml").write_text(PROJECT, encoding="utf-8")
        (folder / "backend.py").write_text(BACKEND, encoding="utf-8")
        self.lock(pinned(write_wheel(self.wheels, "sluice", "1.0")))

    def lock(self, text: str) -> None:
        """Write both locks."""
        for name in ("requirements.lock", "check.lock"):
            (self.folder / "deploy" / name).write_text(text, encoding="utf-8")

    def begin(self, **environment: str) -> subprocess.Popen[str]:
        """A start, begun, in a process group of its own as in a terminal."""
        own = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": self.wheels.as_uri(), "NONRETURN_PYTHON": self.python}
        return subprocess.Popen(
            ["sh", self.folder / "deploy/start"],
            env=os.environ | own | environment,
            cwd="/",
            start_new_session=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def start(self, **environment: str) -> tuple[int, str, str]:
        """A start, to its end: its status, what it printed, and what it said on standard error."""
        process = self.begin(**environment)
        printed, said = process.communicate(timeout=120)
        return process.returncode, printed, said
