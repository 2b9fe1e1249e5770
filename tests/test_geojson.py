"""What is accepted as a fence, and what is refused, with the feature and the vertex named."""

import copy
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fenceguard.errors import BadInput
from fenceguard.lawn.geojson import parse, read
from tests.support.lawns import LAWN, POND, Corners, collection, fence_of, lawn_with_pond, polygon


def refused(document: Any) -> str:
    with pytest.raises(BadInput) as caught:
        parse(document, "lawn.geojson")
    text = str(caught.value)
    assert all(line.startswith("lawn.geojson: ") for line in text.splitlines())
    return text


def test_a_lawn_with_a_pond() -> None:
    fence = fence_of(lawn_with_pond())
    assert [(ring.name, ring.keeps_in) for ring in fence.rings] == [("lawn", True), ("pond", False)]
    assert fence.area.area == pytest.approx(30 * 20 - 4 * 4, rel=1e-3)
    inside, in_pond, outside = fence.holds(np.array([[1.0, 1.0], [12.0, 10.0], [31.0, 1.0]]))
    assert (inside, in_pond, outside) == (True, False, False)
    assert fence.depth_m(np.array([[1.0, 1.0]])) == 0.0
    assert fence.depth_m(np.array([[1.0, 1.0], [12.0, 9.0]])) == pytest.approx(1.0, rel=1e-3)


def test_interior_rings_keep_out_as_well() -> None:
    fence = fence_of(collection(polygon(LAWN, "keep_in", "lawn", POND)))
    assert [ring.name for ring in fence.rings] == ["lawn", "lawn interior ring 1"]
    assert not fence.holds(np.array([[12.0, 10.0]]))[0]


def test_a_single_feature_and_overlapping_keep_outs() -> None:
    assert len(fence_of(polygon(LAWN, "keep_in", "lawn")).rings) == 1
    shifted = [(east + 2, north + 2) for east, north in POND]
    document = collection(
        polygon(POND, "keep_out", "pond"),
        polygon(LAWN, "keep_in", "lawn"),
        polygon(shifted, "keep_out", "reeds"),
    )
    fence = fence_of(document)
    assert fence.rings[0].name == "lawn"
    assert fence.area.area == pytest.approx(600 - 16 - 16 + 4, rel=1e-3)


def test_the_frame_takes_the_height_of_the_first_corner() -> None:
    document = lawn_with_pond()
    assert fence_of(document).frame.origin == (50.0, 10.0, 0.0)
    heights(document, 0, 312.5, 311.0, 310.0, 309.0, 312.5)
    assert fence_of(document).frame.origin == (50.0, 10.0, 312.5)


def heights(document: dict[str, Any], feature: int, *heights_m: float) -> None:
    """Give the positions of a feature's ring heights, from the first one on."""
    ring = document["features"][feature]["geometry"]["coordinates"][0]
    for position, height_m in zip(ring, heights_m, strict=False):
        position.append(height_m)


def test_heights_at_every_position_of_the_fence_give_its_surface() -> None:
    """A lawn that falls by 0.5 m over its 30 m to the east and rises by 0.2 m to the north."""
    document = lawn_with_pond()
    heights(document, 0, 312.5, 312.0, 312.2, 312.7, 312.5)
    surface = fence_of(document).surface
    assert surface is not None
    assert surface.height_m(15.0, 10.0) == pytest.approx(312.35, abs=1e-3)
    assert surface.height_m(30.0, 0.0) == pytest.approx(312.0, abs=1e-3)
    assert surface.tolerance_m == pytest.approx(0.0, abs=1e-3)


def test_the_position_that_closes_the_ring_is_not_counted_twice() -> None:
    document = lawn_with_pond()
    heights(document, 0, 100.4, 100.0, 100.0, 100.0, 100.4)
    surface = fence_of(document).surface
    assert surface is not None
    assert surface.tolerance_m == pytest.approx(3.0 * 0.2, rel=1e-3)


@pytest.mark.parametrize("missing", range(5))
def test_a_position_without_height_leaves_no_surface(missing: int) -> None:
    document = lawn_with_pond()
    heights(document, 0, *[312.5] * 5)
    document["features"][0]["geometry"]["coordinates"][0][missing].pop()
    fence = fence_of(document)
    assert fence.surface is None
    assert fence.frame.origin[2] == 0.0


