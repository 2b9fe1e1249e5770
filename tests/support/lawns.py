"""Fences and settings for the tests."""

import json
import math
from pathlib import Path
from typing import Any

import yaml

from fenceguard.lawn.fence import Fence
from fenceguard.lawn.geojson import parse
from fenceguard.settings import Loaded, load

LAT, LON = 50.0, 10.0
METRES_PER_DEGREE_LAT = 111_229.0
METRES_PER_DEGREE_LON = 71_696.0
NOISE_M = 0.001
"""By so much a place that is measured twice differs."""
OUTLINE = [[0.35, 0.25], [0.35, -0.25], [-0.25, -0.25], [-0.25, 0.25]]

Corners = list[tuple[float, float]]
LAWN: Corners = [(0, 0), (30, 0), (30, 20), (0, 20)]
POND: Corners = [(10, 8), (14, 8), (14, 12), (10, 12)]


def degrees(east_m: float, north_m: float) -> list[float]:
    """Longitude and latitude of a place, roughly: good to centimetres near the origin."""
    return [LON + east_m / METRES_PER_DEGREE_LON, LAT + north_m / METRES_PER_DEGREE_LAT]


def polygon(corners: Corners, zone: str, name: str, *holes: Corners) -> dict[str, Any]:
    """A GeoJSON feature from corners in metres."""
    rings = [[degrees(*corner) for corner in [*ring, ring[0]]] for ring in (corners, *holes)]
    return {
        "type": "Feature",
        "properties": {"zone": zone, "name": name},
        "geometry": {"type": "Polygon", "coordinates": rings},
    }


def collection(*features: dict[str, Any]) -> dict[str, Any]:
    """A GeoJSON feature collection."""
    return {"type": "FeatureCollection", "features": list(features)}


def lawn_with_pond() -> dict[str, Any]:
    """A lawn of 30 m by 20 m with a square pond."""
    return collection(polygon(LAWN, "keep_in", "lawn"), polygon(POND, "keep_out", "pond"))


def fence_of(document: dict[str, Any]) -> Fence:
    """The fence of a document."""
    return parse(document, "test")


def write_settings(directory: Path, document: dict[str, Any] | None = None, **changes: Any) -> Path:
    """A settings file and its fence in a directory; `changes` replace top-level keys."""
    fence = directory / "lawn.geojson"
    fence.write_text(json.dumps(lawn_with_pond() if document is None else document))
    content: dict[str, Any] = {
        "fence": fence.name,
        "outputs": "none",
        "mower": {"outline_m": OUTLINE, "antenna_m": [0.0, 0.0]},
        **changes,
    }
    file = directory / "settings.yaml"
    file.write_text(yaml.safe_dump(content))
    return file


def loaded(directory: Path, document: dict[str, Any] | None = None, **changes: Any) -> Loaded:
    """Settings and fence, loaded."""
    return load(write_settings(directory, document, **changes))


def offset(east_m: float, north_m: float) -> tuple[float, float]:
    """Latitude and longitude of a place, as an epoch has them."""
    lon, lat = degrees(east_m, north_m)
    return lat, lon


def measured(east_m: float, north_m: float, number: int) -> tuple[float, float]:
    """A place as it is measured for the `number`th time: by noise, no two in a row are the same."""
    return offset(east_m + NOISE_M * (number % 2), north_m)


assert math.isclose(offset(0, 0)[0], LAT)
