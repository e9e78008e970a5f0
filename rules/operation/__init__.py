"""How an assembly operates: the hydraulics of its parts, and what follows from them."""

from rules.operation.drawing import Scene, draw, draw_operation, draw_verdict
from rules.operation.kinds import OPERABLE_KINDS, OperableKind, is_type_ii, parts_of
from rules.operation.matrix import (
    LEAK_SIZES,
    MECHANISMS,
    LeakSize,
    MatrixRow,
    protected,
    protection_matrix,
    survives,
    withstands,
)
from rules.operation.operation import OperationResult, StepResult, operate, protection_in
from rules.operation.physics import Mechanism
from rules.operation.practice_request import LineCondition, PracticeGauge, PracticeShutoffs, PracticeTestRequest
from rules.operation.practice_run import LineKey, PracticeStep, StepMeaning
from rules.operation.practice_test import PracticeKey, PracticeTest, practice_test
from rules.operation.procedures import Caution, CautionText, Procedure, Procedures, StepText, cautions_for, methods_of, procedures
from rules.operation.request import OperationRequest, OperationStep

__all__ = [
    "LEAK_SIZES",
    "MECHANISMS",
    "OPERABLE_KINDS",
    "LeakSize",
    "Caution",
    "CautionText",
    "LineCondition",
    "LineKey",
    "MatrixRow",
    "Mechanism",
    "OperableKind",
    "OperationResult",
    "OperationRequest",
    "OperationStep",
    "PracticeGauge",
    "PracticeKey",
    "PracticeShutoffs",
    "PracticeStep",
    "PracticeTest",
    "PracticeTestRequest",
    "Procedure",
    "Procedures",
    "Scene",
    "StepMeaning",
    "StepText",
    "StepResult",
    "cautions_for",
    "draw",
    "draw_operation",
    "draw_verdict",
    "is_type_ii",
    "methods_of",
    "operate",
    "parts_of",
    "practice_test",
    "procedures",
    "protected",
    "protection_in",
    "protection_matrix",
    "survives",
    "withstands",
]
