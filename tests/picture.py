"""The picture of the demo, and the table that belongs to it: what the supervisor did, and where."""

from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple
from xml.sax.saxutils import escape

import shapely

from fenceguard.guard import Guard
from fenceguard.journal.story import Intervention, Story
from fenceguard.judgement.types import Rung
from fenceguard.lawn.fence import Fence, Ring
from fenceguard.receiver.epoch import Epoch, utc_text
from fenceguard.receiver.receiver import Receiver
from fenceguard.recording.files import chunks
from fenceguard.replay import RecordedClock
from fenceguard.settings import load
from fenceguard.text import cause_text, seconds_text

DEMO = Path(__file__).parents[1] / "config" / "demo"
Point = tuple[float, float]
"""East and north in m."""

PER_M = 20.0
"""Units of the picture."""
MARGIN = 24.0
LEGEND = 132.0
SCALE_M = 5.0
NEAR_ENOUGH_M = 0.3
"""The track may be drawn so far off: what wanders at rest is no blot then."""
NUMBER_AWAY_M = 2.0
"""A number stands so far from the track, to the south; near a fence line to the west."""


class Style(NamedTuple):
    """How a rung's part of the track is drawn: told apart without colour, too."""

    colour: str
    """Told apart by people with any kind of colour blindness (Okabe and Ito, from memory)."""
    width: float
    dashes: str
    text: str


STYLES = {
    Rung.FULL: Style("#009e73", 3.0, "", "full: a line"),
    Rung.SLOWED: Style("#d98c00", 5.0, "9 4", "slowed: dashes"),
    Rung.BLADE_OFF: Style("#0072b2", 6.0, "0.1 9", "blade_off: dots"),
    Rung.HALTED: Style("#b03000", 9.0, "1.6 5", "halted: cross strokes"),
}


class Stretch(NamedTuple):
    """A part of the track on one rung."""

    rung: Rung
    points_m: list[Point]


class Demo(NamedTuple):
    """What a replay of the demo gives."""

    fence: Fence
    stretches: list[Stretch]
    interventions: list[Intervention]


@cache
def demo() -> Demo:
    """Run the demo through a guard, and note the position and the rung of each epoch."""
    loaded = load(DEMO / "settings.yaml")
    guard, story, stretches = Guard(loaded), Story(), list[Stretch]()
    clock: RecordedClock | None = None
    at_s = 0.0
    for tag_time_s, epoch in _epochs(guard.receiver):
        if clock is None:
            clock = RecordedClock(guard.receiver.tag_time_s)
            guard.start(at_s, epoch.utc_s, run="demo", mode="replay", source="mowing.nmea.gz")
        at_s = clock.arrival_s(tag_time_s, epoch)
        rung = guard.hear(at_s, epoch)[-1].rung
        if epoch.lat_deg is None or epoch.lon_deg is None:
            continue
        point_m = loaded.fence.frame.to_local(epoch.lat_deg, epoch.lon_deg)
        if stretches and stretches[-1].rung is not rung:
            stretches[-1].points_m.append(point_m)
        if not stretches or stretches[-1].rung is not rung:
            stretches.append(Stretch(rung, []))
        stretches[-1].points_m.append(point_m)
    guard.stop(at_s, "end of recording")
    for entry in guard.entries():
        story.add(entry)
    return Demo(loaded.fence, stretches, story.interventions)


def _epochs(receiver: Receiver) -> Iterator[tuple[float | None, Epoch]]:
    for chunk, _share in chunks(str(DEMO / "mowing.nmea.gz")):
        yield from receiver.feed_log(chunk)
    yield from receiver.finish_log()


def demo_table() -> str:
    """The interventions of the demo, as a table of a page."""
    rows = [
        f"| {one.id} | {utc_text(one.begun[0].utc_s)[11:19]} | `{one.rung}` "
        f"| {cause_text(one.cause)} | {seconds_text(one.duration_s)} |"
        for one in demo().interventions
    ]
    headings = "| no. | UTC | down to | first cause | until `full` again |"
    return "\n".join([headings, "| --- | --- | --- | --- | --- |", *rows])


class Sheet:
    """Lengths of the lawn to units of the picture: north is up."""

    def __init__(self, fence: Fence) -> None:
        west_m, south_m, east_m, north_m = fence.area.bounds
        self._west_m, self._north_m = west_m, north_m
        self.width = (east_m - west_m) * PER_M + 2.0 * MARGIN
        self.lawn_end = (north_m - south_m) * PER_M + 2.0 * MARGIN
        self.height = self.lawn_end + LEGEND

    def at(self, point_m: Point) -> Point:
        """Where a point of the lawn is in the picture."""
        east_m, north_m = point_m
        return (
            (east_m - self._west_m) * PER_M + MARGIN,
            (self._north_m - north_m) * PER_M + MARGIN,
        )

    def points(self, points_m: Iterable[Point]) -> str:
        """Points of the lawn as SVG has them."""
        return " ".join(f"{x:.1f},{y:.1f}" for x, y in map(self.at, points_m))


