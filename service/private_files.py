"""Files that hold keys or people's data: for their owner's eyes alone from their first byte, and there whole or not at all."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO


@contextmanager
def replacing(path: Path) -> Iterator[IO[bytes]]:
    """A file to write, which takes the place of `path` at the end; nothing is left of it where the writing fails.

    Its mode is 600 whatever the umask says, and whatever the file before it had. OSError where it cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    descriptor, partial = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(descriptor, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        Path(partial).replace(path)
    except BaseException:
        Path(partial).unlink(missing_ok=True)
        raise
