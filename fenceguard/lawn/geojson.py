"""A fence from GeoJSON (RFC 7946), refused whole unless every part of it can be believed."""

import json
import re
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import shapely

from fenceguard.errors import BadInput
from fenceguard.lawn.fence import Fence, Ring
from fenceguard.lawn.frame import Array, Frame
from fenceguard.lawn.surface import fitted

ZONE = "zone"
"""The property that tells what a polygon is for: `keep_in` or `keep_out`."""
ZONES = ("keep_in", "keep_out")
STATIONS = "stations"
"""The property of the keep-in polygon that lists the reference stations of its survey."""
MAX_ACROSS_M = 2000.0
MIN_AREA_M2 = 1.0
LOWEST_M, HIGHEST_M = -500.0, 9000.0
"""Heights of dry land above the ellipsoid, and some more."""
HUGE = 1e9
TOUCH_M = 0.001
"""A keep-out may touch the fence: straight lines in degrees are not quite straight in metres."""
MIN_POSITIONS = 4
"""Three corners and the first one again (RFC 7946, 3.1.6)."""


class _Line(NamedTuple):
    """A ring as read: positions in degrees, not yet known to be sound."""

    name: str
    feature: str
    keeps_in: bool
    lon_lat_deg: Array
    heights_m: Array | None
    """Height of each position above the ellipsoid, None where one of them has none."""
    stations: list[str]
    """Reference stations that it was surveyed with."""


def read(path: Path) -> Fence:
    """The fence in a file.

    Raises BadInput with one line for each fault, each with the feature and the vertex.
    """
    try:
        document = json.loads(path.read_bytes())
    except OSError as error:
        raise BadInput(f"{path}: the fence cannot be read: {error.strerror}") from error
    except (ValueError, RecursionError) as error:
        raise BadInput(f"{path}: not JSON: {error}; export the fence as GeoJSON again") from error
    return parse(document, str(path))


def parse(document: Any, source: str) -> Fence:
    """The fence in a GeoJSON document; `source` names it in messages.

    Raises BadInput with one line for each fault.
    """
    faults: list[str] = []
    lines = _lines(document, faults)
    _raise(source, faults)
    lon_deg, lat_deg = lines[0].lon_lat_deg[0]
    heights_m = lines[0].heights_m
    frame = Frame(float(lat_deg), float(lon_deg), 0.0 if heights_m is None else heights_m[0])
    rings = [
        Ring(line.name, line.keeps_in, np.column_stack(frame.to_local(*line.lon_lat_deg.T[::-1])))
        for line in lines
    ]
    for line, ring in zip(lines, rings, strict=True):
        faults += _crossings(line.feature, ring)
    _raise(source, faults)
    faults += _misplaced(lines, rings)
    _raise(source, faults)
    surface = None
    if heights_m is not None:
        surface = fitted(np.column_stack([rings[0].points_m, heights_m])[:-1])
    fence = Fence(frame, rings, surface, lines[0].stations)
    if fence.area.area < MIN_AREA_M2:
        faults.append(
            f"{lines[0].feature}: {fence.area.area:.2f} m² remain to be mowed, less than "
            f"{MIN_AREA_M2:.0f} m²; draw the fence larger or the keep-outs smaller"
        )
    _raise(source, faults)
    return fence


def _raise(source: str, faults: list[str]) -> None:
    if faults:
        raise BadInput("\n".join(f"{source}: {fault}" for fault in faults))


def _features(document: Any) -> list[Any]:
    if isinstance(document, dict) and document.get("type") == "FeatureCollection":
        features = document.get("features")
        return features if isinstance(features, list) else []
    if isinstance(document, dict) and document.get("type") == "Feature":
        return [document]
    return []


def _lines(document: Any, faults: list[str]) -> list[_Line]:
    """Every ring of every feature, the keep-in ring first."""
    features = _features(document)
    if not features:
        faults.append("not a GeoJSON FeatureCollection with features in it; draw the fence anew")
        return []
    lines: list[_Line] = []
    for index, feature in enumerate(features):
        lines += _feature_lines(index, feature, faults)
    fences = [line.feature for line in lines if line.keeps_in]
    if not faults and len(fences) != 1:
        faults.append(
            f"{len(fences)} keep-in polygons ({', '.join(fences) or 'none'}); there must be "
            f'one: give one feature the property "{ZONE}": "keep_in" and the others "keep_out"'
        )
    return sorted(lines, key=lambda line: not line.keeps_in)


def _feature_lines(index: int, feature: Any, faults: list[str]) -> list[_Line]:
    properties = feature.get("properties") if isinstance(feature, dict) else None
    properties = properties if isinstance(properties, dict) else {}
    given = properties.get("name")
    if isinstance(given, str) and not given.isprintable():
        faults.append(f"feature {index}: its name has characters that cannot be printed; rename it")
        given = None
    where = f'feature {index} "{given}"' if isinstance(given, str) else f"feature {index}"
    zone = properties.get(ZONE)
    if zone not in ZONES:
        faults.append(
            f'{where}: property "{ZONE}" is {json.dumps(zone)}; it must be "keep_in" or "keep_out"'
        )
        return []
    geometry = feature.get("geometry")
    geometry = geometry if isinstance(geometry, dict) else {}
    rings = geometry.get("coordinates")
    if geometry.get("type") != "Polygon" or not isinstance(rings, list) or not rings:
        faults.append(
            f"{where}: its geometry is {json.dumps(geometry.get('type'))}, not a Polygon with "
            "coordinates; draw each zone as one polygon"
        )
        return []
    name = given if isinstance(given, str) else f"{zone} {index}"
    stations = properties.get(STATIONS, [])
    if not isinstance(stations, list) or not all(isinstance(one, str) for one in stations):
        faults.append(
            f'{where}: property "{STATIONS}" is {json.dumps(stations)}; it must be a list of '
            'station identifiers, each in quotes, such as ["0123"]'
        )
        stations = []
    lines = []
    for number, positions in enumerate(rings):
        place = where if number == 0 else f"{where} interior ring {number}"
        found = _ring_faults(place, positions)
        faults += found
        if not found:
            degrees = np.array([position[:2] for position in positions], dtype=float)
            ring_name = name if number == 0 else f"{name} interior ring {number}"
            keeps_in = zone == "keep_in" and number == 0
            lines.append(
                _Line(ring_name, place, keeps_in, degrees, _heights_m(positions), stations)
            )
    if zone == "keep_out" and len(rings) > 1:
        faults.append(f"{where}: a keep-out polygon has an interior ring; remove that ring")
    return lines


