"""Files that hold keys are for their owner's eyes from their first byte, whatever the umask, and there whole or not at all."""

import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service import signing
from service.cli import demo
from service.private_files import replacing
from service.secrets import kept_in


@pytest.fixture
def careless() -> Iterator[None]:
    """A umask that would let everybody read."""
    before = os.umask(0)
    yield
    os.umask(before)


def ready(path: Path) -> None:
    demo._write(path, {"keys": {"operator": "secret"}})


def signing_key(path: Path) -> None:
    signing.new_key(path)


def master_key(path: Path) -> None:
    kept_in(path)


@pytest.mark.usefixtures("careless")
@pytest.mark.parametrize("write", [ready, signing_key, master_key])
def test_it_is_never_open_to_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, write: Callable[[Path], None]) -> None:
    modes: list[int] = []
    opened = os.open

    def watched(path: str, flags: int, mode: int = 0o777, **more: int) -> int:
        descriptor = opened(path, flags, mode, **more)
        if flags & os.O_CREAT:
            modes.append(stat.S_IMODE(os.fstat(descriptor).st_mode))
        return descriptor

    monkeypatch.setattr(os, "open", watched)
    file = tmp_path / "file"
    write(file)
    # Made with that mode, before anything is in it; `open` and `Path.write_text` make files by other means, which show below.
    assert modes == [0o600]
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert file.stat().st_size > 0
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.usefixtures("careless")
@pytest.mark.parametrize("write", [ready, signing_key])
def test_a_file_that_was_open_to_others_is_not_any_more(tmp_path: Path, write: Callable[[Path], None]) -> None:
    file = tmp_path / "file"
    if write is ready:
        file.write_text("{}")
    else:
        signing.new_key(file)
    file.chmod(0o644)
    write(file)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_nothing_is_left_of_a_file_whose_writing_failed(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("before")

    def fill() -> None:
        with replacing(file) as partial:
            partial.write(b"half")
            raise OSError("full")

    with pytest.raises(OSError, match="full"):
        fill()
    assert [one.name for one in tmp_path.iterdir()] == ["file"]
    assert file.read_text() == "before"
