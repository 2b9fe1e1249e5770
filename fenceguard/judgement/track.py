"""What the epochs of the last while say about each other.

The receiver measures its speed by Doppler shift, apart from its position, and wrong positions do
not move as it does. So the track adds up speed and course and compares:

- over a window, with how the position changed (drift);
- over a loss of the solution, with where the first fixed position lies (refix). The reach is the
  place where the mower can be: it moves with the Doppler speed from the last position that was
  trusted, and widens with the error of that; where the receiver told no speed, by the top speed. A
  fixed position out of reach is doubted until one lies within the reach again, or a person resets
  the mower at the machine. The reach of a doubted position widens no more: standing there for long
  does not make it more likely.

Speed added up is off by a share of the way; where the speed changed between two epochs, by up to
half that change times the time between them; and where epochs are missing between the two, by how
far the mower may have swung out and back. These last are independent and add up in squares. A slow
speed that is told without a course may lead anywhere.

At the first fix there is nothing to compare with. Nothing here depends on a clock: all times are
the receiver's own, and arrival times are given.
"""

import math
from collections import deque
from typing import NamedTuple

from fenceguard.judgement.parameters import TrackParameters
from fenceguard.judgement.types import Evidence
from fenceguard.receiver.epoch import FIXED, Epoch

GAP_S = 1.2
"""Speed and course are not carried over a longer gap."""
MISSING = 1.5
"""A step so many times the shortest one in the window has epochs missing in it."""
TURN_S = 1.0
"""Over this time a turn, and the course's own noise, are averaged."""
MOVED_M = 0.3
"""Less of a way says nothing about its direction."""
STANDING_MPS = 0.03
"""Up to here a speed without a course is the noise of a receiver that stands."""
RESTING_MPS = 0.1
"""A slower receiver may leave out the course."""
LEAST_WAY_M = 0.25
"""A turn on the spot counts as one along short a way."""
CLOCK_DRIFT = 2e-4
"""How far two clocks may drift apart, in seconds per second; crystals do better."""

Place = tuple[float, float]
"""East and north in m in the local frame."""


class _Told(NamedTuple):
    """A velocity that was told."""

    utc_s: float
    east_mps: float
    north_mps: float
    aimless_mps: float
    """Speed whose direction was not told."""


class _Reckoned(NamedTuple):
    """Where speed and course added up lead to, and how far off that is."""

    east_m: float = 0.0
    north_m: float = 0.0
    way_m: float = 0.0
    squares_m2: float = 0.0
    aimless_m: float = 0.0
    """Way whose direction was not told."""

    def plus(self, other: "_Reckoned") -> "_Reckoned":
        """This way, and then another."""
        return _Reckoned(*(a + b for a, b in zip(self, other, strict=True)))

    def minus(self, other: "_Reckoned") -> "_Reckoned":
        """What is left of this way when its beginning is cut off."""
        return _Reckoned(*(a - b for a, b in zip(self, other, strict=True)))

    def error_m(self, way_error: float) -> float:
        """How far off the end may be; `way_error` is a share of the way."""
        return self.aimless_m + way_error * self.way_m + math.sqrt(max(0.0, self.squares_m2))


class _Point(NamedTuple):
    """A position in the window, and the way that led to it since the window began."""

    utc_s: float
    place: Place
    reckoned: _Reckoned
    travel_deg: float | None


class _Steps:
    """Times between one point of the window and the next, of which only the shortest counts.

    A step that is followed by a shorter one will never be the shortest again, and is forgotten.
    """

    def __init__(self) -> None:
        self._steps: deque[tuple[float, float]] = deque()
        """When each ended, and how long it was; the later the longer."""

    def add(self, ended_s: float, step_s: float) -> None:
        """The newest step."""
        while self._steps and self._steps[-1][1] >= step_s:
            self._steps.pop()
        self._steps.append((ended_s, step_s))

    def begin_at(self, utc_s: float) -> None:
        """Forget the steps that ended by then."""
        while self._steps and self._steps[0][0] <= utc_s:
            self._steps.popleft()

    def clear(self) -> None:
        """Forget all steps."""
        self._steps.clear()

    @property
    def shortest_s(self) -> float:
        """The shortest one; infinite where there is none."""
        return self._steps[0][1] if self._steps else math.inf


