"""The rules of the trade: what readings mean, what may be chosen, what is due. Everything the service may use is named here."""

from rules import inspection as inspection
from rules import notices as notices
from rules import operation as operation
from rules import screening as screening
from rules import selection as selection
from rules import words as words
from rules.catalogue import AssemblyKind, Catalogue, Hazard, InspectedKind, Kind, RegisteredKind, TestableKind
from rules.dates import installation_fault, offset_fault
from rules.errors import DocumentError, NotInForceError, NotJudgeableError, RulesError, UnknownRulebookError
from rules.errors import refusal_texts as refusal_texts
from rules.field_test.answer import (
    Acceptance,
    Action,
    Basis,
    Diagnosis,
    Finding,
    Flag,
    JudgedBy,
    Outcome,
    PhaseVerdict,
    Severity,
    Verdict,
)
from rules.field_test.diagnosis import diagnosis_codes as diagnosis_codes
from rules.field_test.document import (
    AirInletReading,
    CertifiedTester,
    Check1Reading,
    Check2Reading,
    CheckReading,
    GaugeUsed,
    Phase,
    PreviousReadings,
    Reading,
    ReliefValveReading,
    Repair,
    Shutoffs,
    Test,
    TestedAssembly,
    TestUnits,
)
from rules.field_test.gauge import calibrated_before as calibrated_before
from rules.field_test.plausibility import certificate_covers
from rules.field_test.verdict import CAUTION, judge
from rules.hazard_classes import FoundHazard as FoundHazard
from rules.hazard_classes import written_hazards as written_hazards
from rules.incident_notice import IncidentNotice as IncidentNotice
from rules.incident_notice import incident_notice as incident_notice
from rules.load import catalogue, rulebook, rulebook_data, rulebook_ids
from rules.local_rulebook import LocalRulebook as LocalRulebook
from rules.local_rulebook import LocalVersion as LocalVersion
from rules.local_rulebook import RulebookKey as RulebookKey
from rules.local_rulebook import base_id as base_id
from rules.publication import EffectiveRulebook as EffectiveRulebook
from rules.publication import PublishedRulebook as PublishedRulebook
from rules.publication import RulebookSummary as RulebookSummary
from rules.publication import carried as carried
from rules.publication import entry_types as entry_types
from rules.publication import publish as publish
from rules.publication import publish_effective as publish_effective
from rules.quantities import LengthUnit, LengthValue, PressureUnit, PressureValue, Units, convert
from rules.rulebook import LocalReference as LocalReference
from rules.rulebook import Protection, Rulebook
from rules.standing import (
    ComponentTrend,
    Occurrence,
    OrdinaryDays,
    Standing,
    StandingAction,
    StandingStatus,
    TestEvent,
    TrendedTest,
    ordinary_days,
    rested_on,
    standing,
    standing_on,
    trends,
)
from rules.standing import book_for as book_for
from rules.standing import fits_hazard as fits_hazard
from rules.standing import hazard_of_class as hazard_of_class
from rules.stating import check_local as check_local

__all__ = [
    "CAUTION",
    "ComponentTrend",
    "TrendedTest",
    "trends",
    "Acceptance",
    "Action",
    "Basis",
    "AirInletReading",
    "Check1Reading",
    "Check2Reading",
    "CheckReading",
    "JudgedBy",
    "Occurrence",
    "Outcome",
    "ReliefValveReading",
    "Severity",
    "StandingStatus",
    "TestedAssembly",
    "AssemblyKind",
    "Catalogue",
    "Diagnosis",
    "DocumentError",
    "Finding",
    "Flag",
    "GaugeUsed",
    "Hazard",
    "Kind",
    "LengthUnit",
    "LengthValue",
    "NotInForceError",
    "NotJudgeableError",
    "Phase",
    "PhaseVerdict",
    "PressureUnit",
    "PressureValue",
    "PreviousReadings",
    "Protection",
    "Reading",
    "Repair",
    "Rulebook",
    "RulesError",
    "Shutoffs",
    "Standing",
    "Test",
    "TestEvent",
    "TestUnits",
    "InspectedKind",
    "RegisteredKind",
    "TestableKind",
    "CertifiedTester",
    "Units",
    "UnknownRulebookError",
    "Verdict",
    "catalogue",
    "certificate_covers",
    "convert",
    "installation_fault",
    "judge",
    "offset_fault",
    "rulebook",
    "OrdinaryDays",
    "ordinary_days",
    "rested_on",
    "StandingAction",
    "rulebook_data",
    "rulebook_ids",
    "standing",
    "standing_on",
]
