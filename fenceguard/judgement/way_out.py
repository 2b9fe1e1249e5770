"""The way out: where only room demands a halt, a mower may creep away from the fence.

Theory of operation
-------------------
A mower that stands too near the fence would never move again, since room cannot grow while it
stands. So while its position is trusted, it stands, and nothing else demands a halt, what room
demands counts as `blade_off`. The ladder then leaves `halted` after the clear time as ever, and the
mower creeps: blade off, slow on, at a speed of its own.

Which way it goes is the controller's choice, and only what comes of it is seen. The clearance may
not fall below what it was, less its noise, which shows while the mower stands; what is gained must
be kept. The bound may not become twice as large. When that fails, or the way is over, room halts
again, and the next try begins after the next clear time. Where something contradicts the position,
though it is trusted, the clearance is that of the worse of the two places.

Without a heading it is not known at first where the mower points. The clearance is that of a disc
then, wider than the mower. It may begin, and shrink, down to twice `past_m` past the fence until
the way shows the direction: most of the disc is not there.

A mower that is halted goes on until it has braked, so a try that leads nearer costs more than shows
when it fails. What it has cost is known when the mower rests again. The next one begins only where
the same once more would leave the mower within `past_m`. After `FAILURES` tries that only led
nearer there is no other, until room has demanded no halt, or a person resets the mower.
"""

import math

from fenceguard.judgement.parameters import WayOutParameters
from fenceguard.judgement.reckoning import Place
from fenceguard.judgement.types import Rung, Situation, Trust

SMOOTH = 0.1
"""The share of a new clearance in the mean of those at a standstill."""
DISC = 2.0
"""So many times farther past the fence the disc may be that holds a mower of unknown heading: most
of it is not there.
"""
FAILURES = 3
"""A controller that does not find the way in so many tries does not know where the fence is."""
NOISES = 3.0
"""So many times the noise is none any more."""


class WayOut:
    """Whether a mower has a way out, and whether it keeps to it."""

    def __init__(self, parameters: WayOutParameters) -> None:
        self._parameters = parameters
        self.begin()

    def begin(self) -> None:
        """No try has failed yet."""
        self._succeed()
        self.forget()

    def _succeed(self) -> None:
        self._failures, self._failed_from_m, self._costs_m = 0, -math.inf, 0.0

    def forget(self) -> None:
        """There is none."""
        self._began: Place | None = None
        self._clearance_m = self._square_m2 = self._bound_m = 0.0

    @property
    def is_open(self) -> bool:
        """Whether what room demands counts as `blade_off`."""
        return self._began is not None

    def step(
        self, situation: Situation, place: Place, rung: Rung, rests: bool, demanded: bool
    ) -> bool:
        """Whether it is open; `place` is that of the last valid epoch.

        `rests`: the mower has come to rest; `demanded`: room demands a halt, and nothing else does.
        """
        clearance_m, bound = situation.clearance_m, situation.bound
        if not demanded and rung is not Rung.BLADE_OFF:
            self._succeed()
        if clearance_m is None or bound is None:
            self.forget()
            return False
        clearance_m -= bound.unexplained_m
        directed = bool(situation.attitude.headings_deg)
        past_m = self._parameters.past_m if directed else DISC * self._parameters.past_m
        bound_m = bound.radius_m - bound.unexplained_m
        if (
            self._failures >= FAILURES
            or situation.trust is not Trust.TRUSTED
            or clearance_m < -past_m
            or not (rung is Rung.HALTED or (rung is Rung.BLADE_OFF and self.is_open))
        ):
            self.forget()
        elif rung is Rung.BLADE_OFF:
            self._creep(place, clearance_m, bound_m, directed)
        elif not rests:
            self.forget()
        elif self._began is None:
            self._costs_m = max(self._costs_m, self._failed_from_m - clearance_m)
            if demanded and clearance_m - self._costs_m >= -past_m:
                self._began, self._clearance_m, self._bound_m = place, clearance_m, bound_m
        elif situation.since_s == 0.0:
            self._began = place
            off_m = clearance_m - self._clearance_m
            self._clearance_m += SMOOTH * off_m
            self._square_m2 += SMOOTH * (off_m**2 - self._square_m2)
            self._bound_m = max(bound_m, self._bound_m)
        return self.is_open

    def _creep(self, place: Place, clearance_m: float, bound_m: float, directed: bool) -> None:
        parameters = self._parameters
        assert self._began is not None
        nearer_m = max(parameters.nearer_m, NOISES * math.sqrt(self._square_m2))
        nearer = directed and clearance_m < self._clearance_m - nearer_m
        if nearer:
            self._failures += 1
            self._failed_from_m = self._clearance_m
        if (
            nearer
            or math.dist(place, self._began) > parameters.way_m
            or bound_m > 2.0 * self._bound_m
        ):
            self.forget()
        else:
            self._clearance_m = max(self._clearance_m, clearance_m - nearer_m)
