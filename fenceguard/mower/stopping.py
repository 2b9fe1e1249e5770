"""How long the mower may still go on, and how fast it may go.

The curves are kept apart as train protection keeps them apart (ERA, "Introduction to ETCS braking
curves"). All rest on one question: for how long, from the epoch on, may the mower go on before its
brakes must bite, so that it stands at the end of the way ahead? What is left of that time when the
reaction is over is compared with what each curve still needs:

| curve | needs | so that |
| --- | --- | --- |
| told speed | slowed's time, the controller's hearing and its own braking | it is not slowed |
| slowed | the controller's reaction to the slow line, and an epoch | the blade is not taken |
| blade off | its run-down, where the drive line is only told | the blade rests before the fence |
| halted | nothing | the mower stands before the fence, whatever the controller does |

What each line can force:

| line | forces | its curve |
| --- | --- | --- |
| told speed | nothing: it is told | the controller's own braking |
| slow | nothing: it is told | by the speed as it is |
| blade_enable | the blade rests after its run-down | where the drive line is only told |
| drive_enable that cuts the power | the mower stands, blade or not | braking without power |
| drive_enable that is told | nothing: the blade must rest before the fence | the same braking |
"""

import math
from typing import NamedTuple

GRAVITY_MPS2 = 9.80665
LONG_S = 60.0
"""No need to tell longer times apart."""
SLOWLY_MPS = 0.05
"""What lies behind a mower that stands is told as time at this speed."""


