"""The ladder: how much is permitted, and how that changes.

Theory of operation
-------------------
The ladder stands on one of five rungs. Each step brings the most severe rung that any monitor
demands right now; no demand is a demand for `full`.

Down is immediate. A demand for a rung below the present one is obeyed in the same step, however
many rungs lie between.

Up is slow and goes one rung a step. A rung is left only after every demand for it, or for
anything below it, has stayed away for that rung's clear time, counted from when the rung was
entered or from the last such demand, whichever is later. So a mower that was halted shows first
that it may move, then that it may run its blade, and only then gets its speed back.

There are two sets of clear times. Where nothing but want of room was demanded since the ladder last
stood on `full`, the position was never in question, and the shorter ones count.

Three steps up ask for more than a clear time:

- `locked` is left when a person resets it at the machine, and in no other way.
- `halted` is left for the first time after a start or a reset only when the ladder is armed: the
  position has then been trusted for long enough, with no demand but those for want of room.
- `slowed` is left only once the blade runs, and where a mower that speeds up then would not be
  halted for want of room. Coming up from `blade_off` the blade waits for its own delay, with a
  warning, before it starts.

At start the ladder stands on `halted` or `locked`, not armed. When the clock has gone back, all
that was timed on it is forgotten, and the ladder must be armed again.
"""

import math
from typing import NamedTuple

from fenceguard.judgement.parameters import LadderParameters
from fenceguard.judgement.types import Grant, Rung


class Gives(NamedTuple):
    """A row of the table of rungs: what the rung permits."""

    drive: bool
    blade: bool
    slow: bool


RUNGS = {
    #                    drive  blade  slow
    Rung.FULL: Gives(True, True, False),
    Rung.SLOWED: Gives(True, True, True),
    Rung.BLADE_OFF: Gives(True, False, True),
    Rung.HALTED: Gives(False, False, True),
    Rung.LOCKED: Gives(False, False, True),
}


class Rise(NamedTuple):
    """A row of the table of transitions: the way up from a rung, and all that it asks for.

    No way up is taken while anything demands the present rung or one below it.
    """

    to: Rung
    why: str
    asks: tuple[str, ...]


RISES = {
    Rung.LOCKED: Rise(Rung.HALTED, "reset", ("reset",)),
    Rung.HALTED: Rise(Rung.BLADE_OFF, "clear", ("clear", "armed")),
    Rung.BLADE_OFF: Rise(Rung.SLOWED, "clear", ("clear",)),
    Rung.SLOWED: Rise(Rung.FULL, "clear", ("clear", "blade_runs", "room")),
}


class Move(NamedTuple):
    """What one step did to the ladder."""

    why: str = ""
    clear_s: float | None = None


STAYS = Move()


class Ladder:
    """The rung, and the times that it depends on."""

    def __init__(self, parameters: LadderParameters) -> None:
        self.rung = parameters.start
        self._parameters = parameters
        self._clear_s = {**parameters.clear_s, Rung.LOCKED: 0.0}
        self._clear_room_s = {**parameters.clear_room_s, Rung.LOCKED: 0.0}
        self.forget(math.nan)

    def forget(self, now_s: float) -> None:
        """Forget all that was timed, and that the ladder was armed; the rung stays."""
        self.armed = False
        self._only_room = False
        """Whether nothing but want of room was demanded since it stood on `full`."""
        self._held_since_s = [now_s] * len(Rung)
        """For each rung, by its number: when it was entered, or it or one below was demanded."""
        self._blade_from_s = now_s + self._parameters.blade_delay_s

    def step(
        self,
        now_s: float,
        demand: Rung,
        reset: bool,
        may_arm: bool,
        of_room: bool = False,
        has_room: bool = True,
    ) -> Move:
        """One step with the most severe demand; `may_arm` as the theory of operation says.

        `of_room`: nothing but want of room is demanded; `has_room`: nor would it be at `full`.
        """
        self.armed = self.armed or (may_arm and self.rung is Rung.HALTED)
        if demand > Rung.FULL and not of_room:
            self._only_room = False
        for rung in range(Rung.SLOWED, demand + 1):
            self._held_since_s[rung] = now_s
        if demand > self.rung:
            self._enter(demand, now_s)
            return Move("demand")
        if demand == self.rung:
            return STAYS
        rise = RISES[self.rung]
        clear_s = now_s - self._held_since_s[self.rung]
        needed_s = self._clear_room_s if self._only_room else self._clear_s
        answers = {
            "clear": clear_s >= needed_s[self.rung],
            "armed": self.armed,
            "blade_runs": now_s >= self._blade_from_s,
            "room": has_room,
            "reset": reset,
        }
        if not all(answers[question] for question in rise.asks):
            return STAYS
        if self.rung is Rung.BLADE_OFF:
            self._blade_from_s = now_s + self._parameters.blade_delay_s
        self._enter(rise.to, now_s)
        return Move(rise.why, clear_s)

    def _enter(self, rung: Rung, now_s: float) -> None:
        self.rung = rung
        self._held_since_s[rung] = now_s
        if rung is Rung.LOCKED:
            self.armed = self._only_room = False
        elif rung is Rung.FULL:
            self._only_room = True

    def grant(self, now_s: float, permitted_mps: float = math.inf) -> Grant:
        """What the rung gives at this moment, and no more speed than the way ahead permits."""
        gives = RUNGS[self.rung]
        blade = gives.blade and now_s >= self._blade_from_s
        parameters = self._parameters
        top_speed_mps = parameters.slowed_mps if gives.slow else parameters.full_mps
        return Grant(
            drive=gives.drive,
            blade=blade,
            slow=gives.slow,
            warning=gives.blade and not blade,
            top_speed_mps=min(top_speed_mps, permitted_mps) if gives.drive else 0.0,
            valid_until_s=now_s + parameters.grant_valid_s,
        )
