"""The data files of the package (`rules/data`), read as checked frozen structs."""

from importlib import resources
from typing import TypeVar

import msgspec

T = TypeVar("T")


def read(name: str, shape: type[T]) -> T:
    """The data file of that name as `shape`; msgspec.ValidationError where the data are not of that shape."""
    return msgspec.toml.decode((resources.files("rules") / "data" / name).read_bytes(), type=shape)
