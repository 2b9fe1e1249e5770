"""Mowers that come to full, drive and are told with errors, for properties of the supervisor."""

import math
from collections.abc import Sequence
from typing import Any

from hypothesis import strategies as st

from fenceguard.judgement.parameters import Parameters
from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Decision, Inputs
from fenceguard.lawn.fence import Fence
from tests.support.lawns import LAWN, collection, fence_of, polygon
from tests.support.lives import BEFORE, FIELDS, TIMES, Moment, Step

MOVES = st.sampled_from([(0.0, 0.0), (0.1, 0.0), (0.0, 0.1), (-0.3, 0.0), (0.0, -0.05), (2.0, 1.0)])
FACING_EAST: dict[str, Any] = {"heading_deg": 90.0, "speed_mps": 0.0}
STARTS = st.sampled_from(
    [
        ((15.0, 10.0), {}),
        ((29.4, 10.0), FACING_EAST),
        ((29.3, 10.0), FACING_EAST),
        ((0.6, 0.7), {}),
    ]
)
"""On open lawn, and where what is left ahead for mower or for blade limits the speed."""
TOLD = st.fixed_dictionaries(
    {},
    optional={
        **FIELDS,
        "heading_deg": st.sampled_from([0.0, 90.0, 180.0, 270.0]),
        "course_deg": st.sampled_from([0.0, 90.0, 180.0, 270.0]),
        "speed_mps": st.sampled_from([0.0, 0.3, 0.5, 0.8]),
        "lat_deg": st.none(),
        "height_m": st.sampled_from([None, 100.3, 100.5, 103.0, math.nan]),
    },
)


@st.composite
def drives(draw: st.DrawFn) -> list[Step]:
    """Mowers that come to full, move and are told with errors: stretches of epochs alike."""
    (east_m, north_m), standing = draw(STARTS)
    life = up_at((east_m, north_m), **standing)
    for _ in range(draw(st.integers(1, 4))):
        fields, (east_by_m, north_by_m) = draw(TOLD), draw(MOVES)
        after_s, silent = draw(TIMES), draw(st.sampled_from([False, False, False, True]))
        for _ in range(draw(st.integers(1, 10))):
            east_m, north_m = east_m + east_by_m, north_m + north_by_m
            utc_after_s = None if silent else after_s
            life.append(Step(after_s, utc_after_s, (east_m, north_m), fields, False))
    return life


def up_at(place: tuple[float, float], **fields: Any) -> list[Step]:
    """Steps that bring a mower to full at a place."""
    return [step._replace(place=place, fields=fields) for step in BEFORE]


def uneven() -> Fence:
    """The lawn with heights and stations, so that every monitor has something to say."""
    lawn = polygon(LAWN, "keep_in", "lawn")
    lawn["properties"]["stations"] = ["0001", "0002"]
    for position in lawn["geometry"]["coordinates"][0]:
        position.append(100.0)
    return fence_of(collection(lawn))


UNEVEN = uneven()


def judged(moments: Sequence[Moment], parameters: Parameters) -> list[Decision]:
    """What a supervisor on the uneven lawn decides."""
    supervisor = Supervisor(parameters, UNEVEN)
    return [supervisor.step(one.now_s, one.epoch, Inputs(one.reset)) for one in moments]
