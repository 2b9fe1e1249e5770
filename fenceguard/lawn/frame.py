"""The local frame: a plane that touches the ellipsoid at the fence."""

import math
from typing import overload

import numpy as np
import numpy.typing as npt
from pymap3d import Ellipsoid, geodetic2ecef, uvw2enu

Array = npt.NDArray[np.float64]

_WGS84 = Ellipsoid.from_name("wgs84")
_SEMI_MAJOR_M: float = _WGS84.semimajor_axis
_SEMI_MINOR_M: float = _WGS84.semiminor_axis


class Frame:
    """Metres east and north of an origin, from WGS 84 degrees.

    Every point is taken at the height of the origin, so that a fence drawn without heights and a
    receiver that reports one land in the same plane. Method: EPSG 9837, geographic to topocentric
    (IOGP Guidance Note 373-7-2); arrays by pymap3d, and single positions, of which many come in a
    second, by the same formula written out here.
    """

    def __init__(self, lat_deg: float, lon_deg: float, height_m: float = 0.0) -> None:
        self.origin = (lat_deg, lon_deg, height_m)
        self._origin_xyz_m = _xyz_m(lat_deg, lon_deg, height_m)
        lat, lon = math.radians(lat_deg), math.radians(lon_deg)
        self._sin_lat, self._cos_lat = math.sin(lat), math.cos(lat)
        self._sin_lon, self._cos_lon = math.sin(lon), math.cos(lon)

    @overload
    def to_local(self, lat_deg: float, lon_deg: float) -> tuple[float, float]: ...
    @overload
    def to_local(self, lat_deg: Array, lon_deg: Array) -> tuple[Array, Array]: ...
    def to_local(
        self, lat_deg: float | Array, lon_deg: float | Array
    ) -> tuple[float | Array, float | Array]:
        """East and north in metres; numbers or arrays of one shape."""
        x0, y0, z0 = self._origin_xyz_m
        if isinstance(lat_deg, np.ndarray) or isinstance(lon_deg, np.ndarray):
            x, y, z = geodetic2ecef(lat_deg, lon_deg, self.origin[2])
            east_m, north_m, _up_m = uvw2enu(x - x0, y - y0, z - z0, *self.origin[:2])
            return east_m, north_m
        x, y, z = _xyz_m(lat_deg, lon_deg, self.origin[2])
        x, y, z = x - x0, y - y0, z - z0
        outward_m = self._cos_lon * x + self._sin_lon * y
        return (
            self._cos_lon * y - self._sin_lon * x,
            self._cos_lat * z - self._sin_lat * outward_m,
        )


def _xyz_m(lat_deg: float, lon_deg: float, height_m: float) -> tuple[float, float, float]:
    """Geocentric position of a place on WGS 84 (EPSG method 9602)."""
    lat, lon = math.radians(lat_deg), math.radians(lon_deg)
    sin, cos = math.sin(lat), math.cos(lat)
    # Radius of curvature in the prime vertical: along the normal, from the place to the axis.
    radius_m = _SEMI_MAJOR_M**2 / math.hypot(_SEMI_MAJOR_M * cos, _SEMI_MINOR_M * sin)
    to_equator_m = radius_m * (_SEMI_MINOR_M / _SEMI_MAJOR_M) ** 2
    from_axis_m = (radius_m + height_m) * cos
    return (
        from_axis_m * math.cos(lon),
        from_axis_m * math.sin(lon),
        (to_equator_m + height_m) * sin,
    )
