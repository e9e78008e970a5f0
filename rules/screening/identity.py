"""Assemblies whose serial number or size changes on record, or whose serial number stands on another assembly too.

A serial number stands on the body and does not change; an assembly that is replaced is a new assembly. A change of a letter or two is taken
for a typing slip mended, and one on whose day or in the month around it a report tells that the whole assembly was replaced is explained already.
"""

import datetime as dt
from collections.abc import Iterator, Sequence

from msgspec import Struct

from rules.screening.document import ScreeningEvidence, SecondLook
from rules.screening.settings import setting


class IdentityChange(Struct, frozen=True, kw_only=True):
    """One change of what the register says an assembly is; `replaced`: a report near it tells that the whole assembly was replaced."""

    assembly_id: str
    version: int
    on: dt.date
    serial_number: tuple[str | None, str | None]
    size: tuple[str | None, str | None]
    replaced: bool


class SharedSerial(Struct, frozen=True, kw_only=True):
    """Assemblies of one kind that bear one serial number, in the order of their ids."""

    serial_number: str
    kind: str
    assembly_ids: tuple[str, ...]
    on: dt.date


def looks_at_changes(changes: Sequence[IdentityChange]) -> Iterator[SecondLook]:
    """The changes that deserve a second look: of a serial number or a size that was there already."""
    for one in changes:
        (before, after), (size_before, size_after) = one.serial_number, one.size
        serial = before is not None and (after is None or _letters_apart(before, after) > setting("typing_slips"))
        size = size_before is not None and size_before != size_after
        if one.replaced or not (serial or size):
            continue
        texts = {
            "serial_number_before": before,
            "serial_number_after": after,
            "size_before": size_before,
            "size_after": size_after,
        }
        yield SecondLook(
            screen="identity_changed",
            subject="assembly",
            subject_id=one.assembly_id,
            occasion=f"version {one.version}",
            on=one.on,
            message=f"The {'serial number' if serial else 'size'} on record was changed, and no report tells that the assembly was replaced. A wrong entry mended would explain it; another assembly in its place is registered as a new one.",
            evidence=ScreeningEvidence(report_ids=[], figures={}, texts={name: text for name, text in texts.items() if text is not None}),
        )  # fmt: skip


def looks_at_shared(shared: Sequence[SharedSerial]) -> Iterator[SecondLook]:
    """Every assembly that bears the serial number of another one of its kind registered before it."""
    for one in shared:
        first, *others = one.assembly_ids
        for assembly_id in others:
            yield SecondLook(
                screen="serial_number_shared",
                subject="assembly",
                subject_id=assembly_id,
                occasion=one.serial_number,
                on=one.on,
                message=f"Serial number {one.serial_number} stands on {len(one.assembly_ids)} assemblies of kind {one.kind}. One assembly registered twice, or makers that number alike, would explain it.",
                evidence=ScreeningEvidence(
                    report_ids=[], figures={"assemblies": len(one.assembly_ids)}, texts={"also_on": first, "serial_number": one.serial_number}
                ),
            )  # fmt: skip


def _letters_apart(one: str, other: str) -> int:
    """How many letters have to be added, dropped or changed to make one of the other (Levenshtein's distance); case and spaces do not count."""
    a, b = ("".join(text.upper().split()) for text in (one, other))
    row = list(range(len(b) + 1))
    for at, letter in enumerate(a, 1):
        before, row = row, [at]
        for place, against in enumerate(b, 1):
            row.append(min(before[place] + 1, row[-1] + 1, before[place - 1] + (letter != against)))
    return row[-1]
