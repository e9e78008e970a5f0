"""The inspection of what is not field-tested: air gaps, atmospheric vacuum breakers, barometric loops."""

from rules.inspection.document import InspectedAssembly as InspectedAssembly
from rules.inspection.document import Inspection as Inspection
from rules.inspection.document import InspectionUnits as InspectionUnits
from rules.inspection.document import InspectionVerdict as InspectionVerdict
from rules.inspection.verdict import inspect as inspect
