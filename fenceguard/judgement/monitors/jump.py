"""Jump: a step that the mower cannot have driven."""

from fenceguard.judgement.monitors.base import LENGTH_M, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.evidence.jump_m)


JUMP = Monitor(
    name="jump",
    watches="a step that the mower cannot have driven",
    unit="m",
    worse="above",
    takes=LENGTH_M,
    defaults=(
        Default(Rung.BLADE_OFF, 0.0, "top speed and both bounds were already allowed for"),
        Default(Rung.HALTED, 0.3, "no doubt any more"),
    ),
    sentence=(
        "the position jumped {value} m farther than the mower can drive; {limit} m are allowed"
    ),
    read=_read,
)
