"""News: whether what arrives is new, and in time.

All that is known of time is the receiver's own UTC and when an epoch arrived. UTC goes on as the
arrivals do. It may hang behind them where bytes wait in a buffer; that is how late an epoch is,
counted from the promptest one. It cannot come ahead of them, and it cannot go back: then the
receiver's clock was set. Its time from one epoch to the next is not believed then; the arrivals
tell it, and the promptest epoch is looked for anew.

A position that is the same to the last digit is the same measurement, if its digits are finer than
the noise of any receiver. With coarser digits it is, once the mower must have moved by more; or
where speed and course are told again and again and stay the same as well, as they have noise of
their own. A speed of 0 has none: some receivers tell it of whatever is slow.
"""

import math
from typing import NamedTuple

from fenceguard.receiver.epoch import Epoch

CLOCK_DRIFT = 2e-4
"""How far two clocks may drift apart, in seconds per second; crystals do better."""
LEAP_S = 0.5
"""So far ahead of the promptest arrival no epoch comes, but for a clock that was set."""
SETTLES = 0.02
"""How fast the promptest arrival may come to be one, in seconds per second."""
FINE_M = 0.002
"""Digits as fine as this differ from one epoch to the next by noise alone."""


REPEATS = 5
"""So many times the same speed and course are no chance: each has one in six, told to 1 cm/s."""


WENT_M = 0.05
"""What the noise of a speed adds up to in a few seconds."""

Gone = tuple[float, float]
"""Towards east and north in m."""


class News(NamedTuple):
    """What one epoch is worth as news."""

    at_s: float
    """The receiver's own time, in seconds since the first epoch, without the leaps of its clock."""
    fresh: bool
    """It is an instant of its own, later than the one before, and its position was measured."""
    utc_lag_s: float | None
    """How far the receiver's UTC hangs behind; None where it went back."""
    leap_s: float
    """By how much its UTC came ahead of the arrivals; 0 where it did not."""
    late_s: float
    """By how much later than the promptest epochs it arrived."""
    same_s: float
    """For how long the position has been the same measurement; 0 for a new one."""


class Newsroom:
    """Follows the epochs of one receiver."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Know nothing."""
        self._utc_s = self._now_s = math.nan
        self._advanced_at_s = math.nan
        self._at_s = 0.0
        self.relearn()

    def relearn(self) -> None:
        """The next epoch is the promptest one, and its position a new one."""
        self._promptest_s = self._settled_s = math.inf
        self._place: tuple[float | None, float | None] = None, None
        self._motion: tuple[float | None, float | None] = None, None
        self._repeats = 0
        self._gone_m: Gone = (0.0, 0.0)
        self._crept_m = 0.0
        self._changed_at_s = 0.0

    def hear(self, now_s: float, epoch: Epoch, gone_m: Gone, crept_m: float) -> News:
        """An epoch has arrived.

        `gone_m` is where the mower has gone so far as speeds tell, `crept_m` the least way that it
        has gone as it may have.
        """
        if math.isnan(self._now_s):
            self._utc_s, self._advanced_at_s, self._now_s = -math.inf, now_s, now_s
        passed_s, step_s = now_s - self._now_s, epoch.utc_s - self._utc_s
        self._now_s = now_s
        back = not step_s >= 0.0
        leap_s = self._leap_s(passed_s, now_s - epoch.utc_s, back)
        if back or step_s > 0.0:
            self._utc_s, self._advanced_at_s = epoch.utc_s, now_s
        self._at_s += passed_s if back or leap_s > 0.0 or step_s == math.inf else step_s
        same_s = self._same_s(epoch, gone_m, crept_m)
        return News(
            self._at_s,
            (back or step_s > 0.0) and same_s == 0.0,
            None if back else now_s - self._advanced_at_s,
            leap_s,
            max(0.0, now_s - epoch.utc_s - self._promptest_s),
            same_s,
        )

    def _leap_s(self, passed_s: float, lag_s: float, back: bool) -> float:
        """By how much UTC has come ahead of the arrivals; keeps the promptest one."""
        self._promptest_s += CLOCK_DRIFT * passed_s
        if back or math.isinf(self._promptest_s):
            self._promptest_s = self._settled_s = lag_s
            return 0.0
        self._promptest_s = min(self._promptest_s, lag_s)
        # It comes down slowly, so that a clock that runs fast is ahead of it before long.
        self._settled_s = max(self._promptest_s, self._settled_s - SETTLES * passed_s)
        leap_s = self._settled_s - lag_s
        if leap_s <= LEAP_S:
            return 0.0
        self._settled_s = lag_s
        return leap_s

    def _same_s(self, epoch: Epoch, gone_m: Gone, crept_m: float) -> float:
        place = epoch.lat_deg, epoch.lon_deg
        motion = epoch.speed_mps, epoch.course_deg
        repeated = motion == self._motion and None not in motion and motion[0] != 0.0
        self._motion, self._repeats = motion, self._repeats + 1 if repeated else 0
        if place != self._place or None in place:
            self._place, self._changed_at_s = place, self._at_s
            self._gone_m, self._crept_m = gone_m, crept_m
            return 0.0
        step_m = epoch.digit_m
        if step_m is None:
            return 0.0
        went_m = max(math.dist(gone_m, self._gone_m), crept_m - self._crept_m)
        must_have_moved = went_m > WENT_M + 2.0 * step_m
        if step_m > FINE_M and not must_have_moved and self._repeats < REPEATS:
            return 0.0
        return max(self._at_s - self._changed_at_s, 1e-3)
