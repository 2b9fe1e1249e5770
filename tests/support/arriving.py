"""What arrives at a guard, made up: bytes cut anywhere, late by anything, and a button."""

from typing import NamedTuple

from hypothesis import strategies as st

from fenceguard.judgement.types import Inputs
from tests.support.made import with_a_float

SPEEDS = st.sampled_from([None, 0.0, 0.5, -0.25])
INPUTS = st.builds(Inputs, reset=st.booleans(), wheel_mps=SPEEDS, yaw_rate_dps=SPEEDS)
"""What people press, and what a controller tells of its motion."""


class Arrived(NamedTuple):
    """Bytes, or inputs where they are given."""

    at_s: float
    data: bytes = b""
    inputs: Inputs | None = None


@st.composite
def arrivals(draw: st.DrawFn) -> list[Arrived]:
    """A recording with a float in it, cut anywhere, late by up to a second, and what is held.

    Times are in whole ms, several things may come at one time, and many at that of a tick.
    """
    data = with_a_float(9.0)
    cuts = draw(st.lists(st.integers(0, len(data)), min_size=20, max_size=120))
    late_s = draw(st.sampled_from([0.0, 0.04, 0.1, 0.3]))
    found: list[Arrived] = []
    begin = 0
    for end in [*sorted(cuts), len(data)]:
        share = end / len(data)
        at_s = round(9.0 * share + draw(st.sampled_from([0.0, 0.5, 1.0])) * late_s, 3)
        if draw(st.booleans()):
            at_s = round(at_s, 1)
        found.append(Arrived(max(at_s, found[-1].at_s if found else 0.0), data[begin:end]))
        if draw(st.integers(0, 9)) == 0:
            found.append(Arrived(found[-1].at_s, inputs=draw(INPUTS)))
        begin = end
    return found
