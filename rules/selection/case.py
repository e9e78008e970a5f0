"""A request with all that it is judged by, found once and read for each kind."""

from typing import Self

import msgspec
from msgspec import UNSET, Struct, UnsetType

from rules.catalogue import Hazard
from rules.quantities import Units
from rules.selection.air_gap import AirGapRule
from rules.selection.document import SelectionRequest, Site
from rules.selection.hazard import Determined
from rules.selection.installation import PlacementRule, RulesInForce
from rules.selection.tables import Admission, ConditionRow, Exclusion, InForce, Raise, Requirement


class Case(Struct, frozen=True, kw_only=True):
    """The rows that apply to a request; `facts` holds each fact of the tables by its name in the data, UNSET where not stated."""

    request: SelectionRequest
    site: Site
    units: Units
    rules: RulesInForce
    determined: Determined
    admissions: tuple[Admission, ...]
    first: frozenset[str]
    raises: tuple[tuple[Raise, tuple[Admission, ...]], ...]
    exclusions: tuple[Exclusion, ...]
    requirements: tuple[Requirement, ...]
    conditions: tuple[ConditionRow, ...]
    facts: dict[str, bool | UnsetType]

    @classmethod
    def of(
        cls, request: SelectionRequest, tables: InForce, rules: RulesInForce, determined: Determined, applied: Hazard | int
    ) -> Self:
        """The case of a request whose hazard is determined."""
        site = Site() if request.site is UNSET else request.site
        premises = "" if request.premises is UNSET else request.premises
        stated = determined.hazard.stated
        # The rows of the hazard as stated are shown beside those of the hazard applied, so that both reasons are seen.
        degrees = [degree for degree in (stated, applied) if degree is not None and degree != "none"]
        rows = {row.rule: row for degree in degrees for row in tables.admissions(degree, request.purpose, premises)}
        scope = (applied, request.purpose, premises)
        all_tables = tables.tables
        return cls(
            request=request,
            site=site,
            units=Units() if request.units is UNSET else request.units,
            rules=rules,
            determined=determined,
            admissions=tuple(rows.values()),
            first=frozenset(kind for row in rows.values() for kind in row.first),
            raises=tuple((row, tables.admissions(applied, request.purpose, premises)) for row in determined.raises),
            exclusions=tuple(row for table in all_tables for row in table.exclusions if row.covers(*scope)),
            requirements=tuple(row for table in all_tables for row in table.requirements if row.covers(*scope)),
            conditions=_conditions([row for table in all_tables for row in table.conditions if row.covers(*scope)]),
            facts={
                "backpressure_possible": request.backpressure_possible,
                "continuous_pressure": request.continuous_pressure,
                "premises_isolation": request.purpose == "premises_isolation",
                "in_plant_air_gap": request.in_plant_air_gap,
                "hose_connection": request.hose_connection,
                "domestic": request.domestic,
                "subject_to_submergence": site.subject_to_submergence,
                "drainage": site.drainage,
                "freezing_exposure": site.freezing_exposure,
                "indoors": site.indoors,
            },
        )

    def rows_to_keep(self) -> list[ConditionRow | AirGapRule | PlacementRule]:
        """The conditions and placement rules that apply here, whatever the kind."""
        rows: list[ConditionRow | AirGapRule | PlacementRule] = [
            row for row in self.conditions if row.fact is None or self.facts[row.fact] is True
        ]
        rows += self.rules.air_gaps
        # A fact known to be false requires nothing: what cannot freeze needs no protection from frost.
        rows += [row for row in self.rules.rules if row.given is None or self.facts.get(row.given) is not False]
        return rows


def _conditions(rows: list[ConditionRow]) -> tuple[ConditionRow, ...]:
    """The rows, each without the kinds for which another takes its place."""
    replaced = {(row.replaces, kind) for row in rows for kind in row.kinds}
    return tuple(
        msgspec.structs.replace(row, kinds=tuple(kind for kind in row.kinds if (row.rule, kind) not in replaced)) for row in rows
    )


def path_of(fact: str) -> str:
    """Where a request states that fact: `site.drainage`, or the plain name of a member of the request."""
    return f"site.{fact}" if fact in Site.__struct_fields__ else fact
