"""Fragments to epochs: those with the same UTC make one.

An epoch needs a GGA and is handed on as soon as it is complete, which the stream itself teaches:

- The kind of sentence that came last when a group was closed is taken to end the groups to come;
  with its arrival they are handed on at once. A last kind that stays away is waited for `PATIENCE`
  groups long, as it may only have been garbled.
- A straggler is of the same UTC but comes after the hand-on. If it does so in two groups on end it
  is the true last kind. Else it comes with some groups only, as a heading once a second beside five
  positions, and what it tells counts for the next group where that tells nothing of it: a moment
  late, but not lost.
- A sentence of another UTC closes the group at once; so does `epoch_wait_s` after its GGA.
- A second GGA of the same UTC, or a kind that the epoch handed on already had, begins a group of
  its own: a receiver that repeats itself must be seen to.
- VTG, HDT, THS and the receiver's own accuracy sentence tell no UTC. They belong to the group that
  is open, or to the one just handed on if it lacks them, else to the next. Where they lead their
  group rather than trail it shows in the arrival times: the longest silence lies before what leads.

The date comes from RMC or ZDA and is kept; between two sentences the day is chosen so that the
time goes by less than 12 hours, ahead or back.
"""

import math
from collections import deque
from typing import Any

from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.sentences import ACCURACY, TIMELESS, Fragment

PATIENCE = 3
STRAGGLES_S = 0.3
"""What a straggler tells is not older than this where it counts."""
DAY_S = 86400.0
_LONGEST_RUN = 16


class _Group:
    """The fragments of one UTC."""

    def __init__(self, time_of_day_s: float) -> None:
        self.time_of_day_s = time_of_day_s
        self.kinds: list[str] = []
        self.values: dict[str, Any] = {}
        self.accuracy: dict[str, float] = {}
        """What the receiver's own accuracy sentence tells."""
        self.straggled: dict[str, Any] = {}
        """What a straggler of the group before tells: it counts where this one tells nothing."""
        self.gga_at_s: float | None = None

    def take_straggler(self, fragment: Fragment) -> None:
        """A sentence of the group before, which came too late for it."""
        if fragment.kind == ACCURACY:
            self.accuracy = fragment.values
        else:
            self.straggled = fragment.values

    def add(self, fragment: Fragment, at_s: float) -> None:
        """One more sentence of this UTC."""
        if fragment.kind == "GGA":
            self.gga_at_s = at_s
        self.kinds.append(fragment.kind)
        if fragment.kind == "VTG":
            self.values = {**fragment.values, **self.values}
        elif fragment.kind == ACCURACY:
            self.accuracy = fragment.values
        else:
            self.values.update(fragment.values)


