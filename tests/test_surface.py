"""The lawn's surface, against numpy's least squares and against surfaces known beforehand."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator

from fenceguard.lawn.frame import Array
from fenceguard.lawn.surface import FEWEST_POINTS, Plane, Triangles, fitted

PLACES = st.tuples(st.integers(-1000, 1000), st.integers(-1000, 1000))
HEIGHTS = st.floats(-3.0, 3.0)


@st.composite
def surveys(draw: st.DrawFn) -> Array:
    """Heights of 4 to 12 places, decimetres apart or more, not all on a line."""
    places = np.array(draw(st.lists(PLACES, min_size=4, max_size=12, unique=True))) / 10.0
    offsets = places[1:] - places[0]
    areas = offsets[:, None, 0] * offsets[None, :, 1] - offsets[:, None, 1] * offsets[None, :, 0]
    if np.abs(areas).max() < 1.0:
        places[0] += [7.0, -3.0]
        places[1] += [-5.0, 11.0]
    heights = draw(st.lists(HEIGHTS, min_size=len(places), max_size=len(places)))
    return np.column_stack([places, 200.0 + np.array(heights)])


def ring(count: int, radius_m: float, rough_m: float = 0.0) -> Array:
    """Places on a circle, on a hill that is no plane, every other one too high by `rough_m`."""
    angles = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    east, north = radius_m * np.cos(angles), radius_m * np.sin(angles)
    rough = rough_m * (np.arange(count) % 2)
    return np.column_stack([east, north, 100.0 + 0.01 * east**2 + rough])


def least_squares(points_m: Array) -> tuple[Array, float]:
    """Coefficients about the middle of the points, and the residual standard error, by numpy."""
    offsets = points_m[:, :2] - points_m[:, :2].mean(axis=0)
    terms = np.hstack([offsets, np.ones((len(points_m), 1))])
    found, _squares, rank, _singular = np.linalg.lstsq(terms, points_m[:, 2])
    assert rank == 3
    residuals = points_m[:, 2] - terms @ found
    return found, float(np.sqrt((residuals**2).sum() / (len(points_m) - 3)))


@given(points_m=surveys(), east_m=st.floats(-100.0, 100.0), north_m=st.floats(-100.0, 100.0))
def test_the_plane_is_that_of_least_squares(points_m: Array, east_m: float, north_m: float) -> None:
    plane = Plane(points_m)
    (east_slope, north_slope, middle_m), error_m = least_squares(points_m)
    east_off_m, north_off_m = [east_m, north_m] - points_m[:, :2].mean(axis=0)
    expected_m = middle_m + east_slope * east_off_m + north_slope * north_off_m
    assert plane.height_m(east_m, north_m) == pytest.approx(expected_m, abs=1e-6)
    assert plane.tolerance_m == pytest.approx(3.0 * error_m, abs=1e-9)


@given(
    points_m=surveys(),
    east_slope=st.floats(-0.5, 0.5),
    north_slope=st.floats(-0.5, 0.5),
    origin_m=st.floats(-100.0, 3000.0),
    east_m=st.floats(-100.0, 100.0),
    north_m=st.floats(-100.0, 100.0),
)
def test_an_exact_plane_is_found_again(
    points_m: Array,
    east_slope: float,
    north_slope: float,
    origin_m: float,
    east_m: float,
    north_m: float,
) -> None:
    heights_m = origin_m + points_m[:, :2] @ [east_slope, north_slope]
    plane = Plane(np.column_stack([points_m[:, :2], heights_m]))
    expected_m = origin_m + east_slope * east_m + north_slope * north_m
    assert plane.height_m(east_m, north_m) == pytest.approx(expected_m, abs=1e-6)
    assert plane.tolerance_m == pytest.approx(0.0, abs=1e-6)


def test_the_planes_tolerance_by_hand() -> None:
    """One corner of a square 0.4 m up: residuals of 0.1 m, four of them, one degree of freedom."""
    square_m = np.array([[0.0, 0.0, 0.4], [10.0, 0.0, 0.0], [10.0, 10.0, 0.0], [0.0, 10.0, 0.0]])
    assert Plane(square_m).tolerance_m == pytest.approx(3.0 * math.sqrt(4 * 0.1**2))
    assert Plane(square_m).height_m(5.0, 5.0) == pytest.approx(0.1)


@given(points_m=surveys())
def test_triangles_go_through_the_points(points_m: Array) -> None:
    triangles = Triangles(points_m)
    for east_m, north_m, height_m in points_m:
        assert triangles.height_m(east_m, north_m) == pytest.approx(height_m, abs=1e-6)


@given(
    east_m=st.floats(0.0, 10.0),
    north_m=st.floats(0.0, 10.0),
    heights_m=st.lists(HEIGHTS, min_size=4, max_size=4),
)
def test_triangles_are_linear_between_the_points(
    east_m: float, north_m: float, heights_m: list[float]
) -> None:
    """The short diagonal of a kite is an edge of Delaunay's triangulation; scipy's is another."""
    places = [[0.0, 0.0], [12.0, 3.0], [10.0, 10.0], [3.0, 12.0]]
    points_m = np.column_stack([places, heights_m])
    expected_m = float(LinearNDInterpolator(places, heights_m)(east_m, north_m))
    triangles = Triangles(points_m)
    if not math.isnan(expected_m):
        assert triangles.height_m(east_m, north_m) == pytest.approx(expected_m, abs=1e-6)
    assert min(heights_m) - 1e-6 <= triangles.height_m(east_m, north_m) <= max(heights_m) + 1e-6


def test_a_triangle_five_centimetres_deep_still_slopes() -> None:
    points_m = np.array([[0.0, 0.0, 0.0], [20.0, 0.0, 0.0], [10.0, 20.0, 0.0], [10.0, 0.05, 1.0]])
    assert Triangles(points_m).height_m(10.0, 0.025) == pytest.approx(0.5)


@pytest.mark.parametrize(("deep_m", "height_m"), [(0.0041, 1.0 / 3.0), (0.0039, 1.0)])
def test_a_triangle_that_is_too_thin_to_slope_is_none(deep_m: float, height_m: float) -> None:
    """On a side of 30 m it is one from 4 mm on: half of that by 30 m is 1 mm by 60 m."""
    points_m = np.array(
        [[0, 0, 0], [15, deep_m, 1], [30, 0, 0], [30, 20, 0], [0, 20, 0]], dtype=float
    )
    assert Triangles(points_m).height_m(10.0, deep_m / 3.0) == pytest.approx(height_m)


def test_a_flat_triangulated_lawn_is_as_flat_between() -> None:
    points_m = ring(12, 20.0)
    points_m[:, 2] = 55.0 + 0.1 * points_m[:, 0] - 0.2 * points_m[:, 1]
    assert Triangles(points_m).height_m(3.0, -4.0) == pytest.approx(55.0 + 0.3 + 0.8)


@pytest.mark.parametrize(
    ("place_m", "height_m"),
    [((-1.0, -1.0), 1.0), ((11.0, -50.0), 2.0), ((30.0, 9.0), 4.0), ((-0.001, 9.0), 8.0)],
)
def test_outside_of_all_triangles_the_nearest_point_counts(
    place_m: tuple[float, float], height_m: float
) -> None:
    square_m = np.array([[0.0, 0.0, 1.0], [10.0, 0.0, 2.0], [10.0, 10.0, 4.0], [0.0, 10.0, 8.0]])
    assert Triangles(square_m).height_m(*place_m) == height_m


@given(
    points_m=surveys(),
    walk=st.lists(
        st.tuples(
            st.integers(0, 11),
            st.integers(0, 11),
            st.sampled_from([0.0, 0.25, 0.5, 1.0]),
            st.sampled_from([0.0, 0.0, 1e-12, -1e-12, 1e-7, -1e-7, 1e-5, -1e-5, 0.3, -0.3]),
        ),
        min_size=2,
        max_size=12,
    ),
)
def test_a_height_does_not_depend_on_the_way_that_led_there(
    points_m: Array, walk: list[tuple[int, int, float, float]]
) -> None:
    """At points, on lines between them, which are sides of triangles, and close to both."""
    walked = Triangles(points_m)
    for one, other, share, beside_m in walk:
        begin_m = points_m[one % len(points_m), :2]
        end_m = points_m[other % len(points_m), :2]
        east_m, north_m = (begin_m + share * (end_m - begin_m) + beside_m).tolist()
        asked_first = Triangles(points_m).height_m(east_m, north_m)
        assert walked.height_m(east_m, north_m) == asked_first


def test_within_one_triangle_it_is_not_looked_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    corners = [[0.0, 0.0, 1.0], [10.0, 0.0, 2.0], [12.0, 9.0, 1.0], [0.0, 10.0, 3.0]]
    triangles = Triangles(np.array(corners))
    # The diagonal of the shorter way between two corners, from (10, 0) to (0, 10), parts the two.
    assert triangles.height_m(3.0, 3.0) == pytest.approx(1.0 + 0.3 + 0.6)
    monkeypatch.setattr(triangles, "_tree", None)
    for east_m, north_m in [(1e-5, 1e-5), (4.9999, 5.0), (9.9, 0.05), (0.01, 9.9)]:
        expected_m = 1.0 + 0.1 * east_m + 0.2 * north_m
        assert triangles.height_m(east_m, north_m) == pytest.approx(expected_m)
    for east_m, north_m in [(5.0001, 5.0), (-1e-5, 1.0), (1.0, -1e-5), (5.0, 5.0)]:
        with pytest.raises(AttributeError):
            triangles.height_m(east_m, north_m)


def test_the_triangles_tolerance_by_hand() -> None:
    """Each corner of a square against the middle between its neighbours."""
    square_m = np.array([[0.0, 0.0, 1.0], [10.0, 0.0, 2.0], [10.0, 10.0, 4.0], [0.0, 10.0, 8.0]])
    residuals = [1.0 - 5.0, 2.0 - 2.5, 4.0 - 5.0, 8.0 - 2.5]
    expected_m = 3.0 * math.sqrt(sum(r * r for r in residuals) / 4.0)
    assert Triangles(square_m).tolerance_m == pytest.approx(expected_m)


@pytest.mark.parametrize("lifted_m", [0.0, 0.3])
def test_the_triangles_tolerance_weighs_the_nearer_neighbour_more(lifted_m: float) -> None:
    points_m = np.array(
        [[0.0, 0.0, 0.0], [1.0, 0.0, 0.1], [10.0, 0.0, 1.0], [10.0, 10.0, 1.0], [0.0, 10.0, 0.0]]
    )
    points_m[1, 2] += lifted_m
    residuals_m = residuals_by_hand(points_m)
    assert residuals_m[1] == pytest.approx(lifted_m)
    expected_m = 3.0 * math.sqrt(np.mean(np.square(residuals_m)))
    assert Triangles(points_m).tolerance_m == pytest.approx(expected_m)


def residuals_by_hand(points_m: Array) -> list[float]:
    """How far each point lies above the line between its neighbours, by `numpy.interp`."""
    count, residuals = len(points_m), []
    for n in range(count):
        a, b, c = points_m[n - 1], points_m[n], points_m[(n + 1) % count]
        way_m, whole_m = math.dist(a[:2], b[:2]), math.dist(a[:2], b[:2]) + math.dist(b[:2], c[:2])
        residuals.append(float(b[2] - np.interp(way_m, [0.0, whole_m], [a[2], c[2]])))
    return residuals


def test_the_surface_with_the_smaller_tolerance_is_taken() -> None:
    hill = fitted(ring(60, 20.0))
    assert isinstance(hill, Triangles)
    assert hill.tolerance_m < Plane(ring(60, 20.0)).tolerance_m
    rough = fitted(ring(60, 20.0, rough_m=5.0))
    assert isinstance(rough, Plane)
    assert rough.tolerance_m < Triangles(ring(60, 20.0, rough_m=5.0)).tolerance_m


@given(points_m=surveys())
def test_no_surface_beats_the_fitted_one(points_m: Array) -> None:
    surface = fitted(points_m)
    assert surface is not None
    tolerances_m = Plane(points_m).tolerance_m, Triangles(points_m).tolerance_m
    assert surface.tolerance_m == min(tolerances_m)


def test_too_few_points_make_no_surface() -> None:
    points_m = ring(FEWEST_POINTS, 10.0)
    assert fitted(points_m) is not None
    assert fitted(points_m[:-1]) is None
    assert fitted(points_m[[0, 1, 2, 2]]) is None
    assert fitted(points_m[[0, 0, 0, 0, 0]]) is None


@pytest.mark.parametrize("repeats", [2, 3, 5])
def test_of_several_points_at_one_place_the_first_counts(repeats: int) -> None:
    once_m = ring(30, 20.0)
    again_m = once_m[7] + [0.0001, 0.0, 2.0]
    surface = fitted(np.insert(once_m, 8, [again_m] * (repeats - 1), axis=0))
    expected = fitted(once_m)
    assert isinstance(surface, Triangles)
    assert expected is not None
    assert surface.tolerance_m == expected.tolerance_m
    assert surface.height_m(*once_m[7, :2]) == pytest.approx(once_m[7, 2])


@given(
    ways_m=st.lists(st.floats(-100.0, 100.0), min_size=4, max_size=10),
    bearing=st.floats(0.0, math.tau),
    rough_m=st.lists(st.floats(-1.0, 1.0), min_size=10, max_size=10),
    east_m=st.floats(-200.0, 200.0),
    north_m=st.floats(-200.0, 200.0),
)
def test_points_on_a_line_are_no_trouble(
    ways_m: list[float], bearing: float, rough_m: list[float], east_m: float, north_m: float
) -> None:
    ways = np.array(ways_m)
    points_m = np.column_stack(
        [ways * math.sin(bearing), ways * math.cos(bearing), rough_m[: len(ways)]]
    )
    surface = fitted(points_m)
    if surface is not None:
        assert math.isfinite(surface.height_m(east_m, north_m))
        assert math.isfinite(surface.tolerance_m)


@given(
    along=st.lists(st.integers(0, 300), min_size=3, max_size=12, unique=True),
    crooked_m=st.sampled_from([0.0, 1e-15, 1e-12, 1e-9, 1e-6, 1e-3]),
    bearing=st.floats(0.0, math.tau),
    data=st.data(),
)
def test_many_points_on_a_straight_side_are_no_trouble(
    along: list[int], crooked_m: float, bearing: float, data: st.DataObject
) -> None:
    """Sides of the ring that are straight but for rounding, and places on them."""
    count = len(along)
    ahead = np.array([*sorted(along), *sorted(along, reverse=True)]) / 3.0
    beside = np.array([0.0] * count + [15.0] * count) + crooked_m * (np.arange(2 * count) % 3)
    sin, cos = math.sin(bearing), math.cos(bearing)
    places = np.column_stack([ahead * sin + beside * cos, ahead * cos - beside * sin])
    heights_m = np.array(data.draw(st.lists(HEIGHTS, min_size=2 * count, max_size=2 * count)))
    triangles = Triangles(np.column_stack([places, heights_m]))
    lowest_m, highest_m = heights_m.min() - 1e-6, heights_m.max() + 1e-6
    for place in [*places, *(places[1:] + places[:-1]) / 2.0]:
        assert lowest_m <= triangles.height_m(*place) <= highest_m


# How it rises


@given(
    points_m=surveys(),
    east_m=st.floats(-50.0, 50.0),
    north_m=st.floats(-50.0, 50.0),
    by_m=st.floats(-1.0, 1.0),
)
def test_a_plane_rises_as_its_gradient_says(
    points_m: Array, east_m: float, north_m: float, by_m: float
) -> None:
    plane = Plane(points_m)
    east, north = plane.gradient(east_m, north_m)
    here_m = plane.height_m(east_m, north_m)
    assert plane.height_m(east_m + by_m, north_m) - here_m == pytest.approx(east * by_m, abs=1e-7)
    assert plane.height_m(east_m, north_m + by_m) - here_m == pytest.approx(north * by_m, abs=1e-7)


@given(east_m=st.floats(1.0, 8.0), north_m=st.floats(1.0, 8.0), way=st.floats(0.0, math.tau))
def test_a_triangle_rises_as_its_gradient_says(east_m: float, north_m: float, way: float) -> None:
    """Away from the diagonal, from (10, 0) to (0, 10), that parts the two triangles."""
    corners = [[0.0, 0.0, 1.0], [10.0, 0.0, 2.0], [12.0, 9.0, 1.0], [0.0, 10.0, 3.0]]
    triangles = Triangles(np.array(corners))
    if abs(east_m + north_m - 10.0) < 0.1:
        east_m -= 0.2
    east, north = triangles.gradient(east_m, north_m)
    by_m = 0.01 * math.sin(way), 0.01 * math.cos(way)
    rise_m = triangles.height_m(east_m + by_m[0], north_m + by_m[1])
    rise_m -= triangles.height_m(east_m, north_m)
    assert rise_m == pytest.approx(east * by_m[0] + north * by_m[1], abs=1e-9)
    if east_m + north_m < 10.0:
        assert (east, north) == pytest.approx((0.1, 0.2))


def test_outside_of_all_triangles_the_ground_is_level() -> None:
    corners = [[0.0, 0.0, 1.0], [10.0, 0.0, 2.0], [12.0, 9.0, 1.0], [0.0, 10.0, 3.0]]
    triangles = Triangles(np.array(corners))
    assert triangles.gradient(3.0, 3.0) != (0.0, 0.0)
    assert triangles.gradient(-0.001, 3.0) == (0.0, 0.0)
    assert triangles.gradient(300.0, 3.0) == (0.0, 0.0)
