"""What the tests of trust and reckoning share: a mower at 0.5 m/s, and a machine for its sights."""

import math
from typing import Any

from fenceguard.judgement.parameters import Parameters, TrustParameters
from fenceguard.judgement.reckoning import Reckoned, Reckoning, Velocity
from fenceguard.judgement.trust import Sight, SpeedTold, TrustMachine
from fenceguard.judgement.types import Trust
from fenceguard.settings import Settings
from tests.support.lawns import OUTLINE


def parameters(**changes: Any) -> Parameters:
    """All parameters, by default settings but for the changes."""
    mower = {"outline_m": OUTLINE, "antenna_m": [0, 0], **changes.pop("mower", {})}
    content = {"fence": "x", "outputs": "none", "mower": mower, **changes}
    return Settings.model_validate(content).parameters()


TRUST = parameters().trust
BOUND_M = 0.08
"""More than what is usual from one epoch to the next."""


class Added:
    """A reckoning under a grant that was given long before the first epoch."""

    def __init__(self, granted_mps: float = TRUST.top_mps) -> None:
        self.reckoning = Reckoning(TRUST)
        self.reckoning.unseen.begin(-1000.0)
        self.reckoning.unseen.go_on(-900.0)
        self.reckoning.unseen.go_on(-899.0)
        self.reckoning.unseen.granted(granted_mps)
        self.reckoning.unseen.go_on(0.0)

    def at(self, at_s: float, east_mps: float | None = None, north_mps: float = 0.0) -> Reckoned:
        """An epoch, and the velocity that it tells."""
        self.reckoning.unseen.go_on(at_s)
        told = None if east_mps is None else Velocity(at_s, east_mps, north_mps, 0.0)
        self.reckoning.hear(at_s, told)
        return self.reckoning.way


class Watched:
    """A machine that is told sights off from where the mower truly goes."""

    def __init__(self, parameters: TrustParameters = TRUST) -> None:
        self.trust = TrustMachine(parameters)
        self.way = Reckoned()
        self.at_s = 0.0

    def passes(self, passed_s: float = 0.2, **way: float) -> None:
        """Time passes, and a way is driven: the fields of `Reckoned`."""
        length_m = math.hypot(way.get("east_m", 0.0), way.get("north_m", 0.0))
        self.at_s += passed_s
        self.way = self.way.plus(Reckoned(**{"length_m": length_m, **way}))

    def sees(
        self,
        off_m: float = 0.0,
        *,
        bound_m: float = BOUND_M,
        altitude_m: float | None = None,
        speed: SpeedTold = SpeedTold.TOLD,
        reckoned: bool = True,
    ) -> Trust:
        """A sight, so far east of where the mower is."""
        place = self.way.east_m + off_m, self.way.north_m
        self.trust.see(Sight(self.at_s, place, altitude_m, bound_m, self.way, reckoned), speed)
        return self.trust.trust

    def loses(self, speed: SpeedTold = SpeedTold.TOLD) -> Trust:
        """An epoch that is no sight."""
        self.trust.lose(self.at_s, self.way, speed)
        return self.trust.trust

    def goes_on(
        self, off_m: float = 0.0, times: int = 5, passed_s: float = 0.2, **way: float
    ) -> Trust:
        """Sights one after the other."""
        for _ in range(times):
            self.passes(passed_s, **way)
            state = self.sees(off_m)
        return state

    @property
    def radius_m(self) -> float:
        """Of the reach."""
        reach = self.trust.reach(self.at_s, self.way)
        assert reach is not None
        return reach.radius_m


def trusted(**changes: Any) -> Watched:
    """A machine that has trusted sights for a second."""
    one = Watched(TRUST._replace(**changes))
    one.goes_on()
    assert one.trust.trust is Trust.TRUSTED
    return one


def doubted(off_m: float = 0.5, **changes: Any) -> Watched:
    """One that doubts a step."""
    one = trusted(**changes)
    assert one.goes_on(off_m, times=1) is Trust.DOUBTED
    return one
