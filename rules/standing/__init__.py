"""The standing of an assembly over time: what its reports say, when the next test is due, and how its components wear."""

from rules.standing.history import TestEvent as TestEvent
from rules.standing.history import rested_on as rested_on
from rules.standing.place import fits_hazard as fits_hazard
from rules.standing.place import hazard_of_class as hazard_of_class
from rules.standing.schedule import OrdinaryDays as OrdinaryDays
from rules.standing.schedule import book_for as book_for
from rules.standing.schedule import interval_for as interval_for
from rules.standing.schedule import next_due as next_due
from rules.standing.schedule import ordinary_days as ordinary_days
from rules.standing.standing import Occurrence as Occurrence
from rules.standing.standing import Standing as Standing
from rules.standing.standing import StandingAction as StandingAction
from rules.standing.standing import StandingStatus as StandingStatus
from rules.standing.standing import standing as standing
from rules.standing.standing import standing_on as standing_on
from rules.standing.trend import ComponentTrend as ComponentTrend
from rules.standing.trend import TrendedTest as TrendedTest
from rules.standing.trend import trends as trends
