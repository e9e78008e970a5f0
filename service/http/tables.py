"""Lists as files: CSV (RFC 4180), NDJSON and GeoJSON (RFC 7946), streamed a chunk at a time so that memory stays flat.

A spreadsheet takes a cell that begins with `=`, `+`, `-`, `@`, a tab, a carriage return or a line feed for a formula, and some take the
full-width forms of the signs too (OWASP, CSV injection); a text that begins so is written behind an apostrophe. Whoever reads the file by
program and wants the text to the letter asks for NDJSON. Numbers are written as they are.
"""

import csv
import io
from collections.abc import AsyncIterator, Sequence
from typing import Any

import msgspec

from service.http.files import plain_cell

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def cell(value: Any) -> Any:
    """A value as a cell."""
    plain = plain_cell(value)
    if plain is None:
        return ""
    return f"'{plain}" if isinstance(plain, str) and plain.startswith(_FORMULA) else plain


def csv_rows(rows: Sequence[Sequence[Any]]) -> bytes:
    """Rows of cells as lines of CSV."""
    text = io.StringIO(newline="")
    csv.writer(text).writerows([cell(value) for value in row] for row in rows)
    return text.getvalue().encode()


async def as_csv(names: Sequence[str], chunks: AsyncIterator[Sequence[Sequence[Any]]]) -> AsyncIterator[bytes]:
    """A heading of names, then the rows of each chunk."""
    yield csv_rows([names])
    async for rows in chunks:
        yield csv_rows(rows)


async def as_ndjson(chunks: AsyncIterator[Sequence[Any]]) -> AsyncIterator[bytes]:
    """A line of JSON a thing."""
    async for things in chunks:
        yield msgspec.json.Encoder().encode_lines(things)


async def as_geojson(chunks: AsyncIterator[Sequence[dict[str, Any]]]) -> AsyncIterator[bytes]:
    """A FeatureCollection of features."""
    yield b'{"type":"FeatureCollection","features":['
    first = True
    async for features in chunks:
        yield (b"" if first else b",") + b",".join(map(msgspec.json.encode, features))
        first = False
    yield b"]}"
