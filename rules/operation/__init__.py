"""How an assembly operates: the hydraulics of its parts, and what follows from them."""

from rules.operation.matrix import MatrixRow, protected, protection, protection_matrix, withstands
from rules.operation.operation import OPERABLE_KINDS, OperationAnswer, OperationAsk, OperationStep, StepAnswer, operate
from rules.operation.zones import OperableKind

__all__ = [
    "OPERABLE_KINDS",
    "MatrixRow",
    "OperableKind",
    "OperationAnswer",
    "OperationAsk",
    "OperationStep",
    "StepAnswer",
    "operate",
    "protected",
    "protection",
    "protection_matrix",
    "withstands",
]
