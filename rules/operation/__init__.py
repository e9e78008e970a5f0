"""How an assembly operates: the hydraulics of its parts, and what follows from them."""

from rules.operation.drawing import Scene, draw, draw_operation, draw_verdict
from rules.operation.kinds import OPERABLE_KINDS, OperableKind, is_type_ii, parts_of
from rules.operation.matrix import (
    LEAK_SIZES,
    MECHANISMS,
    LeakSize,
    MatrixRow,
    protected,
    protection,
    protection_matrix,
    survives,
    withstands,
)
from rules.operation.operation import OperationAnswer, StepAnswer, operate, protection_in
from rules.operation.physics import Mechanism
from rules.operation.practice_test import (
    LineCondition,
    PracticeGauge,
    PracticeShutoffs,
    PracticeStep,
    PracticeTestAnswer,
    PracticeTestAsk,
    practice_test,
)
from rules.operation.request import OperationAsk, OperationStep

__all__ = [
    "LEAK_SIZES",
    "MECHANISMS",
    "OPERABLE_KINDS",
    "LeakSize",
    "LineCondition",
    "MatrixRow",
    "Mechanism",
    "OperableKind",
    "OperationAnswer",
    "OperationAsk",
    "OperationStep",
    "PracticeGauge",
    "PracticeShutoffs",
    "PracticeStep",
    "PracticeTestAnswer",
    "PracticeTestAsk",
    "Scene",
    "StepAnswer",
    "draw",
    "draw_operation",
    "draw_verdict",
    "is_type_ii",
    "operate",
    "parts_of",
    "practice_test",
    "protected",
    "protection",
    "protection_in",
    "protection_matrix",
    "survives",
    "withstands",
]
