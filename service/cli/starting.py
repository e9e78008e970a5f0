"""The address that a command serves at, taken before anything else is started, so that trouble with it is reported at once.

And the demo's own claim on its data: a second one would revoke the keys of the first.
"""

import errno
import fcntl
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from service.trouble import TroubleError

_LARGEST = 65535


def listener(host: str, port: int) -> socket.socket:
    """A socket bound to that address, which the server then listens on; TroubleError where that cannot be."""
    if not 0 <= port <= _LARGEST:
        raise TroubleError(f"There is no port {port}: give one from 1 to {_LARGEST}, or 0 for any free one.")
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    except OSError as error:
        raise TroubleError(f"There is no address {host!r}: give one of this machine's, such as 127.0.0.1.") from error
    found = socket.socket(family, kind, protocol)
    try:
        # A port whose last connections are still closing may be taken again, one that is listened on may not.
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind(address)
    except OSError as error:
        found.close()
        raise TroubleError(_why(error, host, port)) from error
    return found


def _why(error: OSError, host: str, port: int) -> str:
    if error.errno == errno.EADDRINUSE:
        return f"Port {port} of {host} is in use: stop what uses it, or choose another with --port (0: any free one)."
    if error.errno == errno.EACCES:
        return f"Port {port} is kept for the system: choose one from 1024 with --port."
    return f"Nothing can be served at {host} ({error.strerror}): give an address of this machine's, such as 127.0.0.1."


@contextmanager
def only_one(data: Path) -> Iterator[TextIO]:
    """The one demo of that data, as long as it runs: a file to write its address to. TroubleError where another runs already."""
    path = data.with_name(data.name + "-serving")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = path.open("a+", encoding="utf-8")
    except OSError as error:
        raise TroubleError(f"The demo's folder {path.parent} cannot be used ({error}): name another with --data.") from error
    with file:
        try:
            # The lock ends with its process, however that ends.
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            file.seek(0)
            where = file.read() or "and is only just starting"
            raise TroubleError(
                f"A demo runs from {data} already, {where}: use that one, stop it, or give this one a folder of its own with --data."
            ) from None
        file.truncate(0)
        yield file