def test_three_corners_or_heights_of_a_keep_out_alone_make_no_surface() -> None:
    corner = polygon([(0, 0), (5, 0), (0, 5)], "keep_in", "corner")
    for position in corner["geometry"]["coordinates"][0]:
        position.append(312.5)
    assert fence_of(corner).surface is None
    document = lawn_with_pond()
    heights(document, 1, *[312.5] * 5)
    assert fence_of(document).surface is None


@pytest.mark.parametrize("stations", [[], ["0123"], ["0123", "GRID-7", ""]])
def test_the_stations_of_the_survey_are_kept(stations: list[str]) -> None:
    document = lawn_with_pond()
    document["features"][0]["properties"]["stations"] = stations
    document["features"][1]["properties"]["stations"] = ["9999"]
    assert fence_of(document).stations == tuple(stations)


def test_a_fence_without_stations_has_none() -> None:
    assert fence_of(lawn_with_pond()).stations == ()


@pytest.mark.parametrize("stations", ["0123", 123, None, {"0123": True}, [123], ["0123", None]])
@pytest.mark.parametrize(("feature", "name"), [(0, "lawn"), (1, "pond")])
def test_refuses_stations_that_are_no_list_of_texts(stations: Any, feature: int, name: str) -> None:
    document = lawn_with_pond()
    document["features"][feature]["properties"]["stations"] = stations
    text = refused(document)
    assert f'lawn.geojson: feature {feature} "{name}": property "stations" is' in text
    assert json.dumps(stations) in text
    assert 'such as ["0123"]' in text
    assert len(text.splitlines()) == 1


def test_either_winding_is_accepted() -> None:
    """RFC 7946, 3.1.6: rings that do not follow the right-hand rule should not be refused."""
    document = collection(polygon(LAWN[::-1], "keep_in", "lawn"), polygon(POND, "keep_out", "pond"))
    assert fence_of(document).area.area == pytest.approx(584, rel=1e-3)


def test_a_keep_out_may_touch_the_fence() -> None:
    corner = [(0.0, 0.0), (2.0, 0.0), (0.0, 2.0)]
    document = collection(polygon(LAWN, "keep_in", "lawn"), polygon(corner, "keep_out", "corner"))
    assert fence_of(document).area.area == pytest.approx(598, rel=1e-3)


def test_refuses_a_ring_that_crosses_itself() -> None:
    bow = [(0.0, 0.0), (30.0, 20.0), (30.0, 0.0), (0.0, 20.0)]
    text = refused(collection(polygon(bow, "keep_in", "bow")))
    assert 'feature 0 "bow" vertex 0: the edge from vertex 0 to 1 crosses the edge from' in text
    assert "vertex 2 to 3" in text


def test_refuses_a_ring_that_touches_itself() -> None:
    pinched: Corners = [(0, 0), (5, 0), (10, 0), (10, 10), (5, 0), (0, 10)]
    text = refused(collection(polygon(pinched, "keep_in", "pinched")))
    assert "vertex 1: the ring touches or doubles back on itself" in text


def test_names_the_vertex_of_a_touch_that_lies_a_hair_off_the_origins_parallel() -> None:
    pinched: Corners = [(0, 0), (1, 0), (2, 0), (1.3, 1.2), (1, 0), (0.7, 1.2)]
    text = refused(collection(polygon(pinched, "keep_in", "pinched")))
    assert "vertex 1: the ring touches or doubles back on itself" in text


def test_where_keep_outs_lie_is_not_said_of_a_fence_that_crosses_itself() -> None:
    bow = [(0.0, 0.0), (30.0, 20.0), (30.0, 0.0), (0.0, 20.0)]
    away = [(east + 100, north) for east, north in POND]
    text = refused(collection(polygon(bow, "keep_in", "bow"), polygon(away, "keep_out", "away")))
    assert len(text.splitlines()) == 1


def test_refuses_an_open_ring() -> None:
    document = lawn_with_pond()
    document["features"][1]["geometry"]["coordinates"][0].pop()
    text = refused(document)
    assert 'feature 1 "pond" vertex 3: the ring is open' in text
    first = document["features"][1]["geometry"]["coordinates"][0][0]
    assert f"its last position must repeat its first, {first}" in text


@pytest.mark.parametrize(
    ("corners", "vertex", "different"),
    [
        ([], 0, 0),
        ([(0, 0)], 1, 1),
        ([(0, 0), (5, 5)], 2, 2),
        ([(0, 0), (5, 5), (0, 0)], 3, 2),
    ],
)
def test_refuses_fewer_than_three_corners(
    corners: list[tuple[float, float]], vertex: int, different: int
) -> None:
    document = collection(polygon(LAWN, "keep_in", "lawn"))
    document["features"][0]["geometry"]["coordinates"] = (
        [polygon(corners, "keep_in", "x")["geometry"]["coordinates"][0]] if corners else [[]]
    )
    text = refused(document)
    assert f'feature 0 "lawn" vertex {vertex}: the ring has {different} corners' in text
    assert text.endswith(" corners; it needs 3 or more")


