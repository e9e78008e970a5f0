"""A selection as requested and as answered: the shapes alone."""

import datetime as dt
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.catalogue import Hazard
from rules.quantities import LengthValue, Units
from rules.selection.hydraulics import Hydraulics
from rules.selection.tables import Outcome, Purpose, RulebookReference
from rules.sources import Source

StatedHazard = Literal["none"] | Hazard


class Site(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is known of the place; what is left out is not known. `drainage`: whether discharged water can drain away."""

    height_above_highest_outlet: LengthValue | UnsetType = UNSET
    """The height of the device over the highest downstream outlet, in `units.length`."""
    subject_to_submergence: bool | UnsetType = UNSET
    """Whether the place can be flooded."""
    drainage: bool | UnsetType = UNSET
    """Whether discharged water can drain away."""
    freezing_exposure: bool | UnsetType = UNSET
    """Whether the place can freeze."""
    indoors: bool | UnsetType = UNSET
    """Whether the place is indoors."""


class Survey(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A cross-connection survey of the premises: its date, and whether it found an actual or potential cross-connection."""

    surveyed_on: dt.date
    """The day of the survey."""
    cross_connection_found: bool
    """Whether it found an actual or potential cross-connection."""


class SelectionRequest(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A hazard and a site; `fluid_category` takes the place of `hazard` where the rulebook chooses by it (EN 1717).

    `hazard: "none"` needs a `survey` and the `premises`. `hose_connection`: a hose can be connected here. `domestic`: household use
    only. `in_plant_air_gap`: an approved air gap inside the plant protects its own processes.
    """

    rulebook: Annotated[str, Meta(min_length=1, max_length=60)]
    """The rulebook to choose by."""
    backpressure_possible: bool
    """Whether backpressure can occur."""
    continuous_pressure: bool
    """Whether the device is under pressure for more than 12 hours in 24."""
    purpose: Purpose
    """What the assembly isolates."""
    hazard: StatedHazard | UnsetType = UNSET
    """The degree of hazard; `none` needs a `survey`."""
    fluid_category: Annotated[int, Meta(ge=1, le=5)] | UnsetType = UNSET
    """The fluid category (EN 1717), in place of `hazard`."""
    hazard_class: Annotated[str, Meta(min_length=1, max_length=100)] | UnsetType = UNSET
    """The hazard in the rulebook's own word, one of its `hazard_words`, in place of `hazard` and `fluid_category`."""
    premises: Annotated[str, Meta(min_length=1, max_length=60)] | UnsetType = UNSET
    """The type of premises, a code of `/v1/premises-types`."""
    survey: Survey | UnsetType = UNSET
    """The survey that found no cross-connection."""
    hose_connection: bool | UnsetType = UNSET
    """Whether a hose can be connected here."""
    domestic: bool | UnsetType = UNSET
    """Whether it is household use only."""
    in_plant_air_gap: bool | UnsetType = UNSET
    """Whether an approved air gap inside the plant protects its own processes."""
    units: Units | UnsetType = UNSET
    """The units of all numbers."""
    site: Site | UnsetType = UNSET
    """The site."""
    hydraulics: Hydraulics | UnsetType = UNSET
    """The hydraulics, for the pressure that is left."""
    on: dt.date | UnsetType = UNSET
    """The day whose rules decide; without it, today."""


class SelectionReason(Struct, frozen=True, kw_only=True):
    """One rule and whether it lets the kind pass; `holds` is true only for `met`."""

    rule: str
    """The rule."""
    holds: bool
    """Whether it lets the kind pass."""
    outcome: Outcome
    """Whether it is met."""
    message: str
    """What the rule says of this kind."""
    source: Source
    """Where the rule is from."""


class KindResult(Struct, frozen=True, kw_only=True):
    """One kind: admissible where no reason excludes it and every fact but those of the site is known.

    `depends_on` names the facts that were not stated and could still exclude it. `adds` says what it gives beyond the kinds before it.
    """

    kind: str
    """The code of the kind."""
    name: str
    """Its name."""
    admissible: bool
    """Whether it may be installed."""
    depends_on: tuple[str, ...]
    """Facts that were not stated and could still exclude it."""
    reasons: tuple[SelectionReason, ...]
    """Each rule, and whether it lets the kind pass."""
    adds: str
    """What it gives beyond the kinds before it."""
    residual_pressure: float | UnsetType = UNSET
    """The pressure left at the critical outlet, in `units.pressure`."""


class InstallationCondition(Struct, frozen=True, kw_only=True):
    """What must be kept where one of these (admissible) kinds is installed."""

    rule: str
    """The rule."""
    kinds: tuple[str, ...]
    """The kinds that it is about."""
    message: str
    """What must be kept."""
    source: Source
    """Where the rule is from."""


class AppliedHazard(Struct, frozen=True, kw_only=True):
    """The hazard (or fluid category) stated, the one applied, and why; `applied` is null where it is not determined."""

    stated: StatedHazard | int | None
    """The hazard, or fluid category, as stated or as the rulebook's word states it; null where it does not."""
    applied: StatedHazard | int | None
    """The one applied; null where it is not determined."""
    because: str
    """Why."""
    hazard_class: str | UnsetType = UNSET
    """The rulebook's own word, where the hazard was stated by it."""


class SelectionFlag(Struct, frozen=True, kw_only=True):
    """A contradiction in what was stated; the stricter reading was applied."""

    code: Literal["hazard_below_premises", "survey_contradicts_hazard", "survey_in_future"]
    """What contradicts what."""
    pointer: str
    """Where it is in the request: a JSON pointer (RFC 6901)."""
    message: str
    """What was found and what was applied."""
    source: Source | None = None
    """The rule that decides."""


class Selection(Struct, frozen=True, kw_only=True):
    """Every kind, admissible or not, from the least to the most; `recommended` holds the admissible ones in that order.

    `outcome`: whether protection is required at all. Only where it is are kinds listed. `not_stated` names the facts that would
    decide more.
    """

    outcome: Literal["protection_required", "none_required", "not_determined"]
    """Whether protection is required."""
    recommended: tuple[str, ...]
    """The admissible kinds, in the order of preference."""
    kinds: tuple[KindResult, ...]
    """Every kind, with its reasons."""
    conditions: tuple[InstallationCondition, ...]
    """What must be kept where a kind is installed."""
    hazard: AppliedHazard
    """The hazard stated and the hazard applied."""
    flags: tuple[SelectionFlag, ...]
    """Contradictions in what was stated."""
    not_stated: tuple[str, ...]
    """Facts that would decide more."""
    rulebook: RulebookReference
    """The rulebook that decides."""
    summary: str
    """The answer in a sentence."""
    caution: str
    units: Units | UnsetType = UNSET
    """The units of all numbers."""
