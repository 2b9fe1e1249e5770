"""How fast the mower goes, and how fast it may have become since that was told.

The lines set what it can reach: the top speed, or, once the slow line is on, what it may still gain
until it hears the line, and then the slower speed, to which it comes down. A mower that is seen to
keep the told speed reaches no more than that: as the told speed fell, it came down with it, without
the slow line, and it was never faster. One time faster, and the lines count again until it has come
down with the told speed anew. While an epoch is overdue it may gain, as nobody sees it then.

The slow line forces nothing, but what it asks for is believed of a mower until a speed shows
otherwise: `ignores_slow`. Then only a few moderate speeds while the line is on, or a person, make
it believed again.

At rest is a mower whose drive line has been off for as long as stopping takes.
"""

import math
from collections import deque

from fenceguard.judgement.parameters import MowerParameters
from fenceguard.judgement.types import Grant
from fenceguard.receiver.epoch import Epoch

NOISE_MPS = 0.1
"""Faster than told by no more than this is noise, or a controller on its way down."""
BELIEVED = 3
"""So many moderate speeds one after the other make the slow line believed again."""
CAME_DOWN_MPS = 0.15
"""So far it must have come down with the told speed, at a stretch, to be seen to keep it."""


class Speed:
    """Follows the speed of one mower, and what is told to its controller."""

    def __init__(self, mower: MowerParameters) -> None:
        self._mower = mower
        self._rest_s = mower.stopping.rest_s(mower.full_mps)
        self.forget()

    def forget(self) -> None:
        """Know nothing."""
        self._known = -math.inf, 0.0
        self._falls_from: tuple[float, float] | None = None
        """Told speed and speed, since when the told speed has been lower."""
        self.keeps_told = False
        """Whether the mower is seen to keep the told speed."""
        self._moderate = BELIEVED
        self._off_since_s: float | None = None
        self._slow_since_s: float | None = None
        self._told: deque[tuple[float, float]] = deque()

    @property
    def ignores_slow(self) -> bool:
        """Whether the mower was too fast while the slow line was on."""
        return self._moderate < BELIEVED

    def look_again(self) -> None:
        """A person has looked at the machine."""
        self._moderate = BELIEVED

    def rests_since_s(self, now_s: float) -> float | None:
        """Since when the mower is known to be at rest; None where it may move."""
        if self._off_since_s is None or now_s - self._off_since_s < self._rest_s:
            return None
        return self._off_since_s + self._rest_s

    def hear(self, now_s: float, epoch: Epoch) -> float:
        """The speed at an epoch: as told, else what it may be by now."""
        speed_mps = epoch.speed_mps
        if speed_mps is not None and math.isfinite(speed_mps):
            self._known = now_s, speed_mps
            self._watch(speed_mps)
            self._watch_slow(now_s, speed_mps)
            return speed_mps
        self._falls_from = None
        if self.rests_since_s(now_s) is not None:
            self._known = now_s, 0.0
        known_at_s, known_mps = self._known
        held_s = now_s - known_at_s
        if held_s > self._mower.held_s:
            return self.most_mps(now_s)
        return min(self.most_mps(now_s), known_mps + self._mower.speeding_up_mps2 * held_s)

    def grant(self, now_s: float, grant: Grant) -> None:
        """What has been granted."""
        if grant.drive:
            self._off_since_s = None
        elif self._off_since_s is None:
            self._off_since_s = now_s
        if not grant.slow:
            self._slow_since_s = None
        elif self._slow_since_s is None:
            self._slow_since_s = now_s
        told = self._told
        while len(told) > 1 and told[1][0] <= now_s - self._mower.hears_s:
            told.popleft()
        while told and told[-1][1] < grant.top_speed_mps:
            # Older and slower: never the greatest one again.
            told.pop()
        if not told or told[-1][1] > grant.top_speed_mps:
            told.append((now_s, grant.top_speed_mps))

    def most_mps(self, now_s: float, overdue_s: float = 0.0) -> float:
        """What the mower can reach as the lines stand, or as it is told if it is seen to keep that.

        `overdue_s`: for how long the next epoch has been due, and nobody has seen that it does.
        """
        return min(
            self.by_lines_mps(now_s),
            self.released_mps + self._mower.speeding_up_mps2 * overdue_s,
        )

    @property
    def released_mps(self) -> float:
        """What it can reach without the slow line."""
        return self.told_mps if self.keeps_told else self._mower.full_mps

    def by_lines_mps(self, now_s: float) -> float:
        """What it can reach as the lines stand."""
        mower = self._mower
        if self._slow_since_s is None or self.ignores_slow:
            return mower.full_mps
        hears_at_s, (known_at_s, known_mps) = self._slow_since_s + mower.hears_s, self._known
        gains_s = max(0.0, hears_at_s - known_at_s)
        gained_mps = min(mower.full_mps, known_mps + mower.speeding_up_mps2 * gains_s)
        lost_mps = mower.service_mps2 * max(0.0, now_s - max(hears_at_s, known_at_s))
        return max(mower.slowed_mps, gained_mps - lost_mps)

    @property
    def told_mps(self) -> float:
        """The greatest speed that the controller may still go by."""
        return self._told[0][1] if self._told else self._mower.full_mps

    def _watch(self, speed_mps: float) -> None:
        """Whether the mower comes down as the told speed falls."""
        told_mps = self.told_mps
        if speed_mps > told_mps + NOISE_MPS:
            self.keeps_told, self._falls_from = False, None
        elif self._slow_since_s is not None:
            # A line made it come down.
            self._falls_from = None
        else:
            from_told_mps, from_mps = self._falls_from or (told_mps, speed_mps)
            if told_mps >= from_told_mps or speed_mps > from_mps:
                from_told_mps, from_mps = told_mps, speed_mps
            self._falls_from = from_told_mps, from_mps
            came_down_mps = min(from_told_mps - told_mps, from_mps - speed_mps)
            self.keeps_told = self.keeps_told or came_down_mps >= CAME_DOWN_MPS

    def _slow_for_s(self, now_s: float) -> float:
        """For how long the slow line has been on; -inf while it is off."""
        return -math.inf if self._slow_since_s is None else now_s - self._slow_since_s

    def _watch_slow(self, now_s: float, speed_mps: float) -> None:
        """Whether the mower has slowed down, once it must have."""
        mower = self._mower
        slowing_s = (mower.full_mps - mower.slowed_mps) / mower.service_mps2
        if self._off_since_s is not None or self._slow_for_s(now_s) < mower.hears_s + slowing_s:
            return
        if speed_mps > mower.slowed_mps + NOISE_MPS:
            self._moderate = 0
        elif speed_mps > 0.0:
            self._moderate += 1
