"""Belief: what is made of an epoch's position, and how far it is believed.

It puts together the news (is it new, and in time), what the receiver used to tell, the bound, the
reckoning and the trust. What comes out is one place with one bound: the receiver's own where it is
trusted; the reach where that is narrower, as in the shade, where a float wanders; and both of them
where they contradict each other.
"""

import math
from typing import NamedTuple

from fenceguard.judgement.bound import Bounds
from fenceguard.judgement.news import News, Newsroom
from fenceguard.judgement.parameters import Parameters
from fenceguard.judgement.reckoning import Place, Reckoning, velocity_of
from fenceguard.judgement.tells import Missing, Tells
from fenceguard.judgement.trust import Reach, Sight, SpeedTold, TrustMachine
from fenceguard.judgement.types import Bound, Evidence, Learned, Trust
from fenceguard.lawn.surface import Surface
from fenceguard.receiver.epoch import FIXED, Epoch

SPEAKS_S, PERIODS = 1.2, 4.0
"""A speed vouches for so long, and for so many of the times between two of them."""
STRAIN = 4.0
"""So many times what is not likely widens the bound, up to all that the position is off."""
DRIVES = 0.1
"""Where no speed is told, a mower has gone at least this share of what it may have gone."""


class Believed(NamedTuple):
    """What is made of an epoch."""

    place: Place | None
    """Where the antenna would be on level ground; None without a position."""
    bound: Bound | None
    at_s: float
    """The receiver's own time, without the leaps of its clock."""
    odd: bool
    """Its speed is one that the mower cannot have."""
    fresh: bool
    """The epoch is an instant of its own, and its position was measured."""
    utc_lag_s: float | None
    evidence: Evidence


