"""Readings against limits: the limit itself, both sides of it, and what is unknown."""

import math
from typing import Any

import pytest

from fenceguard.judgement.limits import Limited, limited
from fenceguard.judgement.monitors import MONITORS
from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.parameters import MonitorParameters, Row
from fenceguard.judgement.types import Rung, Situation
from fenceguard.mower.stopping import Stopping
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings.models import Limits
from tests.support.made import bound, limited_one

EPSILON = 1e-9


def situation(**epoch: Any) -> Situation:
    good = {"quality": 4, "satellites": 20, "hdop": 0.7, "age_s": 1.0}
    return Situation(
        epoch=Epoch(1e9, 50.0, 10.0, **{**good, **epoch}),
        clearance_m=5.0,
        nearest="lawn",
        bound=bound(0.1),
        silence_s=0.1,
        utc_lag_s=0.0,
        ahead_m=5.0,
        speed_mps=0.5,
        stopping=Stopping(0.3, 1.0, 1.0),
    )


def at(room_m: float) -> Situation:
    return situation()._replace(clearance_m=room_m, bound=bound(0.0))


def demanded(monitor: str, given: Situation, **limits: Any) -> Rung | None:
    """What a monitor demands after so long that no limit waits any more."""
    one = limited_one(monitor, **limits)
    one.find(0.0, given)
    finding = one.find(60.0, given)
    return None if finding is None else finding.rung


@pytest.mark.parametrize(
    ("monitor", "rung", "limit", "make"),
    [
        ("silence", "slowed", 0.5, lambda v: situation()._replace(silence_s=v)),
        ("silence", "blade_off", 1.0, lambda v: situation()._replace(silence_s=v)),
        ("silence", "halted", 1.5, lambda v: situation()._replace(silence_s=v)),
        ("frozen", "blade_off", 0.5, lambda v: situation()._replace(utc_lag_s=v)),
        ("frozen", "halted", 1.0, lambda v: situation()._replace(utc_lag_s=v)),
        ("correction_age", "slowed", 10.0, lambda v: situation(age_s=v)),
        ("correction_age", "blade_off", 20.0, lambda v: situation(age_s=v)),
        ("correction_age", "halted", 60.0, lambda v: situation(age_s=v)),
        ("hdop", "slowed", 2.0, lambda v: situation(hdop=v)),
        ("hdop", "blade_off", 4.0, lambda v: situation(hdop=v)),
        ("hdop", "halted", 8.0, lambda v: situation(hdop=v)),
        ("bound", "slowed", 0.15, lambda v: situation()._replace(bound=bound(v))),
        ("bound", "blade_off", 0.3, lambda v: situation()._replace(bound=bound(v))),
        ("bound", "halted", 2.5, lambda v: situation()._replace(bound=bound(v))),
    ],
)
def test_above_the_limit_demands_the_rung_and_the_limit_itself_does_not(
    monitor: str, rung: str, limit: float, make: Any
) -> None:
    wanted = Rung[rung.upper()]
    above = demanded(monitor, make(limit + EPSILON))
    at, below = demanded(monitor, make(limit)), demanded(monitor, make(limit - EPSILON))
    assert above is wanted
    assert (at or Rung.FULL) < wanted
    assert below == at


@pytest.mark.parametrize(
    ("monitor", "rung", "limit", "make"),
    [
        ("satellites", "slowed", 8, lambda v: situation(satellites=v)),
        ("satellites", "blade_off", 6, lambda v: situation(satellites=v)),
        ("satellites", "halted", 5, lambda v: situation(satellites=v)),
        ("room", "slowed", -0.01, lambda v: situation()._replace(clearance_m=v, bound=bound(0.0))),
        (
            "room",
            "blade_off",
            -0.03,
            lambda v: situation()._replace(clearance_m=v, bound=bound(0.0)),
        ),
        ("room", "halted", -0.06, lambda v: situation()._replace(clearance_m=v, bound=bound(0.0))),
    ],
)
def test_below_the_limit_demands_the_rung_and_the_limit_itself_does_not(
    monitor: str, rung: str, limit: float, make: Any
) -> None:
    wanted = Rung[rung.upper()]
    assert demanded(monitor, make(limit - (1 if monitor == "satellites" else EPSILON))) is wanted
    assert (demanded(monitor, make(limit)) or Rung.FULL) < wanted


