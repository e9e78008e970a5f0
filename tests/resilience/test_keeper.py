"""A Postgres that does not start fails its own test and no other: nothing of its keeper is left open."""

import gc
from pathlib import Path

import pytest

from tests.support.keeper import Kept


def test_a_server_that_does_not_start_leaves_no_pipe_open(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(RuntimeError, match="No Postgres started"):
        Kept(tmp_path / "file" / "data")
    # A pipe that is collected while it is open is a warning, and warnings are errors here.
    gc.collect()
