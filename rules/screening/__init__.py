"""Screening: records that deserve a second look, with the evidence, never an accusation."""

from rules.screening.document import CAUTION as CAUTION
from rules.screening.document import Number as Number
from rules.screening.document import ScreenedTest as ScreenedTest
from rules.screening.document import ScreeningEvidence as ScreeningEvidence
from rules.screening.document import SecondLook as SecondLook
from rules.screening.document import Subject as Subject
from rules.screening.document import numbers_of as numbers_of
from rules.screening.gauges import GaugeHalves as GaugeHalves
from rules.screening.gauges import halves_of as halves_of
from rules.screening.gauges import looks_at_gauges as looks_at_gauges
from rules.screening.identity import IdentityChange as IdentityChange
from rules.screening.identity import SharedSerial as SharedSerial
from rules.screening.identity import looks_at_changes as looks_at_changes
from rules.screening.identity import looks_at_shared as looks_at_shared
from rules.screening.settings import Screen as Screen
from rules.screening.settings import Stated as Stated
from rules.screening.settings import data as data
from rules.screening.settings import stated as stated
from rules.screening.tally import Middles as Middles
from rules.screening.tally import Tally as Tally
from rules.screening.testers import looks_at_testers as looks_at_testers
from rules.screening.times import looks_at_times as looks_at_times
from rules.screening.times import within_reach as within_reach