def test_a_room_that_only_slows_must_be_short_for_a_while() -> None:
    """On both sides of the time, and begun anew once there was enough in between."""
    one = limited_one("room")
    short = situation()._replace(clearance_m=0.0, bound=bound(0.02))
    for begin_s in (0.0, 100.0):
        assert one.find(begin_s, short) is None
        assert one.find(begin_s + 0.499, short) is None
        finding = one.find(begin_s + 0.5, short)
        assert finding is not None
        assert finding.rung is Rung.SLOWED
        assert one.find(begin_s + 0.6, short._replace(clearance_m=0.01)) is None


def test_room_is_clearance_less_bound() -> None:
    given = situation()._replace(clearance_m=0.4, bound=bound(0.411))
    assert demanded("room", given) is Rung.SLOWED
    assert demanded("room", given._replace(bound=bound(0.409))) is None


@pytest.mark.parametrize(
    ("quality", "rung"),
    [
        (0, Rung.HALTED),
        (1, Rung.HALTED),
        (2, Rung.HALTED),
        (3, Rung.HALTED),
        (4, None),
        (5, Rung.BLADE_OFF),
        (6, Rung.HALTED),
        (7, Rung.HALTED),
        (8, Rung.HALTED),
        (9, Rung.HALTED),
        (None, Rung.HALTED),
    ],
)
def test_every_quality_code(quality: int | None, rung: Rung | None) -> None:
    """GGA quality codes: NMEA 0183."""
    assert demanded("solution", situation(quality=quality)) is rung


def test_poorer_solutions_can_be_allowed_but_no_solution_never_passes() -> None:
    limits = {"blade_off": "float", "halted": "single"}
    for quality, rung in [(5, None), (2, Rung.BLADE_OFF), (1, Rung.BLADE_OFF), (0, Rung.HALTED)]:
        assert demanded("solution", situation(quality=quality), **limits) is rung


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(
    ("monitor", "make"),
    [
        ("silence", lambda v: situation()._replace(silence_s=v)),
        ("frozen", lambda v: situation()._replace(utc_lag_s=v)),
        ("correction_age", lambda v: situation(age_s=v)),
        ("satellites", lambda v: situation(satellites=v)),
        ("hdop", lambda v: situation(hdop=v)),
        ("bound", lambda v: situation()._replace(bound=bound(v))),
        ("room", lambda v: situation()._replace(clearance_m=v)),
        ("room", lambda v: situation()._replace(bound=bound(v))),
    ],
)
def test_unknown_is_worst(monitor: str, make: Any, value: float | None) -> None:
    finding = limited_one(monitor).find(0.0, make(value))
    assert finding is not None
    assert (finding.rung, finding.value, finding.limit) == (Rung.HALTED, None, None)
    assert finding.note


ADVISORY = {"late", "station", "refix", "jump", "drift", "height", "course"}
"""Monitors that only take confidence away where they have something to compare."""


def test_no_epoch_is_unknown_to_every_monitor_that_confidence_comes_from() -> None:
    for one in limited(Limits.model_validate({}).parameters()):
        finding = one.find(0.0, Situation())
        if one.monitor.name in ADVISORY:
            assert finding is None
        else:
            assert finding is not None
            assert finding.rung is Rung.HALTED
            assert finding.unit == one.monitor.unit
            assert finding.note
            assert "failed" not in finding.note


