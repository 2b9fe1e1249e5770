"""Room: what is left to the fence when the error is at its worst."""

from fenceguard.judgement.monitors.base import LEFT_M, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return situation.room_m


ROOM = Monitor(
    name="room",
    watches="the distance to the nearest fence line less the bound",
    unit="m",
    worse="below",
    takes=LEFT_M,
    defaults=(
        Default(
            Rung.SLOWED,
            -0.01,
            "a centimetre used up, not by an epoch's noise",
            for_s=0.5,
        ),
        Default(Rung.BLADE_OFF, -0.03, "three centimetres, at once"),
        Default(Rung.HALTED, -0.06, "mostly outside, if the bound is taken at its word"),
    ),
    sentence=(
        "{value} m of room were left to the fence with the error at its worst; {limit} m are needed"
    ),
    read=_read,
    why_unknown=says("no position or no bound"),
    by_clearance=True,
    of_room=True,
    indispensable=True,
)
