"""The local frame: a plane that touches the ellipsoid at the fence."""

from typing import overload

import numpy as np
import numpy.typing as npt
from pymap3d import geodetic2ecef, uvw2enu

Array = npt.NDArray[np.float64]


class Frame:
    """Metres east and north of an origin, from WGS 84 degrees.

    Every point is taken at the height of the origin, so that a fence drawn without heights and a
    receiver that reports one land in the same plane. Method: EPSG 9837, geographic to topocentric
    (IOGP Guidance Note 373-7-2), by pymap3d.
    """

    def __init__(self, lat_deg: float, lon_deg: float, height_m: float = 0.0) -> None:
        self.origin = (lat_deg, lon_deg, height_m)
        self._origin_xyz_m = geodetic2ecef(lat_deg, lon_deg, height_m)

    @overload
    def to_local(self, lat_deg: float, lon_deg: float) -> tuple[float, float]: ...
    @overload
    def to_local(self, lat_deg: Array, lon_deg: Array) -> tuple[Array, Array]: ...
    def to_local(
        self, lat_deg: float | Array, lon_deg: float | Array
    ) -> tuple[float | Array, float | Array]:
        """East and north in metres; numbers or arrays of one shape."""
        x, y, z = geodetic2ecef(lat_deg, lon_deg, self.origin[2])
        x0, y0, z0 = self._origin_xyz_m
        east, north, _up = uvw2enu(x - x0, y - y0, z - z0, *self.origin[:2])
        return east, north
