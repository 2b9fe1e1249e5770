"""Findings and times in a few words."""

import pytest

from fenceguard.journal.records import FindingTold, Tells
from fenceguard.judgement.tells import NAMES
from fenceguard.text import COSTS, cause_text, costs, held_text, tells_text


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


@pytest.mark.parametrize(
    ("finding", "told"),
    [
        (None, "cause not recorded"),
        (FindingTold("hdop", None, None, "", "halted", "not told"), "hdop unknown: not told"),
        (FindingTold("hdop", 2.25, 2.0, "", "slowed", ""), "hdop 2.25, limit 2"),
        (
            FindingTold("reach", 0.3, 0.1, "m", "blade_off", "step"),
            "reach 0.3, limit 0.1 m (step)",
        ),
        (
            FindingTold("trust", "doubted", "trusted", "trust", "blade_off", ""),
            "trust doubted, wanted trusted",
        ),
    ],
)
def test_a_finding_in_a_few_words(finding: FindingTold | None, told: str) -> None:
    assert cause_text(finding) == told


def test_what_a_receiver_tells_with_its_rate_and_what_it_lacks() -> None:
    lines = tells_text(Tells(0.2, ("speed", "course"), 0.002))
    assert lines[0] == "The receiver tells its position 5 times a second; with it: speed, course."
    assert lines[1:] == [f"It tells {COSTS[name]}." for name in NAMES[2:]]


def test_a_receiver_of_which_nothing_is_known_yet() -> None:
    first, *rest = tells_text(Tells(None, (), None))
    assert first == "The receiver tells its position; with it: -."
    assert len(rest) == len(NAMES)


def test_each_thing_that_a_receiver_may_tell_has_a_cost_of_its_own() -> None:
    assert set(COSTS) == set(NAMES)
    assert costs(NAMES) == []
    for name in NAMES:
        assert costs([one for one in NAMES if one != name]) == [COSTS[name]]