def test_heights_make_no_corners_of_one_place() -> None:
    document = polygon([(0, 0), (5, 5), (0, 0)], "keep_in", "line")
    for position, height_m in zip(
        document["geometry"]["coordinates"][0], (1.0, 2.0, 3.0, 1.0), strict=True
    ):
        position.append(height_m)
    assert "vertex 3: the ring has 2 corners" in refused(document)


def test_three_corners_are_enough() -> None:
    assert fence_of(polygon([(0, 0), (5, 0), (0, 5)], "keep_in", "corner")).area.area > 1.0


def test_refuses_a_keep_out_outside_the_fence() -> None:
    away = [(east + 100, north) for east, north in POND]
    text = refused(collection(polygon(LAWN, "keep_in", "lawn"), polygon(away, "keep_out", "away")))
    assert 'feature 1 "away" vertex 0: the keep-out lies outside the fence' in text


def test_refuses_a_misplaced_keep_out_after_one_in_its_place() -> None:
    away = [(east + 100, north) for east, north in POND]
    document = lawn_with_pond()
    document["features"].append(polygon(away, "keep_out", "away"))
    assert 'feature 2 "away"' in refused(document)


def test_what_a_misplaced_keep_out_leaves_to_be_mowed_is_not_said() -> None:
    around: Corners = [(-1, -1), (31, -1), (31, 21), (-1, 21)]
    document = collection(polygon(LAWN, "keep_in", "lawn"), polygon(around, "keep_out", "around"))
    text = refused(document)
    assert "the keep-out crosses the fence" in text
    assert len(text.splitlines()) == 1


def test_refuses_a_keep_out_across_the_fence() -> None:
    across = [(28.0, 5.0), (33.0, 5.0), (33.0, 7.0), (28.0, 7.0)]
    text = refused(
        collection(polygon(LAWN, "keep_in", "lawn"), polygon(across, "keep_out", "drive"))
    )
    assert 'feature 1 "drive" vertex 1: the keep-out crosses the fence' in text


def test_refuses_an_interior_ring_across_the_fence() -> None:
    across = [(28.0, 5.0), (33.0, 5.0), (33.0, 7.0), (28.0, 7.0)]
    text = refused(collection(polygon(LAWN, "keep_in", "lawn", across)))
    assert 'feature 0 "lawn" interior ring 1 vertex 1: the keep-out crosses the fence' in text


def test_refuses_a_keep_out_with_a_hole() -> None:
    inner = [(11.0, 9.0), (12.0, 9.0), (12.0, 10.0)]
    text = refused(
        collection(polygon(LAWN, "keep_in", "lawn"), polygon(POND, "keep_out", "pond", inner))
    )
    assert 'feature 1 "pond": a keep-out polygon has an interior ring' in text


@pytest.mark.parametrize(
    ("position", "said"),
    [
        ([50.0, 110.0], "longitude and latitude look swapped"),
        ([10.0, 90.1], "longitude and latitude look swapped"),
        ([90.0, -180.0], "longitude and latitude look swapped"),
        ([90.1, 110.0], "latitude 110.0 is out of -90 to 90 degrees"),
        ([90.1, 90.1], "latitude 90.1 is out of -90 to 90 degrees"),
        ([50.0, 180.1], "latitude 180.1 is out of -90 to 90 degrees"),
        ([50.0, 190.0], "latitude 190.0 is out of -90 to 90 degrees"),
        ([190.0, 50.0], "longitude 190.0 is out of -180 to 180"),
        ([-180.1, 50.0], "longitude -180.1 is out of -180 to 180"),
        ([10.0, 50.0, 300.0, 1e9], "[10.0, 50.0, 300.0, 1000000000.0] is not a position"),
        ([10.0], "is not a position"),
        (["10", "50"], "is not a position"),
        ([10.0, None], "is not a position"),
        ([True, 50.0], "is not a position"),
        ([float("nan"), 50.0], "is not a position"),
        ("10,50", "is not a position"),
    ],
)
def test_refuses_a_bad_position(position: Any, said: str) -> None:
    document = lawn_with_pond()
    document["features"][0]["geometry"]["coordinates"][0][2] = position
    assert f'feature 0 "lawn" vertex 2: {""}' in refused(document)
    assert said in refused(document)


