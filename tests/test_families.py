"""The sizes of faults, as they are found again from seed and number."""

import math

import pytest

from fenceguard.drill.drill import drawn, random_of
from fenceguard.simulator.faults_believed import BELIEVED
from fenceguard.simulator.faults_driven import DRIVEN
from tests.bench.families import SIZES, Family, is_out
from tests.support.drills import made_up

RANGES = {
    "step": (0.15, 1.0),
    "drift_that_ends": (0.02, 0.08),
    "off_on_restart": (0.3, 2.0),
    "heading_off": (20.0, 40.0),
    "tiny_sigma": (1.0, 4.0),
    "leaning": (0.03, 0.2),
    "carried": (1.0, 1.6),
    "too_fast": (0.8, 1.4),
}


@pytest.mark.parametrize("name", RANGES)
def test_a_fault_is_as_large_as_it_was_drawn(name: str) -> None:
    least, most = RANGES[name]
    sizes = [SIZES[name][1](drawn(random_of(1, number), (name,))) for number in range(300)]
    assert least - 1e-9 <= min(sizes) < least + 0.1 * (most - least)
    assert most - 0.1 * (most - least) < max(sizes) <= most + 1e-9


def test_each_fault_that_is_believed_has_a_size() -> None:
    for fault in (*BELIEVED, *DRIVEN):
        course = drawn(random_of(1, 0), (fault.name,))
        _, size = SIZES.get(fault.name, ("s", lambda one: max(at_s for at_s, _ in one.changes)))
        assert 0.0 < size(course) < math.inf, fault.name


@pytest.mark.parametrize(
    ("name", "may_m"), [("granted_out_m", 0.02), ("blade_out_m", 0.05), ("drive_out_m", 0.10)]
)
def test_what_is_out_on_both_sides_of_each_line(name: str, may_m: float) -> None:
    assert not is_out(made_up(**{name: may_m}))
    assert is_out(made_up(**{name: may_m + 0.001}))


def test_a_row_tells_what_got_out_and_the_smallest_of_it() -> None:
    results = [
        made_up(),
        made_up(granted_out_m=0.3, blade_out_m=0.3, drive_out_m=0.3),
        made_up(granted_out_m=0.4, blade_out_m=0.06),
        made_up(granted_out_m=9.0, full_before_s=0.0),
    ]
    row = Family("step", results, [0.1, 0.7, 0.5, 0.2], "m").row()
    assert row == "| step | 3 | 1 | 2 (0.40 m) | 2 (0.30 m) | 1 (0.30 m) | 0.1 to 0.7 m | 0.5 m |"
