"""How an assembly operates: the hydraulics of its parts, and what follows from them."""

from rules.operation.matrix import MatrixRow, protected, protection, protection_matrix, withstands
from rules.operation.zones import OperableKind

__all__ = ["MatrixRow", "OperableKind", "protected", "protection", "protection_matrix", "withstands"]
