"""Secrets of the service itself: read from a file or the environment, never kept in the database, never shown.

A secret prints as `<secret>`, so that settings may be shown.
"""

import os
import secrets
from collections.abc import Mapping
from pathlib import Path

LEAST_BYTES = 32


class Secret(bytes):
    """Bytes that are not shown."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "<secret>"

    __str__ = __repr__


def from_environment(environment: Mapping[str, str], name: str) -> Secret | None:
    """The secret in the file that `<name>_FILE` names, or in `<name>` itself; ValueError where it cannot serve."""
    if path := environment.get(f"{name}_FILE"):
        try:
            return checked(Path(path).read_bytes(), f"{name}_FILE")
        except OSError as error:
            raise ValueError(f"{name}_FILE cannot be read: {error.strerror}") from error
    text = environment.get(name)
    return checked(text.encode(), name) if text else None


def checked(value: bytes, name: str) -> Secret:
    """The secret without the line's end; ValueError where it is too short to be one."""
    value = value.strip()
    if len(value) < LEAST_BYTES:
        raise ValueError(f"{name} holds {len(value)} bytes; give at least {LEAST_BYTES} random ones")
    return Secret(value)


def kept_in(path: Path) -> Secret:
    """The secret in that file, which is made, readable by its owner alone, where there is none."""
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return checked(path.read_bytes(), str(path))
    with os.fdopen(descriptor, "w", encoding="ascii") as file:
        file.write(secrets.token_urlsafe(LEAST_BYTES) + "\n")
    return checked(path.read_bytes(), str(path))
