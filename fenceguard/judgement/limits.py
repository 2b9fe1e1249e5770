"""Readings against limits: one loop for all monitors."""

import math
from collections.abc import Mapping
from typing import TypeGuard

from fenceguard.judgement.monitors import MONITORS
from fenceguard.judgement.monitors.base import ABSENT, Monitor, Reading
from fenceguard.judgement.parameters import MonitorParameters
from fenceguard.judgement.types import Finding, Rung, Situation


class Limited:
    """A monitor with its limits, the most severe first."""

    def __init__(self, monitor: Monitor, parameters: MonitorParameters) -> None:
        self.monitor = monitor
        self.acts = parameters.acts
        """Whether its findings are demands; otherwise they are only written down."""
        self.rows = tuple(sorted(parameters.rows, reverse=True))
        self.timed = monitor.timed or any(row.for_s > 0.0 for row in self.rows)
        """Whether the finding may change without a new epoch."""
        self._sign = 1.0 if monitor.worse == "above" else -1.0
        self._limits = [self._sign * monitor.grade(row.limit) for row in self.rows]
        """So that what is greater is worse, whichever side the danger lies on."""
        self._mildest = min(self._limits)
        self._read = monitor.read
        self._grade = monitor.grade
        self._exceeded_since_s: dict[int, float] = {}

    def forget(self) -> None:
        """Forget for how long the limits have been exceeded."""
        self._exceeded_since_s.clear()

    def find(self, now_s: float, situation: Situation) -> Finding | None:
        """The most severe demand, if there is one. Unknown is worst: it demands `halted`."""
        try:
            reading = self._read(situation)
        except Exception as error:
            return self._unknown(f"the monitor failed: {error!r}")
        if not _known(reading):
            if reading is not ABSENT:
                return self._unknown(self.monitor.why_unknown(situation))
        elif (badness := self._sign * self._grade(reading)) > self._mildest:
            return self._past(now_s, situation, reading, badness)
        if self._exceeded_since_s:
            self.forget()
        return None

    def is_clear(self, situation: Situation) -> bool:
        """Whether no limit is exceeded; False where that is not known. Notes nothing."""
        try:
            reading = self._read(situation)
        except Exception:
            return False
        if not _known(reading):
            return reading is ABSENT
        return self._sign * self._grade(reading) <= self._mildest

    def _unknown(self, note: str) -> Finding:
        return Finding(self.monitor.name, None, None, self.monitor.unit, Rung.HALTED, note)

    def _past(
        self, now_s: float, situation: Situation, value: float | str, badness: float
    ) -> Finding | None:
        """What is demanded by a value past the mildest limit."""
        monitor, exceeded_since_s = self.monitor, self._exceeded_since_s
        demanded = None
        for index, limit in enumerate(self._limits):
            if badness <= limit:
                exceeded_since_s.pop(index, None)
                continue
            row, since_s = self.rows[index], exceeded_since_s.setdefault(index, now_s)
            if demanded is None and now_s - since_s >= row.for_s:
                note = monitor.note(situation)
                demanded = Finding(monitor.name, value, row.limit, monitor.unit, row.rung, note)
        return demanded


def _known(reading: Reading) -> TypeGuard[float | str]:
    if isinstance(reading, float | int):
        return math.isfinite(reading)
    return isinstance(reading, str)


def limited(parameters: Mapping[str, MonitorParameters]) -> list[Limited]:
    """Every monitor that has a limit, in the order of `MONITORS`."""
    return [
        Limited(monitor, given)
        for monitor in MONITORS
        if (given := parameters.get(monitor.name)) is not None and given.rows
    ]
