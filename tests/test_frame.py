"""The local frame, against PROJ, a published worked example and geodesics."""

import math

import numpy as np
import pymap3d
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer

from fenceguard.lawn.frame import Frame


def topocentric(lat: float, lon: float, height_m: float) -> Transformer:
    """PROJ's own tangent plane on WGS 84 (EPSG method 9837)."""
    return Transformer.from_pipeline(
        "+proj=pipeline +step +proj=cart +ellps=WGS84 "
        f"+step +proj=topocentric +ellps=WGS84 +lat_0={lat} +lon_0={lon} +h_0={height_m}"
    )


@given(
    lat=st.floats(-85.0, 85.0),
    lon=st.floats(-180.0, 180.0),
    height_m=st.floats(-100.0, 3000.0),
    distance_m=st.floats(0.0, 2000.0),
    bearing=st.floats(0.0, 2.0 * math.pi),
)
def test_within_a_millimetre_of_proj_over_two_kilometres(
    lat: float, lon: float, height_m: float, distance_m: float, bearing: float
) -> None:
    there = Geodesic.WGS84.Direct(lat, lon, math.degrees(bearing), distance_m)
    frame = Frame(lat, lon, height_m)
    east, north = frame.to_local(there["lat2"], there["lon2"])
    expected = topocentric(lat, lon, height_m).transform(there["lon2"], there["lat2"], height_m)
    assert east == pytest.approx(expected[0], abs=1e-3)
    assert north == pytest.approx(expected[1], abs=1e-3)


ROUNDING_M = 4e-9
"""Four times the spacing of floating-point numbers as large as the earth's radius, 0.93 nm."""


@given(
    lat=st.floats(-89.0, 89.0),
    lon=st.floats(-180.0, 180.0),
    height_m=st.floats(-100.0, 3000.0),
    north_deg=st.floats(-0.02, 0.02),
    east_deg=st.floats(-0.02, 0.02),
)
def test_a_number_gives_the_same_as_pymap3d_and_proj_but_for_rounding(
    lat: float, lon: float, height_m: float, north_deg: float, east_deg: float
) -> None:
    there = lat + north_deg, lon + east_deg
    found = Frame(lat, lon, height_m).to_local(*there)
    by_pymap3d = pymap3d.geodetic2enu(*there, height_m, lat, lon, height_m)
    by_proj = topocentric(lat, lon, height_m).transform(there[1], there[0], height_m)
    assert found == pytest.approx(by_pymap3d[:2], rel=0.0, abs=ROUNDING_M)
    assert found == pytest.approx(by_proj[:2], rel=0.0, abs=ROUNDING_M)


def test_geodesic_distance_is_kept_to_a_millimetre_at_lawn_size() -> None:
    """Geodesic by Karney's geographiclib, independent of pymap3d, at ellipsoid height."""
    there = Geodesic.WGS84.Direct(47.0, 8.0, 37.0, 100.0)
    east, north = Frame(47.0, 8.0).to_local(there["lat2"], there["lon2"])
    assert math.hypot(east, north) == pytest.approx(100.0, abs=1e-3)
    assert math.degrees(math.atan2(east, north)) == pytest.approx(37.0, abs=1e-3)


def test_worked_example_of_the_epsg_guidance_note() -> None:
    """IOGP Guidance Note 373-7-2, methods 9602 and 9837, by the library under the frame."""
    lat, lon = 53 + 48 / 60 + 33.820 / 3600, 2 + 7 / 60 + 46.380 / 3600
    assert pymap3d.geodetic2ecef(lat, lon, 73.0) == pytest.approx(
        (3771793.968, 140253.342, 5124304.349), abs=1e-3
    )
    assert pymap3d.geodetic2enu(lat, lon, 73.0, 55.0, 5.0, 200.0) == pytest.approx(
        (-189013.869, -128642.040, -4220.171), abs=1e-3
    )


def test_arrays_give_the_same_as_single_points() -> None:
    frame = Frame(50.0, 10.0, 200.0)
    lats, lons = np.array([50.001, 49.999]), np.array([10.002, 9.997])
    easts, norths = frame.to_local(lats, lons)
    for index in range(2):
        assert (easts[index], norths[index]) == pytest.approx(
            frame.to_local(float(lats[index]), float(lons[index])), abs=1e-9
        )


def test_the_height_of_the_origin_is_taken_for_every_point() -> None:
    east, north = Frame(50.0, 10.0, 1000.0).to_local(50.0, 10.001)
    low_east, _ = Frame(50.0, 10.0, 0.0).to_local(50.0, 10.001)
    assert east / low_east == pytest.approx(1.0 + 1000.0 / 6_388_000.0, abs=1e-6)
    assert abs(north) < 0.01


def test_an_origin_without_a_height_lies_on_the_ellipsoid() -> None:
    there = 50.001, 10.002
    assert Frame(50.0, 10.0).to_local(*there) == Frame(50.0, 10.0, 0.0).to_local(*there)
