"""How an assembly operates: the hydraulics of its parts, and what follows from them."""

from rules.operation.drawing import Scene, draw, draw_operation, draw_verdict
from rules.operation.matrix import MatrixRow, protected, protection, protection_matrix, withstands
from rules.operation.operation import OperationAnswer, OperationAsk, OperationStep, StepAnswer, operate
from rules.operation.practice_test import (
    LineCondition,
    PracticeGauge,
    PracticeShutoffs,
    PracticeStep,
    PracticeTestAnswer,
    PracticeTestAsk,
    practice_test,
)
from rules.operation.zones import OPERABLE_KINDS, OperableKind

__all__ = [
    "OPERABLE_KINDS",
    "LineCondition",
    "MatrixRow",
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
    "operate",
    "practice_test",
    "protected",
    "protection",
    "protection_matrix",
    "withstands",
]
