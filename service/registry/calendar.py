"""The day where a utility is."""

import datetime as dt
from zoneinfo import ZoneInfo

from service.registry.schemas import Utility


def today(utility: Utility, now: dt.datetime) -> dt.date:
    """The day it is where the utility is."""
    return now.astimezone(ZoneInfo(utility.time_zone)).date()