@pytest.mark.parametrize("position", [[180.0, -90.0], [-180.0, 90.0], [10.0, 90.0]])
def test_limits_of_latitude_and_longitude_themselves_are_positions(position: list[float]) -> None:
    document = lawn_with_pond()
    document["features"][0]["geometry"]["coordinates"][0][2] = position
    assert "m across" in refused(document)


def test_numbers_after_the_height_are_passed_over() -> None:
    """RFC 7946, 3.1.1: parsers may ignore additional elements."""
    document = lawn_with_pond()
    document["features"][0]["geometry"]["coordinates"][0][2] += [300.0, 0.99e9]
    assert len(fence_of(document).rings) == 2


def test_swapped_pairs_in_one_feature_are_far_from_the_other() -> None:
    document = lawn_with_pond()
    ring = document["features"][1]["geometry"]["coordinates"][0]
    document["features"][1]["geometry"]["coordinates"][0] = [[lat, lon] for lon, lat in ring]
    assert 'feature 1 "pond"' in refused(document)


def test_refuses_more_than_two_kilometres_across() -> None:
    def square(side: float) -> dict[str, Any]:
        corners = [(0.0, 0.0), (side, 0.0), (side, side), (0.0, side)]
        return collection(polygon(corners, "keep_in", "field"))

    assert 'feature 0 "field" vertex 2: the ring is 2' in refused(square(1420.0))
    assert fence_of(square(1410.0)).area.area > 1.9e6


def test_names_the_vertex_farthest_from_the_first_of_a_keep_out_that_is_too_large() -> None:
    stretched: Corners = [(-3000, 8), (14, 8), (14, 12), (10, 12)]
    text = refused(
        collection(polygon(LAWN, "keep_in", "lawn"), polygon(stretched, "keep_out", "stretched"))
    )
    assert 'feature 1 "stretched" vertex 2: the ring is 3014 m across' in text


def test_refuses_less_than_a_square_metre() -> None:
    def square(side: float) -> dict[str, Any]:
        corners = [(0.0, 0.0), (side, 0.0), (side, side), (0.0, side)]
        return collection(polygon(corners, "keep_in", "pot"))

    assert 'feature 0 "pot": 0.98 m² remain' in refused(square(0.99))
    assert fence_of(square(1.01)).area.area > 1.0


def test_refuses_keep_outs_that_leave_nothing() -> None:
    assert "remain to be mowed" in refused(
        collection(polygon(LAWN, "keep_in", "lawn"), polygon(LAWN, "keep_out", "everything"))
    )


@pytest.mark.parametrize(
    "document",
    [
        None,
        [],
        {},
        {"type": "FeatureCollection"},
        {"type": "FeatureCollection", "features": 7},
        {"type": "FeatureCollection", "features": {"lawn": {}}},
        {"type": "Polygon", "coordinates": []},
    ],
)
def test_refuses_what_is_not_a_collection(document: Any) -> None:
    assert "not a GeoJSON FeatureCollection" in refused(document)


@pytest.mark.parametrize(
    ("feature", "zone"),
    [
        (None, "null"),
        ({}, "null"),
        ({"properties": None}, "null"),
        ({"properties": {"zone": 1}}, "1"),
        ({"properties": {"zone": "lawn"}}, '"lawn"'),
    ],
)
def test_refuses_a_feature_without_a_zone(feature: Any, zone: str) -> None:
    text = refused({"type": "FeatureCollection", "features": [feature]})
    assert f'feature 0: property "zone" is {zone};' in text


@pytest.mark.parametrize(
    ("geometry", "kind"),
    [
        (None, "null"),
        ({"type": "Point", "coordinates": [10, 50]}, '"Point"'),
        ({"type": "Polygon"}, '"Polygon"'),
        ({"type": "Polygon", "coordinates": []}, '"Polygon"'),
        ({"type": "MultiPolygon", "coordinates": [[[[10, 50]]]]}, '"MultiPolygon"'),
    ],
)
def test_refuses_what_is_not_a_polygon(geometry: Any, kind: str) -> None:
    document = lawn_with_pond()
    document["features"][0]["geometry"] = geometry
    assert f'feature 0 "lawn": its geometry is {kind}, not a Polygon' in refused(document)


def test_refuses_a_ring_that_is_not_a_list() -> None:
    document = lawn_with_pond()
    document["features"][0]["geometry"]["coordinates"] = [7]
    assert "a ring must be a list of positions" in refused(document)


