"""Penned: whether the mower stands where it is told no speed.

One that goes by the told speed would stand there for good. Halted for want of room, it has a way
out.
"""

from fenceguard.judgement.monitors.base import TIME_S, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.penned_s)


PENNED = Monitor(
    name="penned",
    watches="for how long the mower has stood where it is told no speed",
    unit="s",
    worse="above",
    takes=TIME_S,
    defaults=(Default(Rung.HALTED, 3.0, "then it may creep away, its blade off"),),
    sentence=(
        "the mower had stood for {value} s where it was told no speed; after {limit} s it is "
        "halted, so that it may creep away"
    ),
    read=_read,
    of_room=True,
    timed=True,
)
