"""Findings and times in a few words."""

import pytest

from fenceguard.text import held_text


@pytest.mark.parametrize(
    ("held_s", "told"),
    [
        ({}, ""),
        ({"hdop": 3.0, "clear_time": 61.0}, "clear time 1 min 01 s, hdop 3.0 s"),
        ({"arming": 1.0, "frozen": 0.05, "silence": 0.049}, "arming 1.0 s, frozen 0.1 s"),
        ({"frozen": 0.01, "silence": 0.02}, "silence 0.0 s, frozen 0.0 s"),
    ],
)
def test_what_held_a_mower_is_told_the_longest_first(held_s: dict[str, float], told: str) -> None:
    """What would be told as 0.0 s is left out, unless there is nothing else."""
    assert held_text(held_s) == told
