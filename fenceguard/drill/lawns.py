"""Lawns to drill on: the owner's, and some that are made up."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import shapely
from shapely import affinity

from fenceguard.drill import demo
from fenceguard.lawn import geojson
from fenceguard.lawn.fence import Fence

Point = tuple[float, float]

OWN = "own"
PASSAGES_M = (0.8, 1.0, 1.2)
"""How wide the passages are; a mower as wide as the demo's is 0.5 m."""


class Lawn(NamedTuple):
    """A fence, and what is peculiar to the ways on it."""

    fence: Fence
    ways_m: Sequence[Sequence[Point]] = ()
    """Corners of closed ways, besides laps and stripes."""
    field: shapely.Geometry | None = None
    """The part that is mown in lanes close up to the fence; None: all, by stripes farther off."""


def _made(
    name: str,
    outline: Sequence[Point],
    keep_out: Sequence[Point] = (),
) -> Fence:
    features = [demo.feature("keep_in", name, [list(outline)], stations=[demo.STATION])]
    if keep_out:
        features.append(demo.feature("keep_out", "bed", [list(keep_out)]))
    document: dict[str, Any] = {"type": "FeatureCollection", "features": features}
    return geojson.parse(document, name)


def _box(west: float, south: float, east: float, north: float) -> list[Point]:
    return [(west, south), (east, south), (east, north), (west, north)]


def _demo() -> Lawn:
    return Lawn(geojson.parse(demo.lawn(), "demo"))


def _small() -> Lawn:
    outline = _box(0.0, 0.0, 10.0, 8.0)
    return Lawn(_made("small", outline), field=shapely.Polygon(outline))


def _ell() -> Lawn:
    outline = [(0.0, 0.0), (14.0, 0.0), (14.0, 5.0), (6.0, 5.0), (6.0, 12.0), (0.0, 12.0)]
    there = [(1.5, 1.5), (12.5, 1.5), (12.5, 3.5), (3.5, 3.5), (3.5, 10.5), (1.5, 10.5)]
    return Lawn(_made("ell", outline), [there], shapely.Polygon(_box(0.0, 0.0, 14.0, 5.0)))


def _passages() -> Lawn:
    """Two lawns, each 7 by 9 m, and three passages of 3 m between them."""
    west, east, length_m = 7.0, 10.0, 9.0
    middles = (1.5, 4.5, 7.5)
    lawns = [shapely.box(0.0, 0.0, west, length_m), shapely.box(east, 0.0, east + west, length_m)]
    joins = [
        shapely.box(west - 0.1, north - wide_m / 2.0, east + 0.1, north + wide_m / 2.0)
        for north, wide_m in zip(middles, PASSAGES_M, strict=True)
    ]
    whole = shapely.union_all([*lawns, *joins])
    features = [
        demo.feature("keep_in", "passages", [_corners(whole.exterior)], stations=[demo.STATION]),
        *(
            demo.feature("keep_out", f"between {number}", [_corners(gap)])
            for number, gap in enumerate(whole.interiors, 1)
        ),
    ]
    fence = geojson.parse({"type": "FeatureCollection", "features": features}, "passages")
    ways_m = [[(west - 3.0, north), (east + 3.0, north)] for north in middles]
    closed = [[there, back, there] for there, back in ways_m]
    return Lawn(fence, closed, lawns[0])


def _corners(ring: shapely.LinearRing) -> list[Point]:
    return [(east, north) for east, north in ring.coords[:-1]]


def _ring() -> Lawn:
    """A ring of lawn, 2.4 m wide, round a bed."""
    outline, bed = _box(0.0, 0.0, 12.0, 11.0), _box(2.4, 2.4, 9.6, 8.6)
    round_m = [*_box(1.2, 1.2, 10.8, 9.8), (1.2, 1.2)]
    return Lawn(_made("ring", outline, bed), [round_m], shapely.Polygon(_box(0.0, 0.0, 12.0, 2.4)))


LAWNS: dict[str, Callable[[], Lawn]] = {
    "demo": _demo,
    "small": _small,
    "ell": _ell,
    "passages": _passages,
    "ring": _ring,
}
"""Made up, by name."""
NAMES = (OWN, *LAWNS)


def lawn_of(name: str, own: Fence) -> Lawn:
    """A lawn by name, in its fence's local frame; `own` is the fence of the settings."""
    if name == OWN:
        return Lawn(own)
    made = LAWNS[name]()
    # What is drawn in metres from the demo's origin, the fence has from its own.
    east_m, north_m = made.fence.frame.to_local(*demo.ORIGIN[:2])
    field = made.field and affinity.translate(made.field, east_m, north_m)
    ways_m = [[(x + east_m, y + north_m) for x, y in way_m] for way_m in made.ways_m]
    return made._replace(ways_m=ways_m, field=field)
