"""What is installed is what was tested: every package pinned to one version and its files' hashes, and nothing from an unnamed place.

Whether a pinned version has a known weakness only an advisory database knows, which takes a network; DEVELOPERS.md says how to ask one.
"""

import re
from pathlib import Path

import pytest

PINNED = re.compile(r"^([a-z0-9][a-z0-9._-]*)==([^\s;\\]+)", re.MULTILINE)


def entries(text: str) -> list[str]:
    """A requirement with its hashes each."""
    lines = "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("#"))
    return [one for one in re.split(r"\n(?=\S)", lines) if one.strip()]


@pytest.mark.parametrize("name", ["requirements.lock", "check.lock"])
def test_every_package_is_pinned_with_its_hashes_and_no_host(repository: Path, name: str) -> None:
    text = (repository / "deploy" / name).read_text(encoding="utf-8")
    found = entries(text)
    assert len(found) > 20
    for one in found:
        assert PINNED.match(one), one
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", one), one
    assert not re.search(r"https?://|--(extra-)?index-url|--find-links|--trusted-host|git\+|@ file", text)


def test_what_is_checked_is_what_runs(repository: Path) -> None:
    runs, checked = (
        dict(PINNED.findall((repository / "deploy" / name).read_text(encoding="utf-8")))
        for name in ("requirements.lock", "check.lock")
    )
    assert runs.items() <= checked.items()
