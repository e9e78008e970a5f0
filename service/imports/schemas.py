"""What an import is asked and what it answers: the options, the problems by row and column, the record of the run."""

from typing import Annotated, Literal
from uuid import UUID

from msgspec import UNSET, Meta, Struct, UnsetType

import rules
from rules import LengthUnit, PressureUnit
from service.imports.sheets import Delimiter, Encoding

MOST_PROBLEMS = 100
"""So many problems stand in the record of a run; the NDJSON answer holds them all."""

Flag = bool
DateOrder = Literal["mdy", "dmy"]
Thing = Literal["premises", "testers", "gauges", "assemblies", "reports"]


class ImportOptions(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How a file is read and what is done with it.

    A dry run unless `dry_run` is false. With `partial` what is good is loaded though there are problems; else all or nothing. With
    `make_testers_and_gauges` those that are not registered are registered from what the file states. With `correct_reports` a test that
    is recorded and reads otherwise here is superseded. With `history` the tests are those of the record on paper. Where more than the
    share `held_or_refused_at_most` of the new tests would be held or refused, nothing is written. `dates` is the order of dates like
    03/04/2025. `pressure` and `length` serve where neither cell nor heading names a unit. `columns` maps headings to fields (null:
    leave the column out), `defaults` gives fields a value where the file has none, and `hazards` says what words for hazards mean that
    are not the rulebook's own; all three are JSON objects.
    """

    dry_run: Annotated[Flag, Meta(description="Only check the file and say what it would do; `false` writes it.")] = True
    partial: Annotated[
        Flag, Meta(description="Load what is good though there are problems; otherwise a file with problems changes nothing.")
    ] = False
    make_testers_and_gauges: Annotated[
        Flag, Meta(description="Register testers and gauges that are not registered, from the file.")
    ] = False
    correct_reports: Annotated[
        Flag, Meta(description="Supersede a recorded test that reads otherwise in the file; otherwise that is a problem.")
    ] = False
    history: Annotated[
        Flag,
        Meta(
            description="The tests are those that you accepted on paper: they are accepted here, with the result declared where readings "
            "are missing. A test without a time is taken as made at noon, one without a reason as `other`."
        ),
    ] = False
    held_or_refused_at_most: Annotated[
        float,
        Meta(
            ge=0,
            le=1,
            description="The largest share of the new tests that may be held or refused (0 to 1); beyond it nothing is written.",
        ),
    ] = 0.1
    encoding: Annotated[Encoding, Meta(description="The encoding of a CSV file.")] = "utf-8"
    delimiter: Annotated[
        Delimiter | None, Meta(description="What parts the cells of a CSV file; left out, what its first line shows.")
    ] = None
    dates: Annotated[
        DateOrder | None,
        Meta(description="The order of dates like 03/04/2025: month first or day first; without it they are a problem."),
    ] = None
    pressure: Annotated[PressureUnit | None, Meta(description="The unit of pressures whose cell and heading name none.")] = None
    length: Annotated[LengthUnit | None, Meta(description="The unit of lengths whose cell and heading name none.")] = None
    columns: Annotated[
        str,
        Meta(
            description='A JSON object of what headings mean, `{"Acct": "premises.reference"}`; null leaves a column out.',
            max_length=20_000,
        ),
    ] = "{}"
    defaults: Annotated[
        str,
        Meta(
            description='A JSON object of values for fields that the file does not have, `{"assembly.hazard": "health"}`.',
            max_length=20_000,
        ),
    ] = "{}"
    hazards: Annotated[
        str,
        Meta(
            description="A JSON object of what the file's words for hazards mean, where they are not the rulebook's own: "
            '`{"H": "health", "Class 2": "non_health"}`. Each means a degree, or a word of the rulebook.',
            max_length=20_000,
        ),
    ] = "{}"


class ImportProblem(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One thing wrong with a file: the sheet (XLSX) or file it is in, its row, and its column's letter and heading, where it has them."""

    code: str
    """What is wrong: a code from `GET /v1/codes`, under `imports`, or under `faults` for a fault of a record that the file states."""
    detail: str
    """What is wrong and what to do."""
    parameters: dict[str, str | int | float | list[str]] | UnsetType = UNSET
    """The values in the sentence, by the names they have in the text at `GET /v1/codes`."""
    sheet: str | UnsetType = UNSET
    """The sheet or file."""
    row: int | UnsetType = UNSET
    """The row, counted from 1."""
    column: str | UnsetType = UNSET
    """The column's letter."""
    heading: str | UnsetType = UNSET
    """The column's heading."""
    value: str | UnsetType = UNSET
    """The cell's text, shortened."""


class ImportedColumn(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """How a column is understood; one with no `field` is not read, and is named here so that nobody thinks it was."""

    column: str
    """The column's letter."""
    heading: str
    """The heading as written in the sheet."""
    field: str | None
    """The field that it fills; null: the column is not read."""
    unit: str | UnsetType = UNSET
    """The unit of its numbers."""


class ImportedSheet(Struct, frozen=True, kw_only=True):
    """A sheet as it is understood; `header_row` null: it has no heading that is known, and is not read."""

    sheet: str | None
    """The sheet's name; null for a CSV file."""
    header_row: int | None
    """The row of the headings; null where no heading is known, and the sheet is not read."""
    columns: list[ImportedColumn]
    """How each column was understood."""
    rows: int
    """How many rows of it were read."""


class ImportCount(Struct, kw_only=True):
    """Of one kind of thing: how many are new, changed, the same as recorded already, and bad (or held up by what is bad)."""

    new: int = 0
    """New records."""
    changed: int = 0
    """Records that change."""
    same: int = 0
    """Records already there with the same content."""
    bad: int = 0
    """Records that are bad, or wait for one that is."""


class ImportProblemGroup(Struct, frozen=True, kw_only=True):
    """Problems of one kind in one column, however many rows have them."""

    code: str
    """The code of all of them."""
    detail: str
    """What is wrong and what to do, as of the first of them."""
    heading: str | None
    """The column's heading; null where it is in no column."""
    first_row: int | None
    """The first row that has it."""
    problems: int
    """How many there are."""


class ImportedFlag(Struct, frozen=True, kw_only=True):
    """On how many of the new reports a flag was put."""

    code: str
    """What is flagged."""
    severity: rules.Severity
    """What the flag does to a report."""
    reports: int
    """How many new reports have it."""


class ImportRun(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The record of a run: `written` says whether anything was; `outcomes` and `acceptance` count what the new reports came to."""

    id: UUID | UnsetType = UNSET
    """The id of what was written, by which it can be undone; left out where nothing was new or changed."""
    dry_run: bool
    """Whether the files were only checked."""
    written: bool
    """Whether anything was written."""
    rows: int
    """How many rows were read."""
    sheets: list[ImportedSheet]
    """How each sheet was understood."""
    counts: dict[Thing, ImportCount]
    """For each kind of record, how many are new, changed, unchanged and bad."""
    outcomes: dict[str, int]
    """How many new reports passed, failed or are incomplete."""
    acceptance: dict[str, int]
    """How many new reports were accepted, held or refused."""
    basis: dict[str, int]
    """How many new reports were judged, and how many have the result declared on paper."""
    flags: list[ImportedFlag]
    """The flags on the new reports, those that refuse first, then those that hold; the most frequent first."""
    problem_count: int
    """How many problems there are in all."""
    groups: list[ImportProblemGroup]
    """The problems by kind, the most frequent first; at most 100 kinds."""
    problems: list[ImportProblem]
    """The first problems; the NDJSON answer holds all."""
    summary: str
    """The run in one sentence."""


class ImportProgress(Struct, frozen=True, kw_only=True):
    """How far a run has come: rows read, or things checked or written."""

    phase: Literal["reading", "checking", "writing"]
    """What is being done."""
    done: int
    """How many rows or records are done."""
    of: int | None = None
    """How many there are in all, where that is known; of rows, how many lines the file has."""
    seconds_left: float | None = None
    """How many seconds the rest of this phase will take at the pace so far; null: not known."""


class ImportLine(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A line of the NDJSON answer: how far it has come, a problem, or, last, the record of the run."""

    progress: ImportProgress | UnsetType = UNSET
    """How far the run is."""
    problem: ImportProblem | UnsetType = UNSET
    """A problem."""
    run: ImportRun | UnsetType = UNSET
    """The record of the run; on the last line."""