class Stopping(NamedTuple):
    """What decides where the mower, and its blade, come to rest."""

    reaction_s: float
    """From the epoch to the moment at which the brakes bite or the blade's power is off."""
    deceleration_mps2: float
    """With the drive line off."""
    blade_stop_s: float
    """From the blade's power off to the blade at rest."""
    speeding_up_mps2: float
    """What the mower may gain, seen or unseen."""
    drive_cut: bool
    """Whether the drive line cuts the drive's power; otherwise it is only told to the controller.
    """

    def latest_s(self, left_m: float, speed_mps: float, most_mps: float) -> float:
        """Time until the brakes must bite for the mower to stand within a length.

        Until then it speeds up to `most_mps`, or keeps its speed where that is greater. Negative
        where it is too late already; no more than `LONG_S`.
        """
        spare_m = left_m - self._braking_m(speed_mps)
        if spare_m <= 0.0:
            return max(-LONG_S, spare_m / max(speed_mps, SLOWLY_MPS))
        top_mps = max(speed_mps, most_mps)
        if top_mps <= 0.0:
            return LONG_S
        gains = 1.0 + self.speeding_up_mps2 / self.deceleration_mps2
        latest_s = _time_s(spare_m, gains * speed_mps, gains * self.speeding_up_mps2)
        if speed_mps + self.speeding_up_mps2 * latest_s <= top_mps:
            return min(LONG_S, latest_s)
        gaining_s = (top_mps - speed_mps) / self.speeding_up_mps2
        gaining_m = (speed_mps + top_mps) / 2.0 * gaining_s
        rest_m = left_m - gaining_m - self._braking_m(top_mps)
        return min(LONG_S, gaining_s + rest_m / top_mps)

    def blade_latest_s(self, left_m: float, speed_mps: float, most_mps: float) -> float:
        """Time until the blade's power must be off for it to rest within a length.

        The mower goes on all the while, speeding up as for `latest_s`.
        """
        if left_m <= 0.0:
            reach_s = max(-LONG_S, left_m / max(speed_mps, SLOWLY_MPS))
            return reach_s - self.blade_stop_s
        top_mps = max(speed_mps, most_mps)
        if top_mps <= 0.0:
            return LONG_S - self.blade_stop_s
        reach_s = _time_s(left_m, speed_mps, self.speeding_up_mps2)
        if speed_mps + self.speeding_up_mps2 * reach_s > top_mps:
            gaining_s = (top_mps - speed_mps) / self.speeding_up_mps2
            gaining_m = (speed_mps + top_mps) / 2.0 * gaining_s
            reach_s = gaining_s + (left_m - gaining_m) / top_mps
        return min(LONG_S, reach_s) - self.blade_stop_s

    def gone_m(self, speed_mps: float, most_mps: float, after_s: float) -> float:
        """How far the mower may have gone after a time, speeding up as for `latest_s`."""
        top_mps, gains_mps2 = max(speed_mps, most_mps), self.speeding_up_mps2
        gaining_s = after_s
        if speed_mps + gains_mps2 * after_s > top_mps:
            gaining_s = (top_mps - speed_mps) / gains_mps2
        gained_m = (speed_mps + gains_mps2 * gaining_s / 2.0) * gaining_s
        return gained_m + top_mps * (after_s - gaining_s)

    def permitted_mps(self, left_m: float, wait_s: float, braking_mps2: float) -> float:
        """The speed that is told: from which the curves are kept.

        The mower goes on for a time as fast as told, then brakes: v t + v²/(2 a) = d, so that
        v = -a t + sqrt((a t)² + 2 a d). Where the drive line is only told, its blade must also
        have come to rest.
        """
        free_m = max(0.0, left_m)
        slowing_mps = braking_mps2 * wait_s
        speed_mps = math.sqrt(slowing_mps**2 + 2.0 * braking_mps2 * free_m) - slowing_mps
        if not self.drive_cut:
            speed_mps = min(speed_mps, free_m / (wait_s + self.blade_stop_s))
        return max(0.0, speed_mps)

    def unhalted_mps(self, left_m: float, hears_s: float, wait_s: float, top_mps: float) -> float:
        """The speed from which a mower that speeds up for a time still stands within a length.

        It goes on as before until it hears of it. If it comes to less than the top speed,
        v h + v t + a t²/2 + (v + a t)²/(2 b) = d, so that v = sqrt(w² + 2 b (d - d0)) - w, with
        w = a t + b (t + h) and d0 what it needs from rest. Else
        v h + u t - (u - v)²/(2 a) + u²/(2 b) = d, so that u - v = sqrt(a² h² + 2 a (d1 - d)) - a h,
        with d1 what it needs at the top speed u.
        """
        gains_mps2, brakes_mps2 = self.speeding_up_mps2, self.deceleration_mps2
        gained_mps = gains_mps2 * wait_s
        from_rest_m = gained_mps * wait_s / 2.0 + self._braking_m(gained_mps)
        waits_mps = gained_mps + brakes_mps2 * (wait_s + hears_s)
        spare_m = max(0.0, left_m - from_rest_m)
        speed_mps = math.sqrt(waits_mps**2 + 2.0 * brakes_mps2 * spare_m) - waits_mps
        if speed_mps + gained_mps <= top_mps:
            return speed_mps
        at_top_m = top_mps * (hears_s + wait_s) + self._braking_m(top_mps)
        heard_mps = gains_mps2 * hears_s
        short_m = max(0.0, at_top_m - left_m)
        return max(0.0, top_mps - math.sqrt(heard_mps**2 + 2.0 * gains_mps2 * short_m) + heard_mps)

    def horizon_m(self, speed_mps: float, wait_s: float, braking_mps2: float) -> float:
        """How far ahead to look at a speed; what lies beyond does not matter yet."""
        rests_m = speed_mps**2 / (2.0 * min(braking_mps2, self.deceleration_mps2))
        if not self.drive_cut:
            rests_m = max(rests_m, speed_mps * self.blade_stop_s)
        return speed_mps * wait_s + rests_m

    def rest_s(self, speed_mps: float) -> float:
        """Time from the drive line off until the mower stands."""
        return self.reaction_s + speed_mps / self.deceleration_mps2

    def _braking_m(self, speed_mps: float) -> float:
        return speed_mps**2 / (2.0 * self.deceleration_mps2)


def _time_s(way_m: float, speed_mps: float, gains_mps2: float) -> float:
    """Time for a way that begins at a speed and gains: v t + a t²/2 = d, for d > 0."""
    ends_mps = math.sqrt(speed_mps**2 + 2.0 * gains_mps2 * way_m)
    mean_mps = (speed_mps + ends_mps) / 2.0
    if mean_mps > 0.0:
        return min(LONG_S, way_m / mean_mps)
    # No speed at the end: so short a way that it rounds to nothing, or a mower that never moves.
    return 0.0 if gains_mps2 > 0.0 else LONG_S


def downhill_mps2(deceleration_mps2: float, slope_deg: float) -> float:
    """What is left of the deceleration on level ground when braking down a slope.

    The grip shrinks with the cosine of the slope, and its sine pulls.
    """
    slope = math.radians(slope_deg)
    return deceleration_mps2 * math.cos(slope) - GRAVITY_MPS2 * math.sin(slope)
