"""The commands that take a utility's record out and bring it in: export and restore."""

import sys
from collections.abc import Callable
from pathlib import Path

from service.commands import database
from service.problems import ProblemError
from service.records import transfer
from service.settings import Settings
from service.store.pool import Pool
from service.store.registry import RegistryStore
from service.store.transfer import TransferStore


async def export(settings: Settings, utility: str, to: Path | None) -> int:
    """Write everything a utility owns to a file, which is there whole or not at all, or to standard output; the exit status."""
    partial = None if to is None else to.with_name(to.name + ".partial")
    with database(settings) as found:
        pool = await Pool.open(found.dsn, size=2)
        file = sys.stdout.buffer if partial is None else partial.open("wb")
        try:
            await RegistryStore(pool).utility(utility)
            async for line in transfer.export(TransferStore(pool), utility):
                file.write(line)
            file.flush()
        finally:
            if partial is not None:
                file.close()
            await pool.close()
    if partial is not None and to is not None:
        partial.replace(to)
    return 0


async def restore(settings: Settings, path: Path) -> int:
    """Write an exported utility into a database that has nothing of it; the number of standings that differ is the exit status, 100 at most."""
    with database(settings) as found, path.open("rb") as file:
        pool = await Pool.open(found.dsn, size=2)
        try:
            told = await transfer.restore(pool, file, tell=progress("lines"))
        finally:
            await pool.close()
    say(f"{told.utility}: " + ", ".join(f"{count} of {table}" for table, count in told.rows.items()) + " restored.")
    if told.differing:
        say(f"{len(told.differing)} standings are not what the reports say; run `nonreturn rebuild {told.utility}`.")
        say("\n".join(map(str, told.differing)))
    return min(len(told.differing), 100)


def say(line: str) -> None:
    """A line for whoever ran the command."""
    sys.stdout.write(line + "\n")


def complain(error: Exception) -> int:
    """What went wrong, in a line or a few rather than by a trace; the exit status."""
    faults = error.faults if isinstance(error, ProblemError) else []
    lines = [f"nonreturn: {error}", *(fault.detail for fault in faults if fault.detail != str(error))]
    sys.stderr.write("\n".join(lines) + "\n")
    return 1


def progress(what: str) -> Callable[[int], None]:
    """Tells on a terminal how many have been dealt with; where errors go to a file, nothing."""

    def tell(count: int) -> None:
        sys.stderr.write(f"\r{count:,} {what} ")
        sys.stderr.flush()

    return tell if sys.stderr.isatty() else lambda _count: None
