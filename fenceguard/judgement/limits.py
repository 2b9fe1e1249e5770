"""Readings against limits: one loop for all monitors."""

import math
from collections.abc import Mapping
from typing import TypeGuard

from fenceguard.judgement.monitors import MONITORS
from fenceguard.judgement.monitors.base import Monitor, Reading
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
        self._exceeded_since_s: dict[int, float] = {}

    def forget(self) -> None:
        """Forget for how long the limits have been exceeded."""
        self._exceeded_since_s.clear()

    def find(self, now_s: float, situation: Situation) -> Finding | None:
        """The most severe demand, if there is one. Unknown is worst: it demands `halted`."""
        monitor = self.monitor
        try:
            reading = monitor.read(situation)
        except Exception as error:
            reading = Reading(None, f"the monitor failed: {error!r}")
        if reading is None:
            self.forget()
            return None
        if not _known(reading.value):
            note = reading.note or "no number"
            return Finding(monitor.name, None, None, monitor.unit, Rung.HALTED, note)
        return self._compare(now_s, reading.value)

    def _compare(self, now_s: float, value: float | str) -> Finding | None:
        monitor, exceeded_since_s = self.monitor, self._exceeded_since_s
        badness = self._sign * monitor.grade(value)
        if badness <= self._mildest:
            exceeded_since_s.clear()
            return None
        demanded = None
        for index, limit in enumerate(self._limits):
            if badness <= limit:
                exceeded_since_s.pop(index, None)
                continue
            row, since_s = self.rows[index], exceeded_since_s.setdefault(index, now_s)
            if demanded is None and now_s - since_s >= row.for_s:
                demanded = Finding(monitor.name, value, row.limit, monitor.unit, row.rung)
        return demanded


def _known(value: float | str | None) -> TypeGuard[float | str]:
    return isinstance(value, str) or (value is not None and math.isfinite(value))


def limited(parameters: Mapping[str, MonitorParameters]) -> list[Limited]:
    """Every monitor that has a limit, in the order of `MONITORS`."""
    return [
        Limited(monitor, given)
        for monitor in MONITORS
        if (given := parameters.get(monitor.name)) is not None and given.rows
    ]
