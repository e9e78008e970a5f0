"""A selection as asked and as answered: the shapes alone."""

import datetime as dt
from typing import Annotated

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.catalogue import Hazard
from rules.quantities import LengthValue, Units
from rules.selection.hydraulics import Hydraulics
from rules.selection.tables import Carried, Purpose
from rules.sources import Source


class Site(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is known of the place; what is left out is not known. `drainage`: whether discharged water can drain away."""

    height_above_highest_outlet: LengthValue | UnsetType = UNSET
    subject_to_submergence: bool | UnsetType = UNSET
    drainage: bool | UnsetType = UNSET
    freezing_exposure: bool | UnsetType = UNSET
    indoors: bool | UnsetType = UNSET


class SelectionAsk(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A hazard and a site; `fluid_category` stands in place of `hazard` where the rulebook chooses by it (EN 1717)."""

    rulebook: Annotated[str, Meta(min_length=1, max_length=60)]
    backpressure_possible: bool
    continuous_pressure: bool
    purpose: Purpose
    hazard: Hazard | UnsetType = UNSET
    fluid_category: Annotated[int, Meta(ge=1, le=5)] | UnsetType = UNSET
    premises: Annotated[str, Meta(min_length=1, max_length=60)] | UnsetType = UNSET
    in_plant_air_gap: bool | UnsetType = UNSET
    units: Units | UnsetType = UNSET
    site: Site | UnsetType = UNSET
    hydraulics: Hydraulics | UnsetType = UNSET
    on: dt.date | UnsetType = UNSET


class Reason(Struct, frozen=True, kw_only=True):
    """One rule and whether it lets the kind pass."""

    rule: str
    holds: bool
    message: str
    source: Source


class KindAnswer(Struct, frozen=True, kw_only=True):
    """One kind: admissible where every reason holds. `adds` says what it gives beyond the kinds before it in the order."""

    kind: str
    name: str
    admissible: bool
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
    """The hazard (or fluid category) stated, the one applied, and why."""

    stated: Hazard | int
    applied: Hazard | int
    because: str


class SelectionAnswer(Struct, frozen=True, kw_only=True):
    """Every kind, admissible or not, from the least to the most; `recommended` holds the admissible ones in that order."""

    recommended: tuple[str, ...]
    kinds: tuple[KindAnswer, ...]
    conditions: tuple[Condition, ...]
    hazard: AppliedHazard
    rulebook: Carried
    summary: str
    caution: str
    units: Units | UnsetType = UNSET
