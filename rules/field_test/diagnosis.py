"""What was seen → what probably failed, and what usually mends it (`data/diagnosis.toml`)."""

from collections.abc import Iterable
from functools import lru_cache

from msgspec import Struct

from rules.catalogue import Component, Line
from rules.field_test.answer import Diagnosis
from rules.field_test.result import PartResult
from rules.load import read, works
from rules.sources import Source


class Row(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One likely cause; `symptom_of` is the component that shows the symptom, where it is not the one that caused it."""

    kinds: tuple[str, ...]
    component: Component
    symptom: str
    code: str
    likely: str
    because: str
    repair: str
    symptom_of: Component | None = None


class Rows(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The data file of them."""

    source: str
    diagnoses: tuple[Row, ...]


_SYMPTOM = {
    "closed_tight": "leaked",
    "tight_against_backpressure": "leaked",
    "held_at": "low",
    "opened": "not_opened",
    "opened_at": "low",
    "opened_fully": "not_fully",
    "not_discharging": "discharging",
    "not_spilling": "spilling",
    "buffer": "buffer",
}


@lru_cache(maxsize=512)
def _causes(kind: str, line: Line, component: Component, symptom: str) -> tuple[Diagnosis, ...]:
    data = read("diagnosis.toml", Rows)
    work = works()[data.source]
    source = Source(title=work.title, clause="–", provenance=work.provenance)
    return tuple(
        Diagnosis(
            component=row.component,
            line=line,
            code=row.code,
            likely=row.likely,
            because=row.because,
            repair=row.repair,
            source=source,
        )
        for row in data.diagnoses
        if kind in row.kinds and (row.symptom_of or row.component, row.symptom) == (component, symptom)
    )


def diagnosis_codes() -> dict[str, str]:
    """The code of every diagnosis, and what probably failed."""
    return {row.code: row.likely for row in read("diagnosis.toml", Rows).diagnoses}


def diagnose(kind: str, results: Iterable[PartResult]) -> tuple[Diagnosis, ...]:
    """The likely causes of every failed finding, each once, the likeliest first."""
    told: dict[tuple[str, str, str], Diagnosis] = {}
    for result in results:
        for rule, outcome in result.outcomes:
            if outcome == "not_met":
                for one in _causes(kind, result.line, result.component, _SYMPTOM[rule.rpartition(".")[2]]):
                    told.setdefault((one.component, one.line, one.likely), one)
    return tuple(told.values())
