"""The things of the register, as they are sent (`…Facts`) and as they are kept (with id, version and times).

A change is the whole of a thing's facts after a merge patch (RFC 7396), so one struct serves making and changing.
"""

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from rules import LengthUnit, LocalVersion, PressureUnit, RegisteredKind, RulebookKey, TestableKind
from service.http.plain_text import PLAIN, WRITTEN

# Spelled out because `\s` means other characters in ECMA-262 than in Python: U+001C to U+001F, U+0085 and U+FEFF.
_NO_BLANK = r"[^@\s\u0000-\u001f\u007f-\u009f\ufeff]+"
_EMAIL = rf"^{_NO_BLANK}@{_NO_BLANK}\Z"
Name = Annotated[str, Meta(min_length=1, max_length=200), PLAIN]
ShortText = Annotated[str, Meta(min_length=1, max_length=100), PLAIN]
Code = Annotated[str, Meta(min_length=1, max_length=60, pattern=r"^[a-z0-9][a-z0-9_-]*\Z")]
Connection = Literal["residential", "non_residential", "irrigation", "fire", "reclaimed_on_site"]
HazardDegree = Literal["severe", "health", "non_health"]
AssemblyHazard = Literal["severe", "health", "non_health", "unknown"]
Positive = Annotated[float, Meta(gt=0, le=100_000)]


class UtilityFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A water utility: the rulebook it judges by, its time zone (IANA name), and how early a test counts as due soon."""

    name: Name
    """The utility's name."""
    rulebook: Code
    """The rulebook it judges by."""
    time_zone: Annotated[str, Meta(min_length=1, max_length=60)]
    """Its time zone, an IANA name."""
    due_soon_days: Annotated[int, Meta(ge=0, le=365)] = 30
    """For how many days before it is due a test counts as due soon."""
    system_id: ShortText | UnsetType = UNSET
    """The number that the regulator has given the water system, as the yearly summary shows it."""


