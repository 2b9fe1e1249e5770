"""Age of the corrections: a fixed solution outlives them, its accuracy does not."""

from fenceguard.judgement.monitors.base import ABSENT, TIME_S, Default, Monitor, Reading
from fenceguard.judgement.types import Rung, Situation
from fenceguard.receiver.epoch import quality_name

CORRECTED = (2, 4, 5)
"""Quality codes of solutions that live on corrections."""


def _read(situation: Situation) -> Reading:
    epoch = situation.epoch
    if epoch is None:
        return None
    return epoch.age_s if epoch.quality in CORRECTED else ABSENT


def _why_unknown(situation: Situation) -> str:
    if situation.epoch is None:
        return "no epoch yet"
    return f"a {quality_name(situation.epoch.quality)} solution that tells no correction age"


CORRECTION_AGE = Monitor(
    name="correction_age",
    watches="the age of the corrections",
    unit="s",
    worse="above",
    takes=TIME_S,
    defaults=(
        Default(Rung.SLOWED, 10.0, "a healthy link delivers every second or two"),
        Default(Rung.BLADE_OFF, 20.0, "still fixed, yet drifting by a centimetre or more"),
        Default(Rung.HALTED, 60.0, "past what most receivers can bridge"),
    ),
    sentence="the corrections were {value} s old; {limit} s are allowed",
    read=_read,
    why_unknown=_why_unknown,
)
