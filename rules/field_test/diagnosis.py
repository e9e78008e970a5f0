"""What was seen → what probably failed, and the usual repair (`data/diagnosis.toml`; texts: `data/texts/field_test.toml`)."""

from collections.abc import Iterable
from functools import lru_cache

from msgspec import Struct

from rules.catalogue import Component, Line
from rules.field_test.answer import Diagnosis
from rules.field_test.result import PartResult
from rules.files import read
from rules.load import works
from rules.sources import Source
from rules.texts import texts


class Row(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One likely cause, for each of the components; `symptom_of` is the one that shows the symptom, where it is another."""

    code: str
    kinds: tuple[str, ...]
    components: tuple[Component, ...]
    symptoms: tuple[str, ...]
    symptom_of: Component | None = None


class Rows(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The data file as a whole."""

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
            code=row.code,
            component=part,
            line=line,
            likely=_text("likely", row.code),
            because=_text("causes", row.code),
            repair=_text("repairs", row.code),
            source=source,
        )
        for row in data.diagnoses
        for part in row.components
        if kind in row.kinds and (row.symptom_of or part) == component and symptom in row.symptoms
    )


def _text(group: str, code: str) -> str:
    return texts("field_test").templates[group][code]


def diagnosis_codes() -> dict[str, str]:
    """The code of every diagnosis, and what probably failed."""
    return {row.code: _text("likely", row.code) for row in read("diagnosis.toml", Rows).diagnoses}


def diagnose(kind: str, results: Iterable[PartResult]) -> tuple[Diagnosis, ...]:
    """The likely causes of every failed finding, each once, the likeliest first."""
    found: dict[tuple[str, str, str], Diagnosis] = {}
    for result in results:
        for rule, outcome in result.outcomes:
            if outcome == "not_met":
                for cause in _causes(kind, result.line, result.component, _SYMPTOM[rule.rpartition(".")[2]]):
                    found.setdefault((cause.component, cause.line, cause.likely), cause)
    return tuple(found.values())