class Track:
    """Follows the epochs of one receiver."""

    def __init__(self, parameters: TrackParameters) -> None:
        self._window_s = parameters.window_s
        self._way_error = parameters.way_error
        self._top_mps = parameters.top_mps
        self._speeding_up_mps2 = parameters.speeding_up_mps2
        self.forget()

    def forget(self) -> None:
        """Know nothing."""
        self._last: tuple[Epoch, Place, float] | None = None
        self._window: deque[_Point] = deque()
        self._steps = _Steps()
        self._spoke: _Told | None = None
        self._reckoned_to_s = -math.inf
        self._heard_at_s = -math.inf
        self._fixed_before = False
        self._bend_per_m = 0.0
        self.trust_again()

    def trust_again(self) -> None:
        """A person has looked at the machine: the next fixed position, and its delay, count."""
        self._promptest_s = math.inf
        self._trusted: tuple[Place, float] | None = None
        self._since = _Reckoned()
        self._unseen_m = 0.0
        self._excess_m: float | None = None

    def lost(self) -> None:
        """An epoch without a position came."""
        self._fixed_before = False

    def hear(
        self,
        now_s: float,
        epoch: Epoch,
        place: Place,
        bound_m: float,
        travel_deg: float | None,
    ) -> Evidence:
        """The evidence at an epoch with a position, `bound_m` around it.

        `travel_deg` is the direction in which the mower goes, as far as it is told.
        """
        late_s = self._late_s(now_s, epoch.utc_s)
        if self._last is None:
            self._begin(epoch, place, bound_m, travel_deg)
            return Evidence(late_s=late_s)
        before, place_before, bound_before_m = self._last
        passed_s = epoch.utc_s - before.utc_s
        if not passed_s > 0.0:
            return Evidence(refix_m=self._excess_m, late_s=late_s)
        allowed_m = self._top_mps * passed_s + bound_m + bound_before_m
        jump_m = math.dist(place, place_before) - allowed_m
        if epoch.quality != before.quality:
            self._clear_window()
        self._go_on(epoch, place, travel_deg)
        self._judge_fix(epoch, place, bound_m, jump_m > 0.0)
        self._last = epoch, place, bound_m
        return Evidence(
            jump_m,
            self._drift_m(),
            self._excess_m,
            late_s,
            self._course_off_deg(),
            self._curvature_per_m(),
        )

    def _begin(self, epoch: Epoch, place: Place, bound_m: float, travel_deg: float | None) -> None:
        self._last = epoch, place, bound_m
        self._reckoned_to_s = epoch.utc_s
        self._go_on(epoch, place, travel_deg)
        self._judge_fix(epoch, place, bound_m, False)

    def _late_s(self, now_s: float, utc_s: float) -> float:
        lag_s = now_s - utc_s
        crept_s = CLOCK_DRIFT * max(0.0, now_s - self._heard_at_s)
        self._heard_at_s = now_s
        self._promptest_s = min(self._promptest_s + crept_s, lag_s)
        return lag_s - self._promptest_s

    def _go_on(self, epoch: Epoch, place: Place, travel_deg: float | None) -> None:
        """Move the window and the reach to an epoch.

        An epoch that tells no speed is left out, and the next one bridges it. While a position is
        doubted the reach moves, but widens no more.
        """
        spoke = self._spoke
        silent = spoke is None or epoch.utc_s - spoke.utc_s > GAP_S
        told = _told(epoch)
        if silent:
            self._clear_window()
            self._unseen_m += self._unreckoned_m(epoch.utc_s)
            self._reckoned_to_s = epoch.utc_s
        if told is None:
            return
        self._reckoned_to_s = epoch.utc_s
        moved = _Reckoned() if silent or spoke is None else self._moved(spoke, told)
        self._spoke = told
        window = self._window
        reckoned = window[-1].reckoned.plus(moved) if window else _Reckoned()
        if window:
            self._steps.add(epoch.utc_s, epoch.utc_s - window[-1].utc_s)
        window.append(_Point(epoch.utc_s, place, reckoned, travel_deg))
        while epoch.utc_s - window[0].utc_s > self._window_s:
            window.popleft()
        self._steps.begin_at(window[0].utc_s)
        if self._doubted:
            moved = _Reckoned(moved.east_m, moved.north_m)
        self._since = self._since.plus(moved)

    def _clear_window(self) -> None:
        self._window.clear()
        self._steps.clear()

    def _moved(self, before: _Told, after: _Told) -> _Reckoned:
        """The way between two moments at which a speed was told.

        Where sentences are missing between them, the speed may have swung out and back.
        """
        passed_s = after.utc_s - before.utc_s
        east_m = (before.east_mps + after.east_mps) / 2.0 * passed_s
        north_m = (before.north_mps + after.north_mps) / 2.0 * passed_s
        way_m = math.hypot(east_m, north_m)
        change_m = math.dist(before[1:3], after[1:3]) / 2.0 * passed_s
        moving = way_m > 0.0 or change_m > 0.0
        swung_m = 0.0
        if moving and passed_s > MISSING * self._steps.shortest_s:
            swung_m = self._speeding_up_mps2 * passed_s**2 / 4.0
        aimless_m = (before.aimless_mps + after.aimless_mps) / 2.0 * passed_s
        return _Reckoned(east_m, north_m, way_m, change_m**2 + swung_m**2, aimless_m)

    def _unreckoned_m(self, utc_s: float) -> float:
        """How far the mower may have gone since the speed was last added up."""
        return 0.0 if self._doubted else self._top_mps * (utc_s - self._reckoned_to_s)

    def _drift_m(self) -> float | None:
        if len(self._window) < 2:
            return None
        oldest, newest = self._window[0], self._window[-1]
        reckoned = newest.reckoned.minus(oldest.reckoned)
        end = (oldest.place[0] + reckoned.east_m, oldest.place[1] + reckoned.north_m)
        return math.dist(newest.place, end) - reckoned.error_m(self._way_error)

    def _judge_fix(self, epoch: Epoch, place: Place, bound_m: float, jumped: bool) -> None:
        """Trust a fixed position that goes on from the one before, or that is within reach."""
        fixed_before, self._fixed_before = self._fixed_before, epoch.quality == FIXED
        if not self._fixed_before:
            return
        goes_on = fixed_before and not jumped and not self._doubted
        if goes_on or self._trusted is None:
            self._excess_m = None
        else:
            self._excess_m = self._out_of_reach_m(epoch.utc_s, place, bound_m, *self._trusted)
        if not self._doubted and self._reckoned_to_s == epoch.utc_s:
            self._trusted = place, bound_m
            self._since, self._unseen_m = _Reckoned(), 0.0

    @property
    def _doubted(self) -> bool:
        return self._excess_m is not None and self._excess_m > 0.0

    def _out_of_reach_m(
        self, utc_s: float, place: Place, bound_m: float, trusted: Place, trusted_bound_m: float
    ) -> float:
        since = self._since
        end = (trusted[0] + since.east_m, trusted[1] + since.north_m)
        # The errors of the two positions have nothing to do with each other.
        reach_m = math.hypot(trusted_bound_m, bound_m)
        reach_m += self._unseen_m + self._unreckoned_m(utc_s)
        return math.dist(place, end) - reach_m - since.error_m(self._way_error)

    def _course_off_deg(self) -> float | None:
        """By how much the way taken lies outside the directions between which the course turned.

        Of the last stretch that is long enough.
        """
        if not self._window:
            return None
        newest = self._window[-1]
        for point in reversed(self._window):
            if newest.utc_s - point.utc_s > 2.0 * TURN_S:
                return None
            if point.travel_deg is None or newest.travel_deg is None:
                return None
            if math.dist(newest.place, point.place) >= MOVED_M:
                way_deg = _direction_deg(point.place, newest.place)
                half_turn_deg = turned_deg(point.travel_deg, newest.travel_deg) / 2.0
                off_deg = abs(turned_deg(point.travel_deg + half_turn_deg, way_deg))
                return max(0.0, off_deg - abs(half_turn_deg))
        return None

    def _curvature_per_m(self) -> float:
        """The gentler one of the last two bends: a single direction that is off is no turn."""
        before, self._bend_per_m = self._bend_per_m, self._newest_bend_per_m()
        if before * self._bend_per_m <= 0.0:
            return 0.0
        return min(before, self._bend_per_m, key=abs)

    def _newest_bend_per_m(self) -> float:
        if not self._window:
            return 0.0
        newest = self._window[-1]
        long_ago = (p for p in reversed(self._window) if newest.utc_s - p.utc_s >= TURN_S)
        point = next(long_ago, self._window[0])
        if point.travel_deg is None or newest.travel_deg is None:
            return 0.0
        way_m = max(newest.reckoned.way_m - point.reckoned.way_m, LEAST_WAY_M)
        return math.radians(turned_deg(point.travel_deg, newest.travel_deg)) / way_m


def _told(epoch: Epoch) -> _Told | None:
    """The velocity; None where it is not told. At rest there is no course, and none is needed."""
    speed_mps, course_deg = epoch.speed_mps, epoch.course_deg
    if speed_mps is None or not math.isfinite(speed_mps):
        return None
    if course_deg is None or not math.isfinite(course_deg):
        aimless_mps = max(0.0, speed_mps - STANDING_MPS)
        return _Told(epoch.utc_s, 0.0, 0.0, aimless_mps) if speed_mps < RESTING_MPS else None
    course = math.radians(course_deg)
    return _Told(epoch.utc_s, speed_mps * math.sin(course), speed_mps * math.cos(course), 0.0)


def turned_deg(from_deg: float, to_deg: float) -> float:
    """The shorter way from one direction to another, -180 to 180, positive clockwise."""
    return (to_deg - from_deg + 180.0) % 360.0 - 180.0


def _direction_deg(here: Place, there: Place) -> float:
    return math.degrees(math.atan2(there[0] - here[0], there[1] - here[1]))
