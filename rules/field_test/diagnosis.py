"""What was seen → what probably failed, and what usually mends it (`data/diagnosis.toml`)."""

from collections.abc import Iterable
from functools import cache

from msgspec import Struct

from rules.catalogue import Component
from rules.field_test.answer import Diagnosis, Finding
from rules.load import read, works
from rules.sources import Source


class Row(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One likely cause."""

    kinds: tuple[str, ...]
    component: Component
    symptom: str
    likely: str
    because: str
    repair: str


class Rows(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The data file of them."""

    source: str
    diagnoses: tuple[Row, ...]


_SYMPTOM = {
    "closed_tight": "leaked",
    "held_at": "low",
    "opened": "not_opened",
    "opened_at": "low",
    "opened_fully": "not_fully",
    "buffer": "buffer",
}


@cache
def _rows(kind: str, component: str, symptom: str) -> tuple[tuple[Row, Source], ...]:
    data = read("diagnosis.toml", Rows)
    work = works()[data.source]
    source = Source(title=work.title, clause="–", known_from=work.known_from)
    return tuple(
        (row, source) for row in data.diagnoses if kind in row.kinds and (row.component, row.symptom) == (component, symptom)
    )


def diagnose(kind: str, findings: Iterable[Finding]) -> list[Diagnosis]:
    """The likely causes of every failed finding, each once, the likeliest first."""
    told: dict[tuple[str, str, str], Diagnosis] = {}
    for finding in findings:
        if finding.outcome != "not_met":
            continue
        symptom = _SYMPTOM[finding.rule.rpartition(".")[2]]
        for row, source in _rows(kind, finding.component, symptom):
            told.setdefault(
                (finding.component, finding.line, row.likely),
                Diagnosis(
                    component=finding.component,
                    line=finding.line,
                    likely=row.likely,
                    because=row.because,
                    repair=row.repair,
                    source=source,
                ),
            )
    return list(told.values())
