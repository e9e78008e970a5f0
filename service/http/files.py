"""A list as a file: every call that answers a page of items also gives all of them, as CSV or NDJSON, streamed a page at a time.

Nothing of it is written by the lists themselves: a file is their pages, one after another. `format` chooses it for programs that set no
headers, such as a spreadsheet's import from an address; it counts before `Accept`.
"""

import types
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from functools import cache
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

import msgspec
from msgspec import UNSET, Meta, Struct, defstruct

from service.http.media_types import CSV, GEOJSON, HTML, JSON, NDJSON

FORMATS: Final = {"json": JSON, "csv": CSV, "ndjson": NDJSON, "geojson": GEOJSON, "html": HTML}
_CHOSEN: Final = "What the answer is; it counts before `Accept`. A file holds the whole list, unless `limit` is sent."
LISTED: Final = (JSON, CSV, NDJSON)
AT_ONCE: Final = 500


class Table(Struct, frozen=True, kw_only=True):
    """How a list's items are written as rows."""

    columns: Sequence[str]
    row: Callable[[Any], Sequence[Any]]


class FormatQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A query of a call that has no other parameters."""


def is_page(shape: Any) -> bool:
    """Whether an answer of that shape is a page of a list."""
    return getattr(shape, "__struct_fields__", ()) == ("items", "next")


@cache
def with_format(query: Any, offered: tuple[str, ...]) -> Any:
    """The shape of a query that may also say which of the offered media types the answer is to be."""
    names = tuple(name for name, kind in FORMATS.items() if kind in offered)
    base = query or FormatQuery
    chosen = Annotated[Literal[names], Meta(description=_CHOSEN)] | None  # type: ignore[valid-type]
    title = query.__name__ if query else "".join(map(str.title, names)) + "Query"
    # A docstring of its own would hide the one in the source, by which the members are described.
    return defstruct(title, [("format", chosen, None)], bases=(base,), frozen=True, kw_only=True, module=base.__module__)


@cache
def table_of(item: Any) -> Table:
    """The members of a shape as columns, those of a struct within it by their path (`location.latitude`), in the contract's order."""
    paths = list(_paths(item, ()))
    return Table(columns=[".".join(path) for path in paths], row=lambda thing: [_cell(thing, path) for path in paths])


def _paths(shape: Any, before: tuple[str, ...]) -> Any:
    for field in msgspec.structs.fields(shape):
        inner = _struct_in(field.type)
        if inner is None:
            yield (*before, field.name)
        else:
            yield from _paths(inner, (*before, field.name))


def _struct_in(kind: Any) -> Any:
    """The one struct that a member's type is, apart from being left out or null; None where it is anything else."""
    if get_origin(kind) is Annotated:
        return _struct_in(get_args(kind)[0])
    if get_origin(kind) in (Union, types.UnionType):
        parts = [part for part in get_args(kind) if part not in (type(None), msgspec.UnsetType)]
        return _struct_in(parts[0]) if len(parts) == 1 else None
    return kind if isinstance(kind, type) and issubclass(kind, Struct) else None


def _cell(thing: Any, path: Sequence[str]) -> Any:
    for name in path:
        if thing is None or thing is UNSET:
            return None
        thing = getattr(thing, name, None)
    return plain_cell(thing)


def plain_cell(value: Any) -> Any:
    """A member's value as a cell: a list of words parted by spaces, anything with parts of its own as JSON."""
    if value is None or value is UNSET:
        return None
    plain = msgspec.to_builtins(value)
    if isinstance(plain, bool):
        return "true" if plain else "false"
    if isinstance(plain, list) and all(isinstance(part, str) for part in plain):
        return " ".join(plain)
    return msgspec.json.encode(plain).decode() if isinstance(plain, list | dict) else plain


async def pages(first: Any, left: int | None, following: Callable[[str, int], Awaitable[Any]]) -> AsyncIterator[list[Any]]:
    """The items of a page and of all that follow it, up to `left` of them; `following` gives the page after a `next` path."""
    page = first
    while True:
        items = page.items if left is None else page.items[:left]
        left = None if left is None else left - len(items)
        if items:
            yield items
        # The change feed always names a next page; an empty one is its end for now.
        if not items or page.next is None or left == 0:
            return
        page = await following(page.next, AT_ONCE if left is None else min(AT_ONCE, left))
