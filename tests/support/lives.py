"""Made-up lives of a mower: steps with any faults, at any times, in any order."""

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

from hypothesis import strategies as st

from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Decision, Inputs
from fenceguard.receiver.epoch import Epoch
from tests.support.mowing import FENCE, START_UTC_S, epoch, settings

POSITIONS = st.one_of(
    st.tuples(st.floats(2.0, 28.0), st.floats(2.0, 18.0)),
    st.tuples(st.floats(-2.0, 32.0), st.floats(-2.0, 22.0)),
)
ODD = [None, math.nan, math.inf, -math.inf, -1.0]
FIELDS = {
    "quality": st.one_of(st.sampled_from([4, 4, 4, 5, 1, 2]), st.integers(0, 9), st.none()),
    "age_s": st.one_of(st.floats(0.0, 5.0), st.floats(0.0, 100.0), st.sampled_from(ODD)),
    "satellites": st.one_of(st.integers(8, 30), st.integers(0, 12), st.none()),
    "hdop": st.one_of(st.floats(0.4, 1.9), st.floats(0.0, 12.0), st.sampled_from(ODD)),
    "sigma_major_m": st.one_of(st.none(), st.floats(0.005, 0.03), st.floats(0.0, 3e5)),
    "heading_deg": st.sampled_from([None, math.nan, 0.0, 45.0, 359.9]),
    "course_deg": st.sampled_from([None, math.nan, 0.0, 120.0]),
    "speed_mps": st.sampled_from([None, math.nan, 0.0, 0.5]),
    "station": st.sampled_from(["0001", "0002", "0009", "", None]),
    "lat_deg": st.sampled_from([None, math.nan, math.inf, 91.0]),
    "lon_deg": st.sampled_from([None, math.nan, 181.0]),
}
TIMES = st.one_of(
    st.sampled_from([0.0, 0.05, 0.1, 0.1, 0.1, 0.2, 0.4999, 0.5, 0.5001, 1.0, 1.5001, 30.0]),
    st.floats(0.0, 0.3),
)
CLOCK_FAULTS = st.sampled_from([-0.01, -5.0, -1e5, math.nan, math.inf, 1e5])


class Step(NamedTuple):
    """One step of a made-up life: its time since the last, the epoch's fields, the button."""

    after_s: float
    utc_after_s: float | None
    """None: no epoch. Not equal to `after_s`: the receiver's clock is off."""
    place: tuple[float, float]
    fields: dict[str, Any]
    reset: bool


@st.composite
def steps(draw: st.DrawFn) -> Step:
    after_s = draw(st.one_of(TIMES, TIMES, TIMES, TIMES, CLOCK_FAULTS))
    arrives = draw(st.sampled_from([True, True, True, False]))
    utc_after_s = draw(
        st.sampled_from([after_s] * 6 + [0.0, -1.0, math.nan, 3600.0]) if arrives else st.none()
    )
    names = draw(st.lists(st.sampled_from(sorted(FIELDS)), max_size=2, unique=True))
    fields = {name: draw(FIELDS[name]) for name in names}
    reset = draw(st.sampled_from([False, False, False, True]))
    return Step(after_s, utc_after_s, draw(POSITIONS), fields, reset)


GOOD = Step(0.1, 0.1, (15.0, 10.0), {}, False)
LIVES = st.lists(st.one_of(steps(), st.just(GOOD), st.just(GOOD)), min_size=1, max_size=40)
BEFORE = [GOOD, GOOD._replace(reset=True), *[GOOD] * 45]
"""Good steps enough to come to full from any start; at the second the reset button goes down."""


class Moment(NamedTuple):
    """What a supervisor is told in one step."""

    now_s: float
    epoch: Epoch | None
    place: tuple[float, float]
    reset: bool


def told(life: Sequence[Step]) -> list[Moment]:
    now_s, utc_s = 50.0, START_UTC_S
    moments = []
    for step in life:
        now_s = (now_s if math.isfinite(now_s) else 60.0) + step.after_s
        heard = None
        if step.utc_after_s is not None:
            utc_s = (utc_s if math.isfinite(utc_s) else START_UTC_S + 1e6) + step.utc_after_s
            heard = epoch(utc_s, *step.place, **step.fields)
        moments.append(Moment(now_s, heard, step.place, step.reset))
    return moments


def run(moments: Sequence[Moment], **changes: Any) -> list[Decision]:
    supervisor = Supervisor.from_settings(settings(**changes), FENCE)
    return [supervisor.step(moment.now_s, moment.epoch, Inputs(moment.reset)) for moment in moments]
