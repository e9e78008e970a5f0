"""Choosing and placing: which kinds may be installed, and whether an installation is right. Everything others may use is here."""

from rules.selection.air_gap import AirGap as AirGap
from rules.selection.document import AppliedHazard as AppliedHazard
from rules.selection.document import Condition as Condition
from rules.selection.document import KindAnswer as KindAnswer
from rules.selection.document import Reason as Reason
from rules.selection.document import SelectionAnswer as SelectionAnswer
from rules.selection.document import SelectionAsk as SelectionAsk
from rules.selection.document import Site as Site
from rules.selection.hazard import Listing as Listing
from rules.selection.hazard import PremisesType as PremisesType
from rules.selection.hazard import premises_types as premises_types
from rules.selection.hydraulics import Hydraulics as Hydraulics
from rules.selection.hydraulics import LossModel as LossModel
from rules.selection.hydraulics import LossPoint as LossPoint
from rules.selection.installation import Installation as Installation
from rules.selection.installation import PlacementAction as PlacementAction
from rules.selection.installation import PlacementAnswer as PlacementAnswer
from rules.selection.installation import PlacementAsk as PlacementAsk
from rules.selection.installation import PlacementFinding as PlacementFinding
from rules.selection.placement import place as place
from rules.selection.selection import select as select
from rules.selection.suitability import Suitability as Suitability
from rules.selection.suitability import suitability as suitability
from rules.selection.tables import Carried as Carried
from rules.selection.tables import Purpose as Purpose
