"""What the receiver tells: learned, or declared, and expected from then on.

A field is learned once it has been told a few times, with the usual time between two tellings.
It stays away when that time has passed without it, for as long as it could have been told: a course
while the mower moves, the accuracy of a fix while there is one.
"""

import math
from collections.abc import Callable, Sequence
from statistics import median
from typing import NamedTuple

from fenceguard.judgement.reckoning import RESTING_MPS
from fenceguard.judgement.types import Learned
from fenceguard.receiver.epoch import FIXED, Epoch

LEARNED = 10
"""Tellings after which a field is expected."""
RATE_EPOCHS = 10
"""Epochs after which their rate is known."""


class Field(NamedTuple):
    """Something that a receiver may tell."""

    name: str
    value: Callable[[Epoch], float | None]
    could_be: Callable[[Epoch], bool]
    """Whether it could be told with this epoch."""


def _always(_epoch: Epoch) -> bool:
    return True


def _moves(epoch: Epoch) -> bool:
    return (epoch.speed_mps or 0.0) > RESTING_MPS


def _fixed(epoch: Epoch) -> bool:
    return epoch.quality == FIXED


def sigma_of(epoch: Epoch) -> float | None:
    """A σ that the receiver states; 0 states nothing."""
    return epoch.sigma_major_m or epoch.sigma_lat_m or None


FIELDS = (
    Field("speed", lambda epoch: epoch.speed_mps, _always),
    Field("course", lambda epoch: epoch.course_deg, _moves),
    Field("heading", lambda epoch: epoch.heading_deg, _fixed),
    Field("sigma", sigma_of, _fixed),
    Field("altitude", lambda epoch: epoch.altitude_m, _fixed),
    Field("height", lambda epoch: epoch.height_m, _fixed),
)
NAMES = tuple(field.name for field in FIELDS)


class Missing(NamedTuple):
    """The field that has stayed away longest."""

    name: str
    for_s: float
    """Beyond the time from one telling to the next."""


class Tells:
    """Learns what one receiver tells. Times are the receiver's own."""

    def __init__(self, declared: Sequence[str]) -> None:
        self._declared = tuple(declared)
        self.forget()

    def forget(self) -> None:
        """Know what was declared."""
        self.learned = Learned(None, tuple(self._declared), None)
        self._shortest_s = math.inf
        self._epochs = 0
        self._at_s: float | None = None
        self._times = {name: LEARNED if name in self._declared else 0 for name in NAMES}
        self._between_s: dict[str, list[float]] = {name: [] for name in NAMES}
        self._every_s = dict.fromkeys(NAMES, 0.0)
        self._told_at_s: dict[str, float] = {}
        self._away_s = dict.fromkeys(NAMES, 0.0)

    def hear(self, at_s: float, epoch: Epoch) -> Missing | None:
        """An epoch; what has stayed away for longer than it used to."""
        passed_s = 0.0 if self._at_s is None else at_s - self._at_s
        self._at_s = at_s
        self._epochs += 1
        if 0.0 < passed_s < self._shortest_s:
            self._shortest_s = passed_s
        period_s = round(self._shortest_s, 3) if self._epochs > RATE_EPOCHS else None
        digit_m = self.learned.digit_m if epoch.digit_m is None else epoch.digit_m
        if (period_s, digit_m) != (self.learned.period_s, self.learned.digit_m):
            self.learned = self.learned._replace(period_s=period_s, digit_m=digit_m)
        missing: Missing | None = None
        for field in FIELDS:
            name = field.name
            if field.value(epoch) is not None:
                if self._times[name] < LEARNED:
                    self._learn(name, at_s)
                self._away_s[name] = 0.0
            elif self._times[name] >= LEARNED and field.could_be(epoch):
                self._away_s[name] += passed_s
                away_s = self._away_s[name] - self._every_s[name]
                if away_s > 0.0 and (missing is None or away_s > missing.for_s):
                    missing = Missing(name, away_s)
        return missing

    def _learn(self, name: str, at_s: float) -> None:
        told_at_s = self._told_at_s.get(name)
        if told_at_s is not None:
            self._between_s[name].append(at_s - told_at_s)
            self._every_s[name] = median(self._between_s[name])
        self._told_at_s[name] = at_s
        self._times[name] += 1
        if self._times[name] == LEARNED:
            fields = tuple(one for one in NAMES if self._times[one] >= LEARNED)
            self.learned = self.learned._replace(fields=fields)
