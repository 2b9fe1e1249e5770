"""Trust: whether the position is believed, and the one place that it is held against.

Theory of operation
-------------------
One anchor is kept: the last position that was trusted. From it the reckoning goes on, through
epochs and through gaps. The **reach** is the place where that leads, with a radius: how far off it
may be. A position that can be an anchor is a **sight**: fixed, with a narrow bound. Each sight is
held against the anchor, and against older ones that are kept at ages from one second to a minute,
twice as far apart each time. So a step is seen as well as a drift, whatever the horizon. What is
found is the excess: by how much more the position changed than bound and reckoning explain, in the
plane or in height.

- `unknown`: nothing vouches for the position. There was no sight yet; or no speed is told, so that
  nothing could contradict; or the reach has grown too wide to tell a right fix from a wrong one.
- `trusted`: the reach vouches for it. A solution that is not fixed leaves it so, as long as the
  reach is narrow: the mower is then known to be in the reach, whatever the position says.
- `doubted`: a sight lay out of reach. That is not forgiven by waiting. The reach goes on from where
  the contradiction began. It moves, and widens by the error of that, not by time.

    from       to         when
    ---------  ---------  ---------------------------------------------------------------
    unknown    trusted    the first sight after a start or a reset, with a speed; or in a
                          narrow reach; or sights that hold, and agree, for a time
    trusted    unknown    no speed is told any more, or the reach is too wide
    any        doubted    a sight clearly out of reach
    doubted    trusted    a sight back in reach; or several fixes, each after a loss of its
                          own and apart in time, that agree with each other as far as the way
                          between them is known
    any        unknown    a person resets the mower at the machine

A sight that is a little out of reach is not doubted yet, as speeds have errors of their own. But it
is no anchor either, and the bound holds both of the places that contradict each other. This strain
ends once sights have been back in reach for a while: a single one may be noise.

A wide fix is no sight: it neither becomes the anchor nor contradicts one.
"""

import math
from collections import deque
from enum import Enum
from typing import NamedTuple

from fenceguard.judgement.parameters import TrustParameters
from fenceguard.judgement.reckoning import RESTING_MPS, Place, Reckoned
from fenceguard.judgement.types import Trust
from fenceguard.judgement.usual import SPANS_S, Usual

SEEN_S = 1.0
"""From one sight to the next no longer, and the mower was seen."""
LOOKS_BACK_S = 0.9
"""How often the older sights are looked at."""
CALM_S = 2.0
"""A position must be back in reach for so long before a strain ends: once may be noise."""
HEIGHT_M = 0.6
"""By so much heights of a fixed receiver differ from one epoch to another, by noise and slopes."""
KEPT_FIXES = 16
"""Fixes that are remembered while the position is doubted."""


class SpeedTold(Enum):
    """Whether speeds are told that could contradict a position."""

    TOLD = "told"
    STOPPED = "told no more"
    NEVER = "never told"


class Sight(NamedTuple):
    """A fixed position with a narrow bound."""

    at_s: float
    place: Place
    altitude_m: float | None
    bound_m: float
    way: Reckoned
    """All that was reckoned up to it."""
    reckoned: bool
    """A speed was told with it, or none ever was; else the way up to it is a guess.

    A guess is no anchor: what comes after it would be held against what it was thought to be.
    """


class Excess(NamedTuple):
    """By how much a position changed more than is explained."""

    likely_m: float
    """By what is likely."""
    metres: float
    """By what is possible."""
    off_m: float
    """How far the position is from where the reckoning leads."""
    against: str
    """What it contradicts: `step`, `drift` or `height`."""

    @property
    def rank(self) -> tuple[float, float]:
        """What is not possible is worse than what is not likely."""
        return max(0.0, self.metres), self.likely_m


NO_EXCESS = Excess(-math.inf, -math.inf, 0.0, "")


class Reach(NamedTuple):
    """Where the mower can be."""

    place: Place
    radius_m: float


