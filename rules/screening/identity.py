"""Assemblies whose serial number or size changes on record, or whose serial number another assembly has too.

A serial number is on the body and does not change; an assembly that is replaced is a new assembly. A change of a letter or two counts as a
corrected typing error. A change is explained already where a report within a month of it states that the whole assembly was replaced.
"""

import datetime as dt
from collections.abc import Iterator, Sequence

from msgspec import Struct

from rules.screening.document import ScreeningEvidence, SecondLook
from rules.screening.settings import setting
from rules.screening.texts import sentence


class IdentityChange(Struct, frozen=True, kw_only=True):
    """One change of what the register says an assembly is; `replaced`: a report near it states that the whole assembly was replaced."""

    assembly_id: str
    version: int
    on: dt.date
    serial_number: tuple[str | None, str | None]
    size: tuple[str | None, str | None]
    replaced: bool


class SharedSerial(Struct, frozen=True, kw_only=True):
    """Assemblies of one kind that have one serial number, in the order of their ids."""

    serial_number: str
    kind: str
    assembly_ids: tuple[str, ...]
    on: dt.date


def looks_at_changes(changes: Sequence[IdentityChange]) -> Iterator[SecondLook]:
    """The changes that deserve a second look: of a serial number or a size that was there already."""
    for change in changes:
        (before, after), (size_before, size_after) = change.serial_number, change.size
        serial = before is not None and (after is None or _letters_apart(before, after) > setting("typing_slips"))
        size = size_before is not None and size_before != size_after
        if change.replaced or not (serial or size):
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
            subject_id=change.assembly_id,
            occasion=f"version {change.version}",
            on=change.on,
            message=sentence("identity_changed", "serial_number" if serial else "size"),
            evidence=ScreeningEvidence(
                report_ids=[], figures={}, texts={name: text for name, text in texts.items() if text is not None}
            ),
        )


def looks_at_shared(shared: Sequence[SharedSerial]) -> Iterator[SecondLook]:
    """Every assembly that has the serial number of another one of its kind registered before it."""
    for group in shared:
        first, *others = group.assembly_ids
        for assembly_id in others:
            yield SecondLook(
                screen="serial_number_shared",
                subject="assembly",
                subject_id=assembly_id,
                occasion=group.serial_number,
                on=group.on,
                message=sentence(
                    "serial_number_shared",
                    "shared",
                    serial_number=group.serial_number,
                    count=len(group.assembly_ids),
                    kind=group.kind,
                ),
                evidence=ScreeningEvidence(
                    report_ids=[],
                    figures={"assemblies": len(group.assembly_ids)},
                    texts={"also_on": first, "serial_number": group.serial_number},
                ),
            )


def _letters_apart(text: str, other: str) -> int:
    """How many letters have to be added, dropped or changed to make the first into the second (Levenshtein's distance).

    Case and spaces do not count.
    """
    a, b = ("".join(letters.upper().split()) for letters in (text, other))
    row = list(range(len(b) + 1))
    for at, letter in enumerate(a, 1):
        before, row = row, [at]
        for place, against in enumerate(b, 1):
            row.append(min(before[place] + 1, row[-1] + 1, before[place - 1] + (letter != against)))
    return row[-1]
