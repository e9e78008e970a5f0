"""What a long run writes down, so that its figures can be quoted: what was run, from which seed, on which commit."""

import json
import subprocess
from functools import cache
from pathlib import Path
from typing import Any


@cache
def commit() -> str:
    """The commit that runs, with a `+` where files were changed since; `unknown` where there is no repository.

    It is asked for when a run begins: what is checked out later is not what ran.
    """

    def git(*arguments: str) -> str | None:
        done = subprocess.run(["git", "-C", str(Path(__file__).parent), *arguments], capture_output=True, text=True, check=False)
        return done.stdout.strip() if done.returncode == 0 else None

    named = git("rev-parse", "--short=12", "HEAD")
    return "unknown" if named is None else named + ("+" if git("status", "--porcelain") else "")


def keep(file: Path, **result: Any) -> None:
    """Write down what was run, in that file, and say where."""
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(json.dumps({"commit": commit(), **result}, indent=2) + "\n", encoding="utf-8")
    print(f"Written down in {file}.")
