"""A selection as requested and as answered: the shapes alone."""

import datetime as dt
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.catalogue import Hazard
from rules.quantities import LengthValue, Units
from rules.selection.hydraulics import Hydraulics
from rules.selection.tables import Carried, Outcome, Purpose
from rules.sources import Source

StatedHazard = Literal["none"] | Hazard


class Site(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is known of the place; what is left out is not known. `drainage`: whether discharged water can drain away."""

    height_above_highest_outlet: LengthValue | UnsetType = UNSET
    subject_to_submergence: bool | UnsetType = UNSET
    drainage: bool | UnsetType = UNSET
    freezing_exposure: bool | UnsetType = UNSET
    indoors: bool | UnsetType = UNSET


class Survey(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A cross-connection survey of the premises: its date, and whether it found an actual or potential cross-connection."""

    surveyed_on: dt.date
    cross_connection_found: bool


class SelectionAsk(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A hazard and a site; `fluid_category` takes the place of `hazard` where the rulebook chooses by it (EN 1717).

    `hazard: "none"` needs a `survey` and the `premises`. `hose_connection`: a hose can be connected here. `domestic`: household use
    only. `in_plant_air_gap`: an approved air gap inside the plant protects its own processes.
    """

    rulebook: Annotated[str, Meta(min_length=1, max_length=60)]
    backpressure_possible: bool
    continuous_pressure: bool
    purpose: Purpose
    hazard: StatedHazard | UnsetType = UNSET
    fluid_category: Annotated[int, Meta(ge=1, le=5)] | UnsetType = UNSET
    premises: Annotated[str, Meta(min_length=1, max_length=60)] | UnsetType = UNSET
    survey: Survey | UnsetType = UNSET
    hose_connection: bool | UnsetType = UNSET
    domestic: bool | UnsetType = UNSET
    in_plant_air_gap: bool | UnsetType = UNSET
    units: Units | UnsetType = UNSET
    site: Site | UnsetType = UNSET
    hydraulics: Hydraulics | UnsetType = UNSET
    on: dt.date | UnsetType = UNSET


class Reason(Struct, frozen=True, kw_only=True):
    """One rule and whether it lets the kind pass; `holds` is true only for `met`."""

    rule: str
    holds: bool
    outcome: Outcome
    message: str
    source: Source


class KindAnswer(Struct, frozen=True, kw_only=True):
    """One kind: admissible where no reason excludes it and every fact but those of the site is known.

    `depends_on` names the facts that were not stated and could still exclude it. `adds` says what it gives beyond the kinds before it.
    """

    kind: str
    name: str
    admissible: bool
    depends_on: tuple[str, ...]
    reasons: tuple[Reason, ...]
    adds: str
    residual_pressure: float | UnsetType = UNSET


class Condition(Struct, frozen=True, kw_only=True):
    """What must be kept where one of these (admissible) kinds is installed."""

    rule: str
    kinds: tuple[str, ...]
    message: str
    source: Source


class AppliedHazard(Struct, frozen=True, kw_only=True):
    """The hazard (or fluid category) stated, the one applied, and why; `applied` is null where it is not determined."""

    stated: StatedHazard | int
    applied: StatedHazard | int | None
    because: str


class SelectionFlag(Struct, frozen=True, kw_only=True):
    """A contradiction in what was stated; the stricter reading was applied."""

    code: Literal["hazard_below_premises", "survey_contradicts_hazard", "survey_in_future"]
    pointer: str
    message: str
    source: Source | None = None


class SelectionAnswer(Struct, frozen=True, kw_only=True):
    """Every kind, admissible or not, from the least to the most; `recommended` holds the admissible ones in that order.

    `outcome`: whether protection is required at all. Only where it is are kinds listed. `not_stated` names the facts that would
    decide more.
    """

    outcome: Literal["protection_required", "none_required", "not_determined"]
    recommended: tuple[str, ...]
    kinds: tuple[KindAnswer, ...]
    conditions: tuple[Condition, ...]
    hazard: AppliedHazard
    flags: tuple[SelectionFlag, ...]
    not_stated: tuple[str, ...]
    rulebook: Carried
    summary: str
    caution: str
    units: Units | UnsetType = UNSET
