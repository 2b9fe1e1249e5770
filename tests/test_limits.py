"""Readings against limits: which of them counts, and for how long it must be exceeded."""

import math
from typing import Any

import pytest

from fenceguard.judgement.limits import Limited, limited
from fenceguard.judgement.monitors import MONITORS
from fenceguard.judgement.parameters import MonitorParameters, Row
from fenceguard.judgement.types import NO_EVIDENCE, Rung, Situation, Trust
from fenceguard.mower.stopping import Stopping
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings.models import Limits
from tests.support.made import bound, limited_one, monitor_of


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
        evidence=NO_EVIDENCE._replace(trust=Trust.TRUSTED),
        stopping=Stopping(0.3, 1.0, 1.0, 0.5, drive_cut=False),
    )


def demanded(monitor: str, given: Situation, **limits: Any) -> Rung | None:
    """What a monitor demands after so long that no limit waits any more."""
    one = limited_one(monitor, **limits)
    one.find(0.0, given)
    finding = one.find(60.0, given)
    return None if finding is None else finding.rung


def rung(one: Limited, now_s: float, hdop: float) -> Rung | None:
    finding = one.find(now_s, situation(hdop=hdop))
    return None if finding is None else finding.rung


def test_a_good_situation_has_no_findings() -> None:
    found = [one.find(0.0, situation()) for one in limited(Limits.model_validate({}).parameters())]
    assert found == [None] * len(MONITORS)


@pytest.mark.parametrize("count", range(len(MONITORS) + 1))
def test_the_monitors_that_have_a_limit_in_their_order(count: int) -> None:
    given = Limits.model_validate({}).parameters()
    names = [monitor.name for monitor in MONITORS]
    without = {name: given[name]._replace(rows=()) for name in names[count:]}
    assert [one.monitor.name for one in limited({**given, **without})] == names[:count]
    assert [one.monitor.name for one in limited({n: given[n] for n in names[count:]})] == (
        names[count:]
    )


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
    assert one.timed
    assert rung(one, 0.0, 2.5) is None
    assert rung(one, 2.999, 2.5) is None
    assert rung(one, 3.0, 2.5) is Rung.SLOWED
    assert rung(one, 3.1, 1.0) is None
    assert rung(one, 4.0, 2.5) is None
    assert rung(one, 6.999, 2.5) is None
    assert rung(one, 7.0, 2.5) is Rung.SLOWED
    one.forget()
    assert rung(one, 7.1, 2.5) is None


def test_of_two_limits_with_a_time_each_has_its_own() -> None:
    timed = {"slowed": {"limit": 2.0, "for_s": 3.0}, "blade_off": {"limit": 4.0, "for_s": 3.0}}
    one = limited_one("hdop", **timed)
    assert rung(one, 0.0, 3.0) is None
    assert rung(one, 2.0, 5.0) is None
    assert rung(one, 3.0, 5.0) is Rung.SLOWED
    assert rung(one, 4.0, 3.0) is Rung.SLOWED
    assert rung(one, 4.5, 5.0) is Rung.SLOWED
    assert rung(one, 7.4, 5.0) is Rung.SLOWED
    assert rung(one, 7.5, 5.0) is Rung.BLADE_OFF


def test_the_time_does_not_run_while_the_hazard_cannot_occur() -> None:
    one = limited_one("correction_age", slowed={"limit": 10.0, "for_s": 3.0})
    old = situation(age_s=15.0)
    assert one.find(0.0, old) is None
    assert one.find(2.0, situation(quality=1, age_s=None)) is None
    assert one.find(3.0, old) is None
    finding = one.find(6.0, old)
    assert finding is not None and finding.rung is Rung.SLOWED


def test_an_unknown_value_without_a_note_is_given_one() -> None:
    monitor = monitor_of("unsure", lambda _: float("nan"))
    finding = Limited(monitor, MonitorParameters((Row(Rung.SLOWED, 1.0),))).find(0.0, situation())
    assert finding is not None
    assert (finding.rung, finding.note) == (Rung.HALTED, "no number")


@pytest.mark.parametrize("hdop", [0.7, 1.9, 2.0, 2.1, 9.0, None, math.nan])
def test_it_is_clear_where_nothing_would_be_found(hdop: float | None) -> None:
    """At the limit itself, too; and asking notes nothing."""
    one = limited_one("hdop", slowed={"limit": 2.0, "for_s": 0.0}, halted=8.0)
    given = situation(hdop=hdop)
    for _ in range(2):
        assert one.is_clear(given) is (one.find(0.0, given) is None)
