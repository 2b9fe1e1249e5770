"""What noise is usual: how much positions differ from reckoning where nothing is wrong."""

import math
from bisect import bisect

SPANS_S = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Ages apart by twos: from each of them to the next the noise is learned on its own."""
NOISE_M, WALK_M = 0.02, 0.02
"""Usual differences between position and reckoning: of positions, and of speeds after a second."""
CALMER_S, WORSE_S = 60.0, 600.0
"""Over these times it is learned that less is usual, or more: a drift must not become usual."""
TIMES = 3.0
"""So many times what is usual occurs once in 8,000: exp(-9), by the Rayleigh distribution."""
MOST_TIMES = 1.5
"""So many times worse than these a receiver may be."""


class Usual:
    """What differences between position and reckoning are usual, by the age of the earlier one.

    Positions have noise, and speeds have noise that adds up with time. How much is learned, as
    receivers differ tenfold in it.
    """

    def __init__(self) -> None:
        self._squares_m2 = [NOISE_M**2 + WALK_M**2 * 1.5 * span_s for span_s in (0.0, *SPANS_S)]
        self._most_m2 = [MOST_TIMES**2 * square_m2 for square_m2 in self._squares_m2]

    def learn(self, age_s: float, off_m: float, passed_s: float) -> None:
        """A difference to a sight of an age; `passed_s` since the last one was learned."""
        level = bisect(SPANS_S, age_s)
        square_m2 = self._squares_m2[level]
        more_m2 = off_m**2 - square_m2
        square_m2 += min(1.0, passed_s / (WORSE_S if more_m2 > 0.0 else CALMER_S)) * more_m2
        self._squares_m2[level] = min(square_m2, self._most_m2[level])

    def noise_m(self, age_s: float) -> float:
        """The greatest difference that is still usual; at no age less than at a younger one."""
        longer = max(1.0, age_s / (2.0 * SPANS_S[-1]))
        square_m2 = max(self._squares_m2[: bisect(SPANS_S, age_s) + 1])
        return TIMES * math.sqrt(square_m2 * longer)