def test_refuses_no_fence_or_two() -> None:
    assert "0 keep-in polygons (none)" in refused(collection(polygon(POND, "keep_out", "pond")))
    twice = collection(polygon(LAWN, "keep_in", "a"), polygon(POND, "keep_in", "b"))
    assert '2 keep-in polygons (feature 0 "a", feature 1 "b")' in refused(twice)


@pytest.mark.parametrize(
    ("change", "ends"),
    [
        ({"stations": ["0123", 7]}, 'identifiers, each in quotes, such as ["0123"]'),
        ({"geometry": {"type": "Point"}}, "with coordinates; draw each zone as one polygon"),
        (
            {"geometry": {"type": "Polygon", "coordinates": [[[50.0, 110.0]]]}},
            "longitude and latitude look swapped: GeoJSON puts the longitude first",
        ),
    ],
)
def test_a_fault_says_what_to_do(change: dict[str, Any], ends: str) -> None:
    document = polygon(LAWN, "keep_in", "lawn")
    document["properties"]["stations"] = change.get("stations", [])
    document["geometry"] = change.get("geometry", document["geometry"])
    text = refused(document)
    assert text.endswith(ends)
    assert len(text.splitlines()) == 1


def test_names_every_fault_at_once() -> None:
    document = lawn_with_pond()
    broken = copy.deepcopy(document["features"][1])
    broken["properties"] = {}
    document["features"].append(broken)
    document["features"][1]["geometry"]["coordinates"][0].pop()
    assert len(refused(document).splitlines()) == 2


def test_nameless_features_are_named_by_their_zone() -> None:
    document = lawn_with_pond()
    for feature in document["features"]:
        del feature["properties"]["name"]
    assert [ring.name for ring in fence_of(document).rings] == ["keep_in 0", "keep_out 1"]


def test_files(tmp_path: Path) -> None:
    file = tmp_path / "lawn.geojson"
    with pytest.raises(BadInput, match="cannot be read: No such file"):
        read(file)
    file.write_text('{"type": ')
    with pytest.raises(BadInput, match=r"lawn\.geojson: not JSON"):
        read(file)
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(BadInput, match=r"lawn\.geojson: not JSON"):
        read(file)
    file.write_text("[]")
    with pytest.raises(BadInput, match=r"lawn\.geojson: not a GeoJSON FeatureCollection"):
        read(file)
    file.write_text(json.dumps(lawn_with_pond()))
    assert len(read(file).rings) == 2


def test_across_the_antimeridian() -> None:
    corners = [(179.9999, -17.0), (-179.9999, -17.0), (-179.9999, -16.9999), (179.9999, -16.9999)]
    document = collection(polygon(LAWN, "keep_in", "lawn"))
    document["features"][0]["geometry"]["coordinates"] = [
        [list(corner) for corner in [*corners, corners[0]]]
    ]
    assert fence_of(document).area.area == pytest.approx(21.3 * 11.06, rel=0.01)


@pytest.mark.parametrize("height_m", [-500.1, 9000.1, 450_000.0])
def test_refuses_a_height_that_no_lawn_has(height_m: float) -> None:
    """A height in mm would scale the whole frame."""
    document = lawn_with_pond()
    document["features"][0]["geometry"]["coordinates"][0][2].append(height_m)
    assert 'feature 0 "lawn" vertex 2: height' in refused(document)


@pytest.mark.parametrize("height_m", [-500.0, 9000.0])
def test_takes_the_lowest_and_the_highest_height(height_m: float) -> None:
    document = lawn_with_pond()
    document["features"][0]["geometry"]["coordinates"][0][2].append(height_m)
    fence_of(document)


def test_refuses_numbers_beyond_all_measure_and_names_that_cannot_be_printed() -> None:
    document = lawn_with_pond()
    document["features"][0]["geometry"]["coordinates"][0][1][0] = int("9" * 400)
    assert "vertex 1" in refused(document)
    for name in ("a\x1b[31m", "a\nb", "\ud800"):
        document = lawn_with_pond()
        document["features"][1]["properties"] = {"name": name}
        unprintable, no_zone = refused(document).splitlines()
        assert "feature 1: its name has characters that cannot be printed" in unprintable
        assert "feature 1: property" in no_zone


def test_refuses_what_is_nested_too_deeply(tmp_path: Path) -> None:
    path = tmp_path / "deep.geojson"
    path.write_text("[" * 100_000)
    with pytest.raises(BadInput, match="not JSON"):
        read(path)
