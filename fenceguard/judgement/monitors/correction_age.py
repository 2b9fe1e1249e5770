"""Age of the corrections: a fixed solution outlives them, its accuracy does not."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation
from fenceguard.receiver.epoch import quality_name

CORRECTED = (2, 4, 5)
"""Quality codes of solutions that live on corrections."""


def _read(situation: Situation) -> Reading | None:
    epoch = situation.epoch
    if epoch is None:
        return Reading(None, "no epoch yet")
    if epoch.quality not in CORRECTED:
        return None
    return Reading(
        epoch.age_s, f"a {quality_name(epoch.quality)} solution that tells no correction age"
    )


CORRECTION_AGE = Monitor("correction_age", "s", "above", _read)