@pytest.mark.parametrize(("quality", "name"), [(2, "differential"), (4, "fixed"), (5, "float")])
def test_a_corrected_solution_without_an_age_halts(quality: int, name: str) -> None:
    ages = limited_one("correction_age")
    finding = ages.find(0.0, situation(quality=quality, age_s=None))
    assert finding is not None
    assert finding.rung is Rung.HALTED
    assert name in finding.note


@pytest.mark.parametrize("quality", [0, 1, 3, 6, 7, 8, 9])
def test_an_uncorrected_solution_has_no_correction_age(quality: int) -> None:
    assert demanded("correction_age", situation(quality=quality, age_s=None)) is None


def test_the_most_severe_limit_wins_whatever_the_order() -> None:
    assert demanded("hdop", situation(hdop=5.0), slowed=4, blade_off=3, halted=2) is Rung.HALTED


def test_a_limit_that_is_never_is_none() -> None:
    assert demanded("hdop", situation(hdop=50.0), halted="never") is Rung.BLADE_OFF
    without = Limits.model_validate(
        {"hdop": {"slowed": "never", "blade_off": "never", "halted": "never"}}
    )
    assert "hdop" not in [one.monitor.name for one in limited(without.parameters())]


def test_locked_can_be_demanded() -> None:
    assert demanded("room", situation()._replace(clearance_m=-2.0), locked=-1.0) is Rung.LOCKED


def test_a_limit_with_a_time_must_be_exceeded_for_that_long_without_a_break() -> None:
    one = limited_one("hdop", slowed={"limit": 2.0, "for_s": 3.0})
    poor, good = situation(hdop=2.5), situation(hdop=1.0)

    def rung(now_s: float, given: Situation) -> Rung | None:
        finding = one.find(now_s, given)
        return None if finding is None else finding.rung

    assert rung(0.0, poor) is None
    assert rung(2.999, poor) is None
    assert rung(3.0, poor) is Rung.SLOWED
    assert rung(3.1, good) is None
    assert rung(4.0, poor) is None
    assert rung(6.999, poor) is None
    assert rung(7.0, poor) is Rung.SLOWED
    one.forget()
    assert rung(7.1, poor) is None


def test_of_two_limits_with_a_time_each_has_its_own() -> None:
    timed = {"slowed": {"limit": 2.0, "for_s": 3.0}, "blade_off": {"limit": 4.0, "for_s": 3.0}}
    one = limited_one("hdop", **timed)

    def rung(now_s: float, hdop: float) -> Rung | None:
        finding = one.find(now_s, situation(hdop=hdop))
        return None if finding is None else finding.rung

    assert rung(0.0, 3.0) is None
    assert rung(2.0, 5.0) is None
    assert rung(3.0, 5.0) is Rung.SLOWED
    assert rung(4.0, 3.0) is Rung.SLOWED
    assert rung(4.5, 5.0) is Rung.SLOWED
    assert rung(7.4, 5.0) is Rung.SLOWED
    assert rung(7.5, 5.0) is Rung.BLADE_OFF


def test_the_time_does_not_run_while_the_hazard_cannot_occur() -> None:
    one = limited_one("correction_age", slowed={"limit": 10.0, "for_s": 3.0})
    old = situation(age_s=15.0)
    assert one.find(0.0, old) is None
    assert one.find(2.0, situation(quality=1, age_s=None)) is None
    assert one.find(3.0, old) is None
    finding = one.find(6.0, old)
    assert finding is not None and finding.rung is Rung.SLOWED


def test_a_monitor_that_raises_is_a_finding() -> None:
    def read(_: Situation) -> Reading:
        raise ZeroDivisionError("by nothing")

    broken = Limited(
        Monitor("broken", "m", "above", read), MonitorParameters((Row(Rung.SLOWED, 1.0),))
    )
    finding = broken.find(0.0, situation())
    assert finding is not None
    assert finding.rung is Rung.HALTED
    assert "by nothing" in finding.note


def test_a_good_situation_has_no_findings() -> None:
    found = [one.find(0.0, situation()) for one in limited(Limits.model_validate({}).parameters())]
    assert found == [None] * len(MONITORS)
