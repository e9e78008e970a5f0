"""What waits to be sent, in order: a little in memory, the rest in a temporary file.

A caller that sends everything before it reads anything would otherwise stand still together with us, each waiting for the other.
"""

import asyncio
import tempfile
from collections import deque
from typing import IO

from service.auth.rates import Shares

IN_MEMORY = 256 * 1024
MOST = 1024 * 1024 * 1024
"""Beyond this much on disk for one key, in bytes, whoever puts waits for the caller to read; as where the disk takes no more."""
MOST_IN_ALL = 4 * MOST
"""And beyond this much for all keys of this process."""
PIECE = 64 * 1024


class Spool:
    """A queue of bytes for one writer and one reader; whole pieces come out as they went in, or run together."""

    def __init__(self, disk: Shares | None = None, owner: object = None) -> None:
        self._disk = disk or Shares(most=MOST_IN_ALL, most_of_caller=MOST)
        self._owner = owner
        self._memory: deque[bytes] = deque()
        self._size = 0
        self._file: IO[bytes] | None = None
        self._read = self._written = 0
        self._ended = self._closed = False
        self._changed = asyncio.Event()
        self._room = asyncio.Event()
        self._room.set()

    async def put(self, piece: bytes) -> None:
        """Add a piece; nothing is kept once the reader is gone."""
        while True:
            await self._room.wait()
            if self._closed:
                return
            if self._read == self._written and self._size < IN_MEMORY:
                self._memory.append(piece)
                self._size += len(piece)
                break
            if self._kept(piece):
                break
            self._room.clear()
        self._changed.set()

    def _kept(self, piece: bytes) -> bool:
        """Whether the file took the piece: not beyond the bound, nor where the disk is full or there is none."""
        if self._disk.full(self._owner):
            return False
        try:
            if self._file is None:
                # Without a buffer, so that what is not written is known now and not at some later step.
                self._file = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115 - closed by `close`
            self._file.seek(self._written)
            whole = self._file.write(piece) == len(piece)
        except OSError:
            return False
        # What was written of a piece that did not go in whole is written over by the next one.
        if whole:
            self._written += len(piece)
            self._disk.take(self._owner, len(piece))
        return whole

    def end(self) -> None:
        """Say that nothing more comes."""
        self._ended = True
        self._changed.set()

    async def get(self) -> bytes:
        """The next bytes; none once all is read and nothing more comes."""
        while True:
            if self._memory:
                whole = b"".join(self._memory)
                self._memory.clear()
                self._size = 0
                self._room.set()
                return whole
            if self._file is not None and self._read < self._written:
                return self._from_file(self._file)
            if self._ended:
                return b""
            self._changed.clear()
            await self._changed.wait()

    def _from_file(self, file: IO[bytes]) -> bytes:
        file.seek(self._read)
        piece = file.read(min(PIECE, self._written - self._read))
        self._read += len(piece)
        if self._read == self._written:
            self._emptied()
            file.truncate(0)
        self._room.set()
        return piece

    def _emptied(self) -> None:
        self._disk.take(self._owner, -self._written)
        self._read = self._written = 0

    def close(self) -> None:
        """Drop what is left and what still comes."""
        self._closed = True
        self._emptied()
        self._room.set()
        if self._file is not None:
            self._file.close()