class NewUtility(UtilityFacts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A utility to be registered, with its short code and, if an organisation already represents it, that organisation's id."""

    code: Annotated[str, Meta(pattern=r"^[a-z0-9][a-z0-9-]{1,30}\Z")]
    """The short code of the utility, used in every path."""
    organisation_id: UUID | UnsetType = UNSET
    """The organisation that already represents it, if there is one."""


class Utility(UtilityFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """A utility as kept; `code` is its id."""

    code: str
    """The utility's code."""
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime


class UtilityOnRecord(Utility, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """A utility with the newest version of its local rulebook, which is no part of any answer about the utility."""

    local: LocalVersion | None = None

    @property
    def book(self) -> RulebookKey:
        """What its tests are judged by: its rulebook, or the local one that lies over it."""
        if self.local is None or self.local.rulebook.is_empty or self.local.rulebook.extends != self.rulebook:
            return self.rulebook
        return self.local

    @property
    def applied(self) -> LocalVersion | None:
        """The version of the local rulebook that lies over its rulebook; None where nothing does."""
        return None if isinstance(self.book, str) else self.book

    @property
    def shown(self) -> Utility:
        """The utility as an answer has it."""
        return Utility(**{name: getattr(self, name) for name in Utility.__struct_fields__})


def utility_of(row: Mapping[str, Any]) -> UtilityOnRecord:
    """The utility of a row of the database, whose `local` is the JSON of a version."""
    local = None if row["local"] is None else _local_version(row["local"])
    return UtilityOnRecord(**{**row, "local": local, "system_id": row.get("system_id") or UNSET})


_local_version = msgspec.json.Decoder(LocalVersion).decode


class Location(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A point on the earth, WGS 84, degrees."""

    latitude: Annotated[float, Meta(ge=-90, le=90)]
    """Degrees north (WGS 84)."""
    longitude: Annotated[float, Meta(ge=-180, le=180)]
    """Degrees east (WGS 84)."""


class Contact(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whom to notify about the assemblies at some premises, and how; no more than that needs.

    `postal_address` is for letters that go elsewhere than to the premises themselves. Only the utility and the operator read a contact.
    """

    name: Name
    """Whom to write to."""
    email: Annotated[str, Meta(min_length=3, max_length=254, pattern=_EMAIL)] | UnsetType = UNSET
    """The e-mail address."""
    telephone: Annotated[str, Meta(min_length=3, max_length=40, pattern=r"^[0-9+(). x/-]+\Z")] | UnsetType = UNSET
    """The telephone number."""
    postal_address: Annotated[str, Meta(min_length=1, max_length=400)] | UnsetType = UNSET
    """The address for letters, where it is not that of the premises."""

    @property
    def reachable(self) -> bool:
        """Whether there is any way to reach this contact."""
        return any(item is not UNSET for item in (self.email, self.telephone, self.postal_address))


class PremisesFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A customer's premises; `reference` is the utility's own number for them, `category` a code of the premises catalogue."""

    name: Name
    """The name of the premises."""
    address: Annotated[str, Meta(min_length=1, max_length=400)]
    """Their address."""
    connection: Connection
    """What the service connection serves."""
    reference: ShortText | UnsetType = UNSET
    """Your own number for them."""
    category: Code | UnsetType = UNSET
    """The type of premises, a code of `/v1/premises-types`."""
    hazard: HazardDegree | UnsetType = UNSET
    """The degree of hazard on the premises."""
    hazard_class: ShortText | UnsetType = UNSET
    """The hazard in the rulebook's own word, one of its `hazard_words`.

    `hazard` is then the degree that it acts as, where that is known.
    """
    location: Location | UnsetType = UNSET
    """Where they are."""
    contact: Contact | UnsetType = UNSET
    """Whom to write to about the assemblies there."""


class Premises(PremisesFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """Premises as kept."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime


class ContactChange(Struct, frozen=True, kw_only=True):
    """A change of the contact of some premises, such as a change of owner; null: there was none, or there is none now."""

    version: int
    """The version of the premises that the change made."""
    changed_at: dt.datetime
    contact_before: Contact | None
    """Whom to write to until then."""
    contact: Contact | None
    """Whom to write to from then on."""


class Found(Struct, frozen=True, kw_only=True):
    """The things to show (None: any), and the ranges of words of which each must have one."""

    ids: list[UUID] | None = None
    lows: list[str] = []
    highs: list[str] = []


class LengthUnits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The unit of a size."""

    length: LengthUnit
    """The unit of lengths."""


class PressureUnits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The unit of a gauge's accuracy and resolution."""

    pressure: PressureUnit
    """The unit of pressures."""


class Size(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A nominal size with its unit."""

    size: Positive
    """The size, in `units.length`."""
    units: LengthUnits
    """Its unit."""


Event = Literal["repair", "relocation", "return_to_service", "reoccupancy"]
MonthDay = Annotated[str, Meta(pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])\Z")]


class Season(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """When a seasonal assembly is in use, as month and day (MM-DD) of each year; a day that the month has not is its last.

    Where the rulebook requires it, the assembly is tested again as it goes into service on `starts`.
    """

    starts: MonthDay
    """The first day of each year, as month and day."""
    ends: MonthDay
    """The last day of each year, as month and day."""

    @property
    def start(self) -> tuple[int, int]:
        """The month and day on which it starts."""
        return int(self.starts[:2]), int(self.starts[3:])


class AssemblyOccurrence(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something after which a rulebook may require a test, and its day; an incident has a record of its own."""

    event: Event
    """What happened."""
    on: dt.date
    """The day."""


Approval = Literal["approved", "formerly_approved", "not_approved"]
RetiredBecause = Literal["replaced", "registered_in_error", "duplicate"]


class AssemblyFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An installed assembly that is field-tested, or an air gap or device that is inspected.

    `nominal_size` has its unit, `position` says in words where on the premises it is.

    `hazard` is `unknown` until somebody has assessed it; tests and deadlines are then those of a health hazard. `purpose`,
    `backpressure_possible` and `in_plant_air_gap` (behind an assembly for premises isolation) decide with the hazard whether the kind is
    suitable there; left out, they are not stated.
    `occurrences` are all that happened to it, past ones too. `test_interval_months` is a shorter interval than the rulebook's that the
    utility asks of this assembly; a longer one counts for nothing.
    """

    either: ClassVar[tuple[str, ...]] = ("hazard", "hazard_class")
    premises_id: UUID
    kind: RegisteredKind
    """The kind of assembly. It cannot be changed."""
    hazard: AssemblyHazard | UnsetType = UNSET
    """The degree of hazard it protects against; required unless `hazard_class` is stated."""
    hazard_class: ShortText | UnsetType = UNSET
    """The hazard in the rulebook's own word, one of its `hazard_words`; `hazard` is then the degree that it acts as, or `unknown`."""
    purpose: Literal["premises_isolation", "point_of_use"] | UnsetType = UNSET
    """What it isolates."""
    backpressure_possible: bool | UnsetType = UNSET
    """Whether the customer's side can push back."""
    in_plant_air_gap: bool | UnsetType = UNSET
    """Whether an approved air gap inside the plant is on record."""
    manufacturer: ShortText | UnsetType = UNSET
    """The manufacturer."""
    model: ShortText | UnsetType = UNSET
    """The manufacturer's model."""
    approval: Approval | UnsetType = UNSET
    """Whether the model is on the list of approved assemblies that your authority uses."""
    serial_number: ShortText | UnsetType = UNSET
    """The serial number."""
    serial_number_confirmed: bool | UnsetType = UNSET
    """Whether the serial number is right although another assembly at these premises has it too."""
    assembly_number: ShortText | UnsetType = UNSET
    """Your own number for it."""
    meter: ShortText | UnsetType = UNSET
    """The number of the meter that it is behind."""
    nominal_size: Size | UnsetType = UNSET
    """The nominal size."""
    position: Name | UnsetType = UNSET
    """Where on the premises it is."""
    location: Location | UnsetType = UNSET
    """Where the assembly itself is; left out, it is where its premises are."""
    replaces: UUID | UnsetType = UNSET
    """The assembly at these premises that this one replaced; that one is retired from `installed_on`, which is then required."""
    installed_on: dt.date | UnsetType = UNSET
    """The day it was installed."""
    in_service: bool = True
    """Whether it is in service."""
    service_since: dt.date | UnsetType = UNSET
    """The day from which it is in service, or out of service, as `in_service` says.

    Left out with a change of `in_service`: the day of that change.
    """
    service_because: ShortText | UnsetType = UNSET
    """Why it was put in service or out of service on that day."""
    occurrences: Annotated[list[AssemblyOccurrence], Meta(max_length=200)] = []
    """What happened to it after which a test may be due, past ones too."""
    season: Season | UnsetType = UNSET
    """When it is in use, for a seasonal assembly."""
    test_interval_months: Annotated[int, Meta(ge=1, le=120)] | UnsetType = UNSET
    """A shorter interval than the rulebook's, in months; a longer one has no effect."""

    def __post_init__(self) -> None:
        """Require the hazard, by degree or in the rulebook's own word."""
        if self.hazard is UNSET and self.hazard_class is UNSET:
            raise ValueError("Send `hazard`, or `hazard_class` in the rulebook's own word.")


class Assembly(AssemblyFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """An assembly as kept."""

    hazard: AssemblyHazard
    """The degree of hazard it protects against; with `hazard_class`, the degree that the word acts as in the rulebook."""
    replaced_by: UUID | UnsetType = UNSET
    """The assembly that replaced this one."""
    retired_on: dt.date | UnsetType = UNSET
    """The day from which it is out of service for good."""
    retired_because: RetiredBecause | UnsetType = UNSET
    """Why it was retired."""
    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime


CorrectionKind = Literal["registered_in_error", "duplicate", "kind"]
Because = Annotated[str, Meta(min_length=1, max_length=4000, pattern=WRITTEN)]


class AssemblyCorrectionFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was wrong in the register of an assembly, and why; its history is kept.

    One that never was, or is registered twice, is retired. Reports that count were judged on what was registered, so they are voided first,
    and sent again for the right assembly where they were right.
    """

    correction: CorrectionKind
    """What is put right."""
    because: Because
    """Why."""
    duplicate_of: UUID | UnsetType = UNSET
    """The assembly that it is; required with `duplicate`, and only there."""
    kind: RegisteredKind | UnsetType = UNSET
    """The kind that it is; required with `kind`, and only there."""
    decided_by: Name | UnsetType = UNSET
    """Who decided it."""


class AssemblyCorrection(Struct, frozen=True, kw_only=True):
    """A correction of the register, as recorded."""

    version: int
    """The version of the assembly that it made."""
    recorded_at: dt.datetime
    correction: CorrectionKind
    """What was put right."""
    because: str
    """Why."""
    decided_by: str | None
    """Who decided it; null: not stated."""
    duplicate_of: UUID | None
    """The assembly that it is; null unless it was registered twice."""
    kind_before: str | None
    """The kind that it was registered with; null unless that was wrong."""
    kind: str | None
    """The kind that it is; null unless that was wrong."""
    organisation_id: UUID
    """The organisation whose key recorded it."""


class Certificate(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A tester's certificate: its number, the kinds of test it covers, and its first and last day."""

    certificate: ShortText
    """The number of the certificate."""
    kinds: Annotated[list[TestableKind], Meta(min_length=1, max_length=12)]
    """The kinds of assembly it covers."""
    valid_from: dt.date
    """Its first day."""
    valid_until: dt.date
    """Its last day."""


class TesterFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A tester, with every certificate held, past ones too; `organisation_id` is the testing company worked for."""

    name: Name
    """The tester's name."""
    certificates: Annotated[list[Certificate], Meta(max_length=100)]
    """Every certificate held, past ones too."""
    organisation_id: UUID | UnsetType = UNSET


class Tester(TesterFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """A tester as kept."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime


class Calibration(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One calibration of a gauge: its day, the laboratory and its certificate, and the error found before any adjustment."""

    calibrated_on: dt.date
    """The day of the calibration."""
    certificate: ShortText | UnsetType = UNSET
    """The number of the laboratory's certificate."""
    laboratory: Name | UnsetType = UNSET
    """The laboratory that calibrated it."""
    as_found_error: Annotated[float, Meta(ge=-100_000, le=100_000)] | UnsetType = UNSET
    """The largest error found before any adjustment, in `units.pressure`; positive: it read too high."""


class GaugeFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A differential pressure gauge, with every calibration it has had; accuracy and resolution in `units.pressure`."""

    serial_number: ShortText
    """The serial number."""
    units: PressureUnits
    """The unit of accuracy and resolution."""
    accuracy: Positive
    """The accuracy (plus or minus)."""
    resolution: Positive
    """The smallest step it shows."""
    calibrations: Annotated[list[Calibration], Meta(max_length=500)]
    """Every calibration it has had."""
    organisation_id: UUID | UnsetType = UNSET


class Gauge(GaugeFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """A gauge as kept."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
