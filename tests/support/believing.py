"""A belief that hears a mower whose true ways are known."""

import math
from typing import Any

from fenceguard.judgement.belief import Belief, Believed
from fenceguard.judgement.parameters import Parameters
from fenceguard.judgement.types import Trust
from fenceguard.lawn.surface import Surface
from fenceguard.receiver.epoch import Epoch
from tests.support.motion import Moment
from tests.support.trusting import parameters

UTC_S = 1_700_000_000.0
SIGMA_M = 0.01
STANDS = Moment(0.0, 0.0, 0.0, 0.0, 0.0)


class Believing:
    """Epochs arrive 0.1 s after their instant, under a grant of full speed since long before."""

    def __init__(
        self, given: Parameters | None = None, surface: Surface | None = None, granted: float = 0.5
    ) -> None:
        self.belief = Belief(parameters() if given is None else given, surface)
        self.belief.begin(0.0)
        self.belief.granted(granted)

    def hear(
        self,
        moment: Moment,
        off_m: tuple[float, float] = (0.0, 0.0),
        *,
        utc_off_s: float = 0.0,
        speeds: bool = True,
        position: bool = True,
        **fields: Any,
    ) -> Believed:
        """An epoch at a moment of the truth, with a position so far off."""
        now_s = 0.1 + moment.at_s
        told: dict[str, Any] = {"quality": 4, "sigma_major_m": SIGMA_M}
        if speeds:
            told |= {"speed_mps": moment.mps, "course_deg": moment.course_deg}
        epoch = Epoch(UTC_S + moment.at_s + utc_off_s, **{**told, **fields})
        place = moment.east_m + off_m[0], moment.north_m + off_m[1]
        self.belief.go_on(now_s)
        return self.belief.hear(now_s, epoch, place if position else None)

    def stands(self, at_s: float, east_m: float = 0.0, **changes: Any) -> Believed:
        """An epoch of a mower that stands, with a position so far east of it."""
        return self.hear(STANDS._replace(at_s=at_s), (east_m, 0.0), **changes)


def standing(
    given: Parameters | None = None, surface: Surface | None = None, granted: float = 0.5
) -> Believing:
    """One that has trusted a standing mower for two seconds, at 5 Hz."""
    one = Believing(given, surface, granted)
    for number in range(11):
        believed = one.stands(0.2 * number)
    assert believed.evidence.trust is Trust.TRUSTED
    return one


def far(one: Believed, other: Believed) -> float:
    """Between two places."""
    assert one.place is not None and other.place is not None
    return math.dist(one.place, other.place)
