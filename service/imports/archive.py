"""A workbook's archive, looked at before it is opened: what it would unpack to, and how many elements its XML would become.

Fifty kilobytes may be packed so that reading them takes hundreds of megabytes: a million empty elements are a few bytes each in the file
and
hundreds of bytes each in memory. So every part is unpacked once as a stream, which keeps nothing, and its elements and attributes are
counted. Between two rows of a sheet, and in every part that is read whole, only so many may stand. Styles, which say no more of a value
than
whether it is a date, are left out where they are too large: a date then shows as a number, and the import says so.
"""

import re
import zipfile
from typing import IO, Any, Final

from service.imports.texts import FileFaultError

MOST_MEMBERS: Final = 2_000
MOST_UNPACKED: Final = 2 * 1024**3
MOST_PART: Final = 96 * 1024**2
"""A part of a workbook that is read whole (all but the worksheets), unpacked, in bytes."""
MOST_TIMES: Final = 250
"""How many times larger a workbook may be unpacked than packed."""
MOST_STYLES: Final = 4 * 1024**2
MOST_IN_A_ROW: Final = 100_000
"""So many elements and attributes between two rows, and in each part that is neither a worksheet nor the table of texts."""
TEXTS_FOR_A_BYTE: Final = 3
"""So many elements and attributes of the table of texts for each byte of the packed workbook, besides `MOST_IN_A_ROW`."""
STYLES: Final = "xl/styles.xml"
_ROW: Final = re.compile(rb"<(?:\w+:)?row[\s/>]")
_CHUNK: Final = 256 * 1024


class ArchiveError(FileFaultError):
    """A workbook that is not opened, and why."""


def check_archive(file: IO[bytes]) -> bool:
    """Look at every part, and whether the styles may be read; ArchiveError for a workbook that would take too much.

    zipfile's own errors where a part is damaged.
    """
    try:
        archive = zipfile.ZipFile(file)
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
        raise ArchiveError("not_a_workbook") from None
    members = archive.infolist()
    unpacked, packed = sum(member.file_size for member in members), sum(member.compress_size for member in members)
    if len(members) > MOST_MEMBERS or unpacked > MOST_UNPACKED or unpacked > MOST_TIMES * max(packed, 10_000):
        raise ArchiveError("workbook_unpacks_too_large")
    for member in members:
        if member.flag_bits & 1:
            raise ArchiveError("workbook_encrypted")
        if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise ArchiveError("workbook_compression")
    styles = True
    for member in members:
        name = member.filename
        if name == STYLES:
            styles = member.file_size <= MOST_STYLES and _densest(archive, member) <= MOST_IN_A_ROW
        elif name.startswith("xl/worksheets/"):
            if _densest(archive, member) > MOST_IN_A_ROW:
                raise ArchiveError("workbook_row_too_wide", part=repr(name[:100]))
        elif member.file_size > MOST_PART or _densest(archive, member) > MOST_IN_A_ROW + TEXTS_FOR_A_BYTE * packed * (
            "sharedStrings" in name
        ):
            raise ArchiveError("workbook_part_too_large", part=repr(name[:100]))
    file.seek(0)
    return styles


def _densest(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> int:
    """How many elements and attributes stand between two rows at the most; in a part without rows, how many there are."""
    most = since = 0
    with archive.open(member) as part:
        while chunk := part.read(_CHUNK):
            # A row's beginning that two chunks share is missed, which counts too much by one row at the most.
            first, *others = _ROW.split(chunk)
            most = max(most, since := since + _marks(first))
            for piece in others:
                most = max(most, since := 1 + _marks(piece))
    return most


def _marks(piece: bytes) -> int:
    """The elements' ends and beginnings, and the attributes; an equals sign before a quote stands in few texts."""
    return piece.count(b"<") + piece.count(b'="') + piece.count(b"='")


class WithoutStyles:
    """An archive that shows all its parts but the styles."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self._archive = archive

    def read(self, name: str) -> bytes:
        """A part's bytes; KeyError where it is not there, as the archive's own."""
        if name == STYLES:
            raise KeyError(name)
        return self._archive.read(name)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._archive, name)
