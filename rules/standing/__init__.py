"""The standing of an assembly over time: what its reports say, and when the next test is due."""

from rules.standing.schedule import interval_for as interval_for
from rules.standing.schedule import next_due as next_due
from rules.standing.standing import Occurrence as Occurrence
from rules.standing.standing import Standing as Standing
from rules.standing.standing import StandingStatus as StandingStatus
from rules.standing.standing import TestEvent as TestEvent
from rules.standing.standing import standing as standing
from rules.standing.standing import standing_on as standing_on