def demo_picture() -> str:
    """The lawn of the demo with the track on it, as SVG."""
    given = demo()
    sheet = Sheet(given.fence)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {sheet.width:.0f} '
        f'{sheet.height:.0f}" font-family="sans-serif" font-size="19" fill="none" '
        'stroke-linejoin="round">',
        "<title>The demo: the lawn, its two keep-outs, the track by rung, and where the four "
        "interventions began</title>",
        '<rect width="100%" height="100%" fill="#ffffff"/>',
        *(_ring(sheet, ring) for ring in given.fence.rings),
        *(_stretch(sheet, one) for one in sorted(given.stretches, key=lambda one: one.rung)),
        *(_number(sheet, given.fence, one) for one in given.interventions),
        _start(sheet, given.stretches[0]),
        *_legend(sheet),
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def _ring(sheet: Sheet, ring: Ring) -> str:
    points_m = [(float(east_m), float(north_m)) for east_m, north_m in ring.points_m]
    fill = "#eef5e6" if ring.keeps_in else "#d8d8d8"
    line = f'<polygon points="{sheet.points(points_m[:-1])}" fill="{fill}" stroke="#222222" '
    line += 'stroke-width="2.5"/>'
    if ring.keeps_in:
        return line
    x, y = sheet.at(shapely.Polygon(points_m).centroid.coords[0])
    return line + _text(x, y + 5.0, "keep out", 'text-anchor="middle" font-size="15"')


def _stretch(sheet: Sheet, stretch: Stretch) -> str:
    points_m = list(shapely.LineString(stretch.points_m).simplify(NEAR_ENOUGH_M).coords)
    return f'<polyline points="{sheet.points(points_m)}" {_stroke(stretch.rung)}/>'


def _stroke(rung: Rung) -> str:
    style = STYLES[rung]
    dashes = f' stroke-dasharray="{style.dashes}"' if style.dashes else ""
    cap = ' stroke-linecap="round"' if rung is Rung.BLADE_OFF else ""
    return f'stroke="{style.colour}" stroke-width="{style.width:g}"{dashes}{cap}'


def _start(sheet: Sheet, first: Stretch) -> str:
    x, y = sheet.at(first.points_m[0])
    return _text(x + 14.0, y - 14.0, "start")


def _number(sheet: Sheet, fence: Fence, one: Intervention) -> str:
    where = one.begun[1].where
    epoch = where.epoch
    assert epoch is not None and epoch.lat_deg is not None and epoch.lon_deg is not None
    assert where.clearance_m is not None
    east_m, north_m = fence.frame.to_local(epoch.lat_deg, epoch.lon_deg)
    begun_x, begun_y = sheet.at((east_m, north_m))
    if where.clearance_m > NUMBER_AWAY_M:
        x, y = sheet.at((east_m, north_m - NUMBER_AWAY_M))
    else:
        x, y = sheet.at((east_m - NUMBER_AWAY_M, north_m))
    return (
        f'<circle cx="{begun_x:.1f}" cy="{begun_y:.1f}" r="4" fill="#222222"/>'
        f'<path d="M{begun_x:.1f} {begun_y:.1f}L{x:.1f} {y:.1f}" {_BLACK}/>{_circled(x, y, one.id)}'
    )


def _circled(x: float, y: float, number: int) -> str:
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="13" fill="#ffffff" {_BLACK}/>'
        f'<text x="{x:.1f}" y="{y + 7.0:.1f}" text-anchor="middle" font-weight="bold" '
        f'fill="#222222">{number}</text>'
    )


def _legend(sheet: Sheet) -> Iterator[str]:
    """How each rung is drawn, and the scale."""
    column = (sheet.width - 2.0 * MARGIN) / 2.0
    for number, (rung, style) in enumerate(STYLES.items()):
        x, y = MARGIN + column * (number % 2), sheet.lawn_end + 18.0 + 34.0 * (number // 2)
        yield f'<path d="M{x:.1f} {y:.1f}h56" {_stroke(rung)}/>'
        yield _text(x + 68.0, y + 6.0, style.text)
    x, y = MARGIN, sheet.lawn_end + 92.0
    yield f'<path d="M{x:.1f} {y - 7.0:.1f}v14m0 -7h{SCALE_M * PER_M:.1f}m0 -7v14" {_BLACK}/>'
    yield _text(x + SCALE_M * PER_M + 12.0, y + 6.0, f"{SCALE_M:g} m; north is up")
    x = MARGIN + column
    yield _circled(x + 28.0, y, 1)
    yield _text(x + 68.0, y + 6.0, "an intervention begins")


_BLACK = 'stroke="#222222" stroke-width="2.5"'


def _text(x: float, y: float, text: str, placed: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" {placed} fill="#222222">{escape(text)}</text>'