class Belief:
    """Follows the epochs of one receiver on one lawn."""

    def __init__(self, parameters: Parameters, surface: Surface | None) -> None:
        self._parameters = parameters.trust
        self._mount_m = parameters.mower.antenna_height_m or 0.0
        self._tilt_m = self._mount_m * math.sin(math.radians(parameters.mower.slope_deg))
        self._surface = surface
        self._newsroom = Newsroom()
        self._tells = Tells(parameters.declared)
        self._bounds = Bounds(parameters.bound)
        self._reckoning = Reckoning(parameters.trust)
        self._trust = TrustMachine(parameters.trust)

    def begin(self, now_s: float) -> None:
        """Know nothing from now on."""
        self._newsroom.forget()
        self._reckoning.unseen.begin(now_s)
        self.trust_again()

    def trust_again(self) -> None:
        """A person has looked at the machine: what comes next counts."""
        self._newsroom.relearn()
        self._reckoning.forget()
        self._tells.forget()
        self._bounds.forget()
        self._trust.forget()

    @property
    def learned(self) -> Learned:
        """What is known of the receiver's ways."""
        return self._tells.learned

    def go_on(self, now_s: float) -> None:
        """Time has passed under what was granted last."""
        self._reckoning.unseen.go_on(now_s)

    def granted(self, mps: float) -> None:
        """How fast the mower may go from now on."""
        self._reckoning.unseen.granted(mps)

    def hear(self, now_s: float, epoch: Epoch, place: Place | None) -> Believed:
        """An epoch, and its place in the local frame; None where it has no position."""
        reckoning = self._reckoning
        way = reckoning.way
        # Where speeds are told, they tell how far it went.
        told = reckoning.period_s < math.inf
        crept_m = 0.0 if told else DRIVES * reckoning.unseen.way_m
        news = self._newsroom.hear(now_s, epoch, (way.east_m, way.north_m), crept_m)
        velocity = velocity_of(epoch, news.at_s)
        over_mps = None if epoch.speed_mps is None else epoch.speed_mps - self._parameters.top_mps
        bound, missing = None, None
        if place is not None:
            place = self._upright(place)
            bound = self._bounds.hear(news.at_s, epoch, 0.0 if self._surface else self._tilt_m)
        is_sight = self._is_sight(epoch, bound)
        if news.fresh:
            reckoning.hear(news.at_s, velocity)
            missing = self._tells.hear(news.at_s, epoch)
            self._judge(news, epoch, place, bound if is_sight else None)
        reach = self._trust.reach(news.at_s, reckoning.way)
        evidence = self._evidence(news, over_mps, missing, reach)
        if place is not None:
            place, bound = _believed(self._trust, is_sight, place, bound, reach)
        return Believed(
            place,
            bound,
            news.at_s,
            reckoning.is_odd,
            news.fresh,
            news.utc_lag_s,
            evidence,
        )

    def _judge(self, news: News, epoch: Epoch, place: Place | None, bound: Bound | None) -> None:
        """Hold a sight against what was reckoned; without a bound the epoch is none."""
        reckoning, parameters = self._reckoning, self._parameters
        lasts_s = SPEAKS_S
        if reckoning.period_s < math.inf:
            lasts_s = max(SPEAKS_S, PERIODS * reckoning.period_s)
        speed = SpeedTold.TOLD
        if not parameters.without_speed and reckoning.blind_s > lasts_s:
            speed = SpeedTold.NEVER if math.isinf(reckoning.blind_s) else SpeedTold.STOPPED
        if place is None or bound is None:
            self._trust.lose(news.at_s, reckoning.way, speed)
            return
        way, told = reckoning.way, reckoning.is_told
        sight = Sight(news.at_s, place, epoch.altitude_m, bound.radius_m, way, told)
        self._trust.see(sight, speed)

    def _is_sight(self, epoch: Epoch, bound: Bound | None) -> bool:
        narrow = bound is not None and bound.radius_m <= self._parameters.anchor_m
        return narrow and epoch.quality == FIXED

    def _upright(self, place: Place) -> Place:
        """Where the antenna would be if the ground were level: a slope leans it downhill."""
        if self._surface is None or not self._mount_m:
            return place
        east, north = self._surface.gradient(*place)
        leaning_m = self._mount_m / math.sqrt(1.0 + east**2 + north**2)
        return place[0] + leaning_m * east, place[1] + leaning_m * north

    def _evidence(
        self, news: News, over_mps: float | None, missing: Missing | None, reach: Reach | None
    ) -> Evidence:
        excess = self._trust.excess
        return Evidence(
            trust=self._trust.trust,
            excess_m=excess.metres if math.isfinite(excess.metres) else None,
            against=excess.against,
            reach_m=None if reach is None else reach.radius_m,
            late_s=news.late_s,
            leap_s=news.leap_s,
            same_s=news.same_s,
            over_mps=over_mps,
            missing="" if missing is None else missing.name,
            missing_s=0.0 if missing is None else missing.for_s,
        )


def _believed(
    trust: TrustMachine, is_sight: bool, place: Place, bound: Bound | None, reach: Reach | None
) -> tuple[Place, Bound | None]:
    """Place and bound to go by."""
    if reach is None:
        return place, bound
    if not math.isfinite(sum(reach.place)):
        # After an endless time there is no telling where it has gone.
        return place, None
    if trust.strained:
        if bound is None:
            # The reach is contradicted, and tells nothing alone.
            return place, None
        unexplained_m = max(0.0, min(STRAIN * trust.excess.likely_m, trust.excess.off_m))
        if trust.state is Trust.DOUBTED:
            # Whichever of the two is right, the mower is in here.
            both_m = math.dist(place, reach.place) + reach.radius_m
            unexplained_m = max(0.0, both_m - bound.radius_m)
        return place, _widened(bound, unexplained_m)
    if is_sight and trust.state is Trust.TRUSTED:
        return place, bound
    # Whatever the position says, the mower is in the reach.
    if bound is None or reach.radius_m < bound.radius_m or is_sight:
        return reach.place, _of_reach(reach)
    return place, bound


def _widened(bound: Bound, unexplained_m: float) -> Bound:
    return bound._replace(unexplained_m=unexplained_m, radius_m=bound.radius_m + unexplained_m)


def _of_reach(reach: Reach) -> Bound:
    return Bound(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, reach.radius_m, reach.radius_m)
