"""The shortest step in the track's window."""

import math
from collections import deque
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.track import _Steps

TIMES = st.sampled_from([0.05, 0.1, 0.1, 0.1000001, 0.2, 0.25, 1.0])


@given(st.lists(TIMES, max_size=60), st.sampled_from([0.3, 1.0, 5.0]))
def test_it_is_that_of_all_pairs_in_the_window(steps_s: list[float], window_s: float) -> None:
    """Looked for anew among all points, as long as they are in the window."""
    steps, points = _Steps(), deque([0.0])
    for step_s in steps_s:
        utc_s = points[-1] + step_s
        steps.add(utc_s, utc_s - points[-1])
        points.append(utc_s)
        while utc_s - points[0] > window_s:
            points.popleft()
        steps.begin_at(points[0])
        expected = min((after - before for before, after in pairwise(points)), default=math.inf)
        assert steps.shortest_s == expected


def test_without_steps_none_is_short() -> None:
    steps = _Steps()
    assert steps.shortest_s == math.inf
    steps.add(1.0, 0.5)
    assert steps.shortest_s == 0.5
    steps.clear()
    assert steps.shortest_s == math.inf
