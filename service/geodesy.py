"""Distances on the earth: the shortest line on the WGS 84 ellipsoid (Karney 2013, Algorithms for geodesics), by geographiclib."""

from geographiclib.geodesic import Geodesic


def metres_between(latitude: float, longitude: float, other_latitude: float, other_longitude: float) -> float:
    """The length of the shortest line between two points, in metres; degrees, WGS 84."""
    line = Geodesic.WGS84.Inverse(latitude, longitude, other_latitude, other_longitude, Geodesic.DISTANCE)
    return float(line["s12"])