class TrustMachine:
    """The state, the anchor, and what is kept to hold sights against."""

    def __init__(self, parameters: TrustParameters) -> None:
        self._parameters = parameters
        self._slope = math.tan(math.radians(parameters.slope_deg))
        self._usual = Usual()
        self.forget()

    def forget(self) -> None:
        """Know nothing, as at the start, or when a person has looked at the machine."""
        self.state = Trust.UNKNOWN
        self.excess = NO_EXCESS
        self._anchor: Sight | None = None
        self._newest: Sight | None = None
        self._older: list[Sight | None] = [None] * len(SPANS_S)
        self._against: Sight | None = None
        self._strained_way = Reckoned()
        self._relax()
        self._pending: Sight | None = None
        self._held_s = 0.0
        self._offs: list[tuple[float, float, float]] = []
        """Age of an earlier sight, how far off the newest was, and for how long that counts."""
        self._looked_back_s = -math.inf
        self._broken = True
        self._speed = SpeedTold.NEVER
        self._fixes: deque[Sight] = deque(maxlen=KEPT_FIXES)
        self._lost = True

    def reach(self, at_s: float, way: Reckoned) -> Reach | None:
        """Where the mower can be when so much has been reckoned; None while nothing is known."""
        anchor = self._against or self._anchor
        if anchor is None:
            return None
        if way is anchor.way:
            return Reach(anchor.place, anchor.bound_m)
        since = way.since(anchor.way)
        place = anchor.place[0] + since.east_m, anchor.place[1] + since.north_m
        noise_m = max(anchor.bound_m, self._usual.noise_m(at_s - anchor.at_s))
        return Reach(place, noise_m + since.error_m(self._parameters.way_error))

    @property
    def strained(self) -> bool:
        """Whether position and reach contradict each other, doubted or not yet."""
        return self._against is not None

    @property
    def trust(self) -> Trust:
        """What is believed of the position; nothing, while no speed could contradict it."""
        if self.state is Trust.TRUSTED and self._speed is not SpeedTold.TOLD:
            return Trust.UNKNOWN
        return self.state

    def lose(self, at_s: float, way: Reckoned, speed: SpeedTold) -> None:
        """An epoch came that is no sight."""
        self._speed, self._lost, self._broken = speed, True, True
        if self.state is Trust.TRUSTED and not self._is_narrow(at_s, way):
            self.state = Trust.UNKNOWN

    def see(self, sight: Sight, speed: SpeedTold) -> None:
        """A sight."""
        after_loss, self._speed = self._lost, speed
        if sight.reckoned:
            self._lost = False
        if self.state is Trust.DOUBTED:
            self._see_doubted(sight, after_loss)
        elif self._anchor is not None:
            self._see(sight, self._anchor, after_loss)
        elif sight.reckoned and speed is not SpeedTold.STOPPED:
            self._trust(sight)

    def _see(self, sight: Sight, anchor: Sight, after_loss: bool) -> None:
        goes_on = self.state is Trust.TRUSTED and not after_loss
        newest, self._newest = self._newest or anchor, sight
        if self.strained:
            step = sight.way.since(newest.way)
            if not self._is_known(step):
                # So much has not been seen since that nothing is left to contradict.
                self._relax()
            elif sight.at_s - newest.at_s <= SEEN_S:
                self._strained_way = self._strained_way.less_sure_by(step)
        self.excess, against = self._worst(sight, anchor)
        self._strain(sight, against)
        if sight.reckoned and self.excess.metres > self._parameters.doubt_m:
            self.state, self._pending = Trust.DOUBTED, None
            self._fixes.clear()
        elif self._speed is SpeedTold.STOPPED or not (
            goes_on or self._is_narrow(sight.at_s, sight.way) or self._has_held(sight)
        ):
            self.state = Trust.UNKNOWN
        elif self.strained or not sight.reckoned:
            self.state = Trust.TRUSTED
        else:
            self._learn(sight.at_s)
            self._trust(sight)

    def _strain(self, sight: Sight, against: Sight) -> None:
        """Begin, keep or end a strain, by the excess of a sight."""
        if self.excess.likely_m > 0.0:
            if not self.strained:
                self._strained_s, self._strained_way = sight.at_s, sight.way
                self._usual.contradicted()
            self._against, self._calm_since_s = against, math.inf
            return
        self._calm_since_s = min(self._calm_since_s, sight.at_s)
        if sight.at_s - self._calm_since_s >= CALM_S:
            self._relax()

    def _see_doubted(self, sight: Sight, after_loss: bool) -> None:
        assert self._against is not None
        excess = self._excess(sight, self._against)
        self.excess = excess._replace(against=self.excess.against)
        if not sight.reckoned:
            return
        back = excess.likely_m <= 0.0 and self._is_narrow(sight.at_s, sight.way)
        if back or (after_loss and self._agrees(sight)):
            self._anchor, self._older = None, [None] * len(SPANS_S)
            self._relax()
            self._trust(sight)

    def _relax(self) -> None:
        """Nothing contradicts any more."""
        self._against, self._strained_s, self._strained_way = None, math.inf, Reckoned()
        self._calm_since_s = math.inf

    def _trust(self, sight: Sight) -> None:
        """The sight is the anchor from now on; the one before is kept as long as its span says."""
        self.state, self._pending, self.excess = Trust.TRUSTED, None, NO_EXCESS
        self._newest = sight
        self._fixes.clear()
        older = self._older
        for number in range(len(SPANS_S) - 1, -1, -1):
            kept, next_one = older[number], older[number - 1] if number else self._anchor
            if kept is not None and sight.at_s - kept.at_s < 2.0 * SPANS_S[number]:
                continue
            if not number or (next_one and sight.at_s - next_one.at_s >= SPANS_S[number]):
                older[number] = next_one
        self._anchor = sight

    def _is_narrow(self, at_s: float, way: Reckoned) -> bool:
        reach = self.reach(at_s, way)
        return reach is not None and reach.radius_m <= self._parameters.reach_m

    def _has_held(self, sight: Sight) -> bool:
        """Whether sights have agreed for long enough, though no reach vouches for them.

        Only the time while they lasted counts.
        """
        if not sight.reckoned:
            return False
        pending, self._pending = self._pending, sight
        if pending is None or not self._follows(sight, pending, 0.0):
            self._held_s = 0.0
        elif not self._broken:
            self._held_s += sight.at_s - pending.at_s
        self._broken = False
        return self._held_s >= self._parameters.held_s

    def _follows(self, sight: Sight, earlier: Sight, within_m: float) -> bool:
        """Whether a sight agrees with an earlier one, and the way between them is known."""
        known = self._is_known(sight.way.since(earlier.way))
        return known and self._excess(sight, earlier).metres <= within_m

    def _is_known(self, since: Reckoned) -> bool:
        """Whether a way is known well enough to tell a right fix from a wrong one."""
        return since.error_m(self._parameters.way_error) <= self._parameters.reach_m

    def _worst(self, sight: Sight, anchor: Sight) -> tuple[Excess, Sight]:
        """The greatest excess, and the sight that it is found against.

        The anchor and the youngest of the older sights are looked at each time; all of them once a
        second, and while something contradicts.
        """
        worst, against = self._excess(sight, anchor), anchor
        passed_s = sight.at_s - anchor.at_s
        self._offs = []
        if _drove(anchor, sight):
            self._offs.append((passed_s, worst.off_m, passed_s))
        looks_back = self.strained or sight.at_s - self._looked_back_s >= LOOKS_BACK_S
        if looks_back:
            self._looked_back_s = sight.at_s
        for number, kept in enumerate(self._older if looks_back else self._older[:1]):
            if kept is None:
                break
            age_s = sight.at_s - kept.at_s
            if age_s < SPANS_S[number]:
                # The youngest was the anchor just now.
                continue
            excess = self._excess(sight, kept)
            if _drove(kept, sight):
                self._offs.append((age_s, excess.off_m, LOOKS_BACK_S if number else passed_s))
            if excess.rank > worst.rank:
                worst, against = excess, kept
        return worst, against

    def _learn(self, at_s: float) -> None:
        """What is usual, from what was last looked at, if nothing contradicts.

        At rest there is less noise than the mower will have as it drives: nothing is learned there.
        """
        for age_s, off_m, passed_s in self._offs:
            self._usual.learn(at_s, age_s, off_m, passed_s)

    def _excess(self, sight: Sight, earlier: Sight) -> Excess:
        """By how much a sight lies out of the reach of an earlier one.

        The errors of the two positions are alike, as they come from the same sky: the worse bound
        holds their difference.
        """
        since, age_s = sight.way.since(earlier.way), sight.at_s - earlier.at_s
        east_m = sight.place[0] - earlier.place[0] - since.east_m
        north_m = sight.place[1] - earlier.place[1] - since.north_m
        off_m = math.hypot(east_m, north_m)
        if not math.isfinite(off_m):
            # No number for a way is no explanation.
            return Excess(math.inf, math.inf, off_m, "step")
        east, north = (east_m / off_m, north_m / off_m) if off_m else (0.0, 0.0)
        way_error, bound_m = self._parameters.way_error, max(sight.bound_m, earlier.bound_m)

        def unexplained_m(way: Reckoned, age_s: float) -> float:
            noise_m = max(bound_m, self._usual.noise_m(age_s))
            return off_m - noise_m - way.likely_m(way_error, east, north)

        possible_m = unexplained_m(since, age_s) - since.unlikely_m
        likely_m = possible_m + since.unlikely_m
        if earlier.at_s < self._strained_s < math.inf:
            # Once there is a contradiction, neither time nor what was not seen explains it.
            known = sight.way.as_sure_as(self._strained_way).since(earlier.way)
            likely_m = unexplained_m(known, min(age_s, self._strained_s - earlier.at_s))
            if self.state is Trust.DOUBTED:
                possible_m = likely_m - known.unlikely_m
            since = known
        height_m = self._height_excess_m(sight, earlier, since)
        if height_m > likely_m:
            return Excess(height_m, height_m, off_m, "height")
        against = "step" if earlier is self._anchor else "drift"
        return Excess(likely_m, possible_m, off_m, against)

    def _height_excess_m(self, sight: Sight, earlier: Sight, since: Reckoned) -> float:
        if sight.altitude_m is None or earlier.altitude_m is None:
            return -math.inf
        up_m = abs(sight.altitude_m - earlier.altitude_m)
        return up_m - HEIGHT_M - self._slope * since.most_m

    def _agrees(self, sight: Sight) -> bool:
        """Whether enough fixes before, each apart in time, agree with this one; it is kept."""
        parameters = self._parameters
        agreeing, newer_s = 1, sight.at_s
        for fix in reversed(self._fixes):
            apart = newer_s - fix.at_s >= parameters.fixes_apart_s
            if apart and self._follows(sight, fix, parameters.doubt_m):
                agreeing, newer_s = agreeing + 1, fix.at_s
        self._fixes.append(sight)
        return agreeing >= parameters.fixes


def _drove(earlier: Sight, later: Sight) -> bool:
    """Whether the mower drove from one sight to another."""
    length_m = later.way.length_m - earlier.way.length_m
    return length_m > RESTING_MPS * (later.at_s - earlier.at_s)
