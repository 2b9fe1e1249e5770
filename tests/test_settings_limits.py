"""Settings: the limits of the monitors, and which of them may be taken out."""

from pathlib import Path

import pytest

from fenceguard.judgement.monitors import MONITORS
from tests.support.settings_files import BASE, DEFAULT_LIMITS, added, faults, taken, values


def test_a_limit_alone_or_with_its_time(file: Path) -> None:
    text = "limits:\n  hdop:\n    slowed: 3\n    blade_off: {limit: 5, for_s: 1.5}\n"
    limits = taken(file, BASE + text).settings.limits
    slowed, blade_off = limits.at("hdop", "slowed"), limits.at("hdop", "blade_off")
    assert slowed is not None
    assert blade_off is not None
    assert (slowed.limit, slowed.for_s) == (3, 0.0)
    assert (blade_off.limit, blade_off.for_s) == (5, 1.5)


@pytest.mark.parametrize(("for_s", "good"), [(0, True), (60, True), (-0.01, False), (60.01, False)])
def test_the_time_of_a_limit(file: Path, for_s: float, good: bool) -> None:
    text = f"limits: {{hdop: {{slowed: {{limit: 2, for_s: {for_s}}}}}}}\n"
    if good:
        taken(file, BASE + text)
    else:
        assert added(file, text).startswith("settings.yaml:6: limits.hdop.slowed.for_s: is ")


def test_defaults_stay_where_a_monitor_is_given_in_part(file: Path) -> None:
    given = taken(file, BASE + "limits:\n  hdop: {blade_off: 5}\n").settings.limits
    assert values(given) == {**DEFAULT_LIMITS, "hdop": {"slowed": 2.0, "blade_off": 5, "halted": 8}}
    sigmas = taken(file, BASE + "bound: {sigma_m: {float: 0.9}}\n").settings.bound.sigma_m
    assert sigmas == {
        "fixed": 0.02,
        "float": 0.9,
        "differential": 1.0,
        "pps": 1.0,
        "single": 3.0,
    }


ALL_LIMITS = [(monitor, rung) for monitor, limits in DEFAULT_LIMITS.items() for rung in limits]
INDISPENSABLE = [("silence", "halted"), ("solution", "halted"), ("room", "halted")]


def test_supervision_rests_on_three_monitors() -> None:
    assert [one.name for one in MONITORS if one.indispensable] == [m for m, _ in INDISPENSABLE]


@pytest.mark.parametrize(("monitor", "rung"), ALL_LIMITS)
def test_never_takes_a_limit_out_unless_it_is_indispensable(
    file: Path, monitor: str, rung: str
) -> None:
    text = f"limits:\n  {monitor}:\n    {rung}: never\n"
    if (monitor, rung) in INDISPENSABLE:
        assert added(file, text) == (
            f"settings.yaml:7: limits.{monitor}: halted may not be never: "
            "without it the mower is not supervised"
        )
    else:
        limits = taken(file, BASE + text).settings.limits
        assert limits.at(monitor, rung) is None
        others = {key: value for key, value in DEFAULT_LIMITS[monitor].items() if key != rung}
        assert values(limits) == {**DEFAULT_LIMITS, monitor: others}


def test_a_monitor_may_be_set_to_watch_only_but_not_one_that_supervision_rests_on(
    file: Path,
) -> None:
    limits = taken(file, BASE + "limits: {reach: {watch_only: true}}\n").settings.limits
    assert limits.watch_only("reach")
    assert not limits.watch_only("tells")
    for name in ("silence", "solution", "room"):
        assert (
            "watch_only must be false"
            in faults(file, BASE + f"limits: {{{name}: {{watch_only: true}}}}\n")[0]
        )