class Assembler:
    """Puts epochs together. Times of arrival are seconds on any clock that does not go back."""

    def __init__(self, epoch_wait_s: float) -> None:
        self._wait_s = epoch_wait_s
        self._open: _Group | None = None
        self._handed_on: _Group | None = None
        self._early: dict[str, tuple[Fragment, float]] = {}
        self._last_kind: str | None = None
        self._missed = 0
        self._straggler: tuple[Fragment, float] | None = None
        self._straggled_before: str | None = None
        self._leading: set[str] = set()
        self._run: deque[tuple[str, float]] = deque(maxlen=_LONGEST_RUN)
        self._heard_at_s: float | None = None
        self._day = 0
        self._time_of_day_s: float | None = None

    @property
    def due_s(self) -> float | None:
        """When `poll` is to be called at the latest; None while nothing is waited for."""
        if self._open is None or self._open.gga_at_s is None:
            return None
        return self._open.gga_at_s + self._wait_s

    def feed(self, fragment: Fragment, at_s: float) -> list[Epoch]:
        """Epochs that are complete with a fragment that arrived at `at_s`."""
        done = self.poll(at_s)
        if fragment.kind in TIMELESS:
            self._run.append((fragment.kind, self._since_heard_s(at_s)))
            done += self._feed_timeless(fragment, at_s)
        elif fragment.time_of_day_s is not None:
            done += self._feed_timed(fragment, fragment.time_of_day_s, at_s)
            self._run.clear()
        self._heard_at_s = at_s
        return done

    def poll(self, now_s: float) -> list[Epoch]:
        """The epoch that has waited long enough for its last sentence, if there is one."""
        due_s = self.due_s
        return [] if due_s is None or now_s < due_s else self._close()

    def finish(self) -> list[Epoch]:
        """The input has ended: the epoch that was still waiting. What comes next begins anew."""
        done = self._close()
        self._handed_on = self._heard_at_s = None
        self._early.clear()
        self._run.clear()
        return done

    def _feed_timed(self, fragment: Fragment, time_of_day_s: float, at_s: float) -> list[Epoch]:
        kind, done = fragment.kind, []
        group, before = self._open, self._handed_on
        if group is not None and (
            group.time_of_day_s != time_of_day_s or (kind == "GGA" and "GGA" in group.kinds)
        ):
            done = self._close()
            group = None
        self._keep_date(fragment, time_of_day_s)
        if group is None:
            if (
                not done
                and before is not None
                and before.time_of_day_s == time_of_day_s
                and kind not in before.kinds
            ):
                self._learn_straggler(before, fragment, at_s)
                return done
            group = self._begin(time_of_day_s, at_s)
        return done + self._join(group, fragment, at_s)

    def _feed_timeless(self, fragment: Fragment, at_s: float) -> list[Epoch]:
        kind, done = fragment.kind, []
        group, before = self._open, self._handed_on
        if group is not None:
            leads = kind in self._leading and group.gga_at_s is not None
            if kind not in group.kinds and not leads:
                return self._join(group, fragment, at_s)
            done = self._close()
        elif (
            before is not None
            and before.gga_at_s is not None
            and kind not in before.kinds
            and kind not in self._leading
            and at_s - before.gga_at_s <= self._wait_s
        ):
            self._learn_straggler(before, fragment, at_s)
            return done
        self._early[kind] = fragment, at_s
        return done

    def _begin(self, time_of_day_s: float, at_s: float) -> _Group:
        self._learn_leading(at_s)
        group = self._open = _Group(time_of_day_s)
        self._handed_on = self._straggled_before = None
        if self._straggler is not None:
            straggler, straggled_at_s = self._straggler
            self._straggler, self._straggled_before = None, straggler.kind
            if at_s - straggled_at_s <= STRAGGLES_S:
                group.take_straggler(straggler)
        for early, early_at_s in self._early.values():
            if at_s - early_at_s <= self._wait_s:
                group.add(early, early_at_s)
        self._early.clear()
        return group

    def _join(self, group: _Group, fragment: Fragment, at_s: float) -> list[Epoch]:
        group.add(fragment, at_s)
        if group.gga_at_s is None or fragment.kind != self._last_kind:
            return []
        return self._close()

    def _close(self) -> list[Epoch]:
        group, self._open = self._open, None
        if group is None or group.gga_at_s is None:
            return []
        self._learn_last(group.kinds[-1])
        self._handed_on = group
        utc_s = round(self._day * DAY_S + group.time_of_day_s, 3)
        return [Epoch(utc_s, **_at_worst({**group.straggled, **group.values}, group.accuracy))]

    def _keep_date(self, fragment: Fragment, time_of_day_s: float) -> None:
        if fragment.day is not None:
            self._day = fragment.day
        elif self._time_of_day_s is not None:
            step_s = time_of_day_s - self._time_of_day_s
            self._day += (step_s < -DAY_S / 2) - (step_s > DAY_S / 2)
        self._time_of_day_s = time_of_day_s

    def _learn_last(self, kind: str) -> None:
        if kind == self._last_kind:
            self._missed = 0
            return
        self._missed += 1
        if self._last_kind is None or self._missed >= PATIENCE:
            self._last_kind, self._missed = kind, 0

    def _learn_straggler(self, group: _Group, fragment: Fragment, at_s: float) -> None:
        kind = fragment.kind
        group.kinds.append(kind)
        if kind == self._straggled_before:
            self._last_kind, self._missed = kind, 0
        self._straggler = fragment, at_s

    def _learn_leading(self, at_s: float) -> None:
        """Of the run of sentences without UTC just before a group: which of them lead it."""
        if not self._run:
            return
        silences_s = [*(silence_s for _, silence_s in self._run), self._since_heard_s(at_s)]
        longest_s = max(silences_s)
        if longest_s == min(silences_s):
            return
        for number, (kind, _) in enumerate(self._run):
            if number < silences_s.index(longest_s):
                self._leading.discard(kind)
                self._early.pop(kind, None)
            else:
                self._leading.add(kind)
                if kind == self._last_kind:
                    self._last_kind = None

    def _since_heard_s(self, at_s: float) -> float:
        return 0.0 if self._heard_at_s is None else at_s - self._heard_at_s


def _at_worst(values: dict[str, Any], accuracy: dict[str, float]) -> dict[str, Any]:
    """The values of an epoch, each σ no less than by the receiver's own accuracy sentence."""
    if not accuracy:
        return values
    worst = dict(values)
    for name, sigma_m in accuracy.items():
        worst[name] = max(values.get(name) or 0.0, sigma_m)
    if values.get("sigma_major_m"):
        # That sentence tells nothing of the ellipse: this is the longest axis it allows.
        worst["sigma_major_m"] = max(values["sigma_major_m"], math.hypot(*accuracy.values()))
    return worst