def _heights_m(positions: list[Any]) -> Array | None:
    if any(len(position) < 3 for position in positions):
        return None
    return np.array([position[2] for position in positions], dtype=float)


def _ring_faults(place: str, positions: Any) -> list[str]:
    if not isinstance(positions, list):
        return [f"{place}: a ring must be a list of positions"]
    faults = []
    for vertex, position in enumerate(positions):
        fault = _position_fault(position)
        if fault:
            faults.append(f"{place} vertex {vertex}: {fault}")
    if faults:
        return faults
    if positions and positions[0][:2] != positions[-1][:2]:
        return [
            f"{place} vertex {len(positions) - 1}: the ring is open; its last position must repeat "
            f"its first, {positions[0]}"
        ]
    corners = {tuple(position[:2]) for position in positions}
    if len(positions) < MIN_POSITIONS or len(corners) < MIN_POSITIONS - 1:
        return [
            f"{place} vertex {max(len(positions) - 1, 0)}: the ring has {len(corners)} corners; "
            "it needs 3 or more"
        ]
    return []


def _position_fault(position: Any) -> str | None:
    if (
        not isinstance(position, list)
        or len(position) < 2
        or not all(isinstance(n, int | float) and not isinstance(n, bool) for n in position)
        or not all(abs(n) < HUGE for n in position)
    ):
        return f"{json.dumps(position)[:80]} is not a position: longitude, latitude in degrees"
    lon, lat = position[:2]
    if len(position) > 2 and not LOWEST_M <= position[2] <= HIGHEST_M:
        return f"height {position[2]} is out of {LOWEST_M:g} to {HIGHEST_M:g} m above the ellipsoid"
    if abs(lat) > 90.0 and abs(lon) <= 90.0 and abs(lat) <= 180.0:
        return (
            f"latitude {lat} is out of -90 to 90; longitude and latitude look swapped: "
            "GeoJSON puts the longitude first"
        )
    if abs(lat) > 90.0:
        return f"latitude {lat} is out of -90 to 90 degrees"
    if abs(lon) > 180.0:
        return f"longitude {lon} is out of -180 to 180 degrees"
    return None


def _crossings(feature: str, ring: Ring) -> list[str]:
    """Faults of one ring by itself, in metres."""
    points = ring.points_m
    across_m = 2.0 * float(shapely.minimum_bounding_radius(shapely.multipoints(points)))
    if across_m > MAX_ACROSS_M:
        far = int(np.hypot(*(points - points[0]).T).argmax())
        return [
            f"{feature} vertex {far}: the ring is {across_m:.0f} m across, more than "
            f"{MAX_ACROSS_M:.0f} m; check this vertex, or split the lawn"
        ]
    shape = shapely.polygons(points)
    if shapely.is_valid(shape):
        return []
    edges = shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1))
    first, second = shapely.STRtree(edges).query(edges, predicate="crosses")
    crossed = sorted((int(a), int(b)) for a, b in zip(first, second, strict=True) if a < b)
    if crossed:
        return [
            f"{feature} vertex {a}: the edge from vertex {a} to {a + 1} crosses the edge from "
            f"vertex {b} to {b + 1}; a ring must not cross itself"
            for a, b in crossed
        ]
    place = re.findall(r"[-+.\de]+", shapely.is_valid_reason(shape).partition("[")[2])
    vertex = _nearest_vertex(ring, shapely.points([float(number) for number in place]))
    return [f"{feature} vertex {vertex}: the ring touches or doubles back on itself there"]


def _nearest_vertex(ring: Ring, shape: shapely.Geometry) -> int:
    return int(np.argmin(shapely.distance(shapely.points(ring.points_m), shape)))


def _misplaced(lines: list[_Line], rings: list[Ring]) -> list[str]:
    """Keep-outs that are not wholly inside the fence."""
    fence, *keep_outs = rings
    area = shapely.buffer(shapely.polygons(fence.points_m), TOUCH_M)
    shapely.prepare(area)
    faults = []
    for line, ring in zip(lines[1:], keep_outs, strict=True):
        shape = shapely.polygons(ring.points_m)
        if area.covers(shape):
            continue
        vertex = _nearest_vertex(ring, shapely.difference(shape, area))
        if not shapely.intersects(area, shape):
            problem = "the keep-out lies outside the fence"
        else:
            problem = "the keep-out crosses the fence"
        faults.append(f"{line.feature} vertex {vertex}: {problem}; move it inside, or leave it out")
    return faults
