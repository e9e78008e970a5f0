"""Distances on the earth: the shortest line on the WGS 84 ellipsoid (Karney 2013, Algorithms for geodesics), by geographiclib."""

from typing import Final

from geographiclib.geodesic import Geodesic

# No degree of a meridian, and none of a parallel, is longer than this on WGS 84 (a degree of latitude at the poles: 111 694 m).
_LONGEST_DEGREE: Final = 111_700


def metres_between(latitude: float, longitude: float, other_latitude: float, other_longitude: float) -> float:
    """The length of the shortest line between two points, in metres; degrees, WGS 84."""
    line = Geodesic.WGS84.Inverse(latitude, longitude, other_latitude, other_longitude, Geodesic.DISTANCE)
    return float(line["s12"])


def metres_at_most(latitude: float, longitude: float, other_latitude: float, other_longitude: float) -> float:
    """A length that the shortest line does not exceed, had for next to nothing: along the meridian, then along the parallel."""
    east = abs(other_longitude - longitude) % 360
    return (abs(other_latitude - latitude) + min(east, 360 - east)) * _LONGEST_DEGREE
