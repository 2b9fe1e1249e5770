"""The monitors that take confidence away, and those that look ahead, each at its limits."""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.limits import limited
from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import NO_EVIDENCE, Decision, Finding, Rung, Situation
from fenceguard.lawn.fence import Fence
from fenceguard.mower.stopping import Stopping
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings import Settings
from fenceguard.settings.models import Limits
from tests.support.lawns import LAWN, OUTLINE, collection, fence_of, offset, polygon
from tests.support.made import limited_one

EPSILON = 1e-9
UTC_S = 1_700_000_000.0
FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung

Make = Callable[[Any], Situation]


def found(monitor: str, given: Situation, **limits: Any) -> Finding | None:
    """What a monitor finds, with its default limits but for the changes."""
    one = limited_one(monitor, **limits)
    return one.find(0.0, given)


def demanded(monitor: str, given: Situation, **limits: Any) -> Rung:
    finding = found(monitor, given, **limits)
    return FULL if finding is None else finding.rung


def late(value: float | None) -> Situation:
    return Situation(evidence=NO_EVIDENCE._replace(late_s=value))


def refix(value: float | None) -> Situation:
    return Situation(evidence=NO_EVIDENCE._replace(refix_m=value))


def jump(value: float | None) -> Situation:
    return Situation(evidence=NO_EVIDENCE._replace(jump_m=value))


def drift(value: float | None) -> Situation:
    return Situation(evidence=NO_EVIDENCE._replace(drift_m=value))


def course(value: float | None) -> Situation:
    return Situation(evidence=NO_EVIDENCE._replace(course_off_deg=value))


def height(value: float | None) -> Situation:
    return Situation(height_off_m=value)


STOPPING = Stopping(reaction_s=0.5, deceleration_mps2=2.0, blade_stop_s=1.5)
SPEED_MPS = 0.5
STOPS_M = 0.5 * 0.5 + 0.5**2 / (2.0 * 2.0)
"""Way of the reaction, and v²/(2 a)."""
BLADE_STOPS_M = 0.5 * (0.5 + 1.5)


def ahead(ahead_m: float | None, **changes: Any) -> Situation:
    return Situation(ahead_m=ahead_m, **{"speed_mps": SPEED_MPS, "stopping": STOPPING, **changes})


def stops(left_m: float) -> Situation:
    """A mower that would stand with so much left."""
    return ahead(STOPS_M + left_m)


def blade_rests(left_m: float) -> Situation:
    """A mower whose blade would rest with so much left."""
    return ahead(BLADE_STOPS_M + left_m)


@pytest.mark.parametrize(
    ("monitor", "rung", "limit", "make"),
    [
        ("late", SLOWED, 0.3, late),
        ("late", BLADE_OFF, 0.6, late),
        ("late", HALTED, 1.2, late),
        ("refix", BLADE_OFF, 0.0, refix),
        ("refix", HALTED, 0.2, refix),
        ("jump", BLADE_OFF, 0.0, jump),
        ("jump", HALTED, 0.3, jump),
        ("drift", SLOWED, 0.12, drift),
        ("drift", BLADE_OFF, 0.2, drift),
        ("drift", HALTED, 0.5, drift),
        ("height", SLOWED, 0.1, height),
        ("height", BLADE_OFF, 0.2, height),
        ("height", HALTED, 1.0, height),
        ("course", SLOWED, 45.0, course),
    ],
)
@pytest.mark.parametrize("set_by_hand", [False, True])
def test_above_the_limit_demands_the_rung_and_the_limit_itself_does_not(
    monitor: str, rung: Rung, limit: float, make: Make, set_by_hand: bool
) -> None:
    """At the default limit, and at another with every other rung taken out."""
    limits: dict[str, Any] = {}
    if set_by_hand:
        limit += 1.25
        limits = {"slowed": "never", "blade_off": "never", "halted": "never", rung.word: limit}
    finding = found(monitor, make(limit + EPSILON), **limits)
    assert finding is not None
    assert (finding.rung, finding.limit, finding.value) == (rung, limit, limit + EPSILON)
    at = demanded(monitor, make(limit), **limits)
    assert at < rung
    assert demanded(monitor, make(limit - EPSILON), **limits) is at


@pytest.mark.parametrize(
    ("monitor", "rung", "limit", "make"),
    [
        ("stopping", SLOWED, 0.15, stops),
        ("stopping", BLADE_OFF, 0.05, stops),
        ("stopping", HALTED, 0.0, stops),
        ("blade_stop", SLOWED, 0.05, blade_rests),
        ("blade_stop", BLADE_OFF, 0.0, blade_rests),
    ],
)
def test_below_the_limit_demands_the_rung(
    monitor: str, rung: Rung, limit: float, make: Make
) -> None:
    finding = found(monitor, make(limit - EPSILON))
    assert finding is not None
    assert (finding.rung, finding.limit, finding.unit) == (rung, limit, "m")
    assert finding.value == pytest.approx(limit - EPSILON, abs=1e-12)
    assert demanded(monitor, make(limit + EPSILON)) < rung


@pytest.mark.parametrize(("monitor", "at_rest_m"), [("stopping", 0.25), ("blade_stop", 0.5)])
def test_what_is_left_ahead_may_be_as_little_as_the_limit(monitor: str, at_rest_m: float) -> None:
    """At rest there is no rounding between the way ahead and the limit."""
    given = ahead(at_rest_m, speed_mps=0.0)
    limits = {"slowed": at_rest_m, "blade_off": "never", "halted": "never"}
    assert demanded(monitor, given, **limits) is FULL
    assert demanded(monitor, given._replace(ahead_m=at_rest_m - EPSILON), **limits) is SLOWED


@pytest.mark.parametrize("monitor", ["late", "refix", "jump", "drift", "course", "height"])
def test_where_there_is_nothing_to_compare_with_there_is_no_finding(monitor: str) -> None:
    assert found(monitor, Situation()) is None


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(
    ("monitor", "make"),
    [
        ("late", late),
        ("refix", refix),
        ("jump", jump),
        ("drift", drift),
        ("course", course),
        ("height", height),
        ("stopping", ahead),
        ("blade_stop", ahead),
    ],
)
def test_what_is_no_number_halts(monitor: str, make: Make, value: float) -> None:
    finding = found(monitor, make(value))
    assert finding is not None
    assert (finding.rung, finding.value, finding.limit) == (HALTED, None, None)


@pytest.mark.parametrize("monitor", ["stopping", "blade_stop"])
@pytest.mark.parametrize("unknown", [{"ahead_m": None}, {"stopping": None}])
def test_with_the_way_ahead_unknown_it_halts(monitor: str, unknown: dict[str, Any]) -> None:
    finding = found(monitor, ahead(5.0)._replace(**unknown))
    assert finding is not None
    assert (finding.rung, finding.value, finding.limit) == (HALTED, None, None)
    assert finding.note
    assert "failed" not in finding.note


# The way ahead


@given(st.floats(-1.0, 20.0), st.floats(0.0, 3.0), st.floats(0.0, 5.0))
def test_the_way_ahead_shrinks_as_fast_as_the_mower_goes(
    ahead_m: float, speed_mps: float, since_s: float
) -> None:
    left_m = ahead(ahead_m, speed_mps=speed_mps, since_s=since_s).left_ahead_m
    assert left_m == pytest.approx(ahead_m - speed_mps * since_s)
    assert ahead(None, since_s=since_s).left_ahead_m is None


@pytest.mark.parametrize(
    ("monitor", "way_m"), [("stopping", STOPS_M), ("blade_stop", BLADE_STOPS_M)]
)
def test_with_time_the_demand_comes_without_an_epoch(monitor: str, way_m: float) -> None:
    """1 m more than the way to rest, at 0.5 m/s: 2 s until the last of it is gone."""
    one = next(
        one
        for one in limited(Limits.model_validate({}).parameters())
        if one.monitor.name == monitor
    )
    assert one.timed
    given = ahead(way_m + 1.0)
    rungs = []
    for since_s in (0.0, 1.69, 1.71, 1.89, 1.91, 1.99, 2.01):
        finding = one.find(since_s, given._replace(since_s=since_s))
        rungs.append(FULL if finding is None else finding.rung)
    assert (
        rungs
        == {
            "stopping": [FULL, FULL, SLOWED, SLOWED, BLADE_OFF, BLADE_OFF, HALTED],
            "blade_stop": [FULL, FULL, FULL, FULL, SLOWED, SLOWED, BLADE_OFF],
        }[monitor]
    )


@pytest.mark.parametrize("monitor", ["late", "station", "refix", "jump", "drift", "height"])
def test_what_only_an_epoch_can_change_is_not_asked_at_every_tick(monitor: str) -> None:
    one = next(
        one
        for one in limited(Limits.model_validate({}).parameters())
        if one.monitor.name == monitor
    )
    assert not one.timed


@given(st.floats(0.0, 3.0), st.floats(0.0, 5.0))
def test_where_the_mower_stands_and_where_its_blade_rests(speed_mps: float, ahead_m: float) -> None:
    """v t + v²/(2 a), and v times reaction and blade stop."""
    given = ahead(ahead_m, speed_mps=speed_mps)
    high = {"slowed": 99.0, "blade_off": "never", "halted": "never"}
    stopping, blade_stop = (found(name, given, **high) for name in ("stopping", "blade_stop"))
    assert stopping is not None
    assert blade_stop is not None
    assert stopping.value == pytest.approx(ahead_m - 0.5 * speed_mps - speed_mps**2 / 4.0)
    assert blade_stop.value == pytest.approx(ahead_m - 2.0 * speed_mps)


# The reference station


def corrected(station: str | None, *stations: str, quality: int | None = 4) -> Situation:
    return Situation(Epoch(UTC_S, quality=quality, station=station), stations=stations)


@pytest.mark.parametrize("quality", [2, 4, 5])
def test_a_station_of_the_survey_is_accepted_and_any_other_halts(quality: int) -> None:
    assert found("station", corrected("0123", "0123", quality=quality)) is None
    assert found("station", corrected("0124", "0123", "0124", quality=quality)) is None
    finding = found("station", corrected("0125", "0123", "0124", quality=quality))
    assert finding is not None
    assert (finding.rung, finding.value, finding.limit) == (HALTED, "0125", "accepted")


def test_a_station_is_a_name_and_not_a_number() -> None:
    assert demanded("station", corrected("123", "0123")) is HALTED


def test_a_station_that_is_not_told_is_unknown() -> None:
    finding = found("station", corrected(None, "0123"))
    assert finding is not None
    assert (finding.rung, finding.value, finding.limit) == (HALTED, None, None)
    assert finding.note


def test_a_fence_that_names_no_station_accepts_all() -> None:
    assert found("station", corrected("0125")) is None
    assert found("station", corrected(None)) is None


@pytest.mark.parametrize("quality", [None, 0, 1, 3, 6, 7, 8])
def test_without_corrections_there_is_no_station_to_be_wrong(quality: int | None) -> None:
    assert found("station", corrected("0125", "0123", quality=quality)) is None
    assert found("station", corrected(None, "0123", quality=quality)) is None


def test_before_the_first_epoch_there_is_no_station_to_be_wrong() -> None:
    assert found("station", Situation(stations=("0123",))) is None


@pytest.mark.parametrize("rung", [SLOWED, BLADE_OFF, LOCKED])
def test_another_station_may_demand_another_rung(rung: Rung) -> None:
    limits = {"halted": "never", rung.word: "accepted"}
    assert demanded("station", corrected("0125", "0123"), **limits) is rung
    assert demanded("station", corrected("0123", "0123"), **limits) is FULL


def test_a_station_that_is_called_like_the_limit_is_still_another() -> None:
    assert demanded("station", corrected("accepted", "0123")) is HALTED


# Monitors that only watch

HEIGHT_M = 400.0
MOUNT_M = 0.3


def surveyed() -> Fence:
    """A level lawn with its heights and its reference station."""
    lawn = polygon(LAWN, "keep_in", "lawn")
    lawn["properties"]["stations"] = ["0123"]
    for ring in lawn["geometry"]["coordinates"]:
        for position in ring:
            position.append(HEIGHT_M)
    return fence_of(collection(lawn))


FENCE = surveyed()


def supervisor(watch_only: str | None) -> Supervisor:
    """With short times on the way up, one monitor that only watches, and the first epoch heard."""
    content: dict[str, Any] = {
        "fence": "x",
        "outputs": "none",
        "mower": {"outline_m": OUTLINE, "antenna_m": [0, 0], "antenna_height_m": MOUNT_M},
        "arm": {"fixed_for_s": 0.5},
        "clear_s": {"slowed": 0.5, "blade_off": 0.5, "halted": 0.5},
    }
    if watch_only is not None:
        content["limits"] = {watch_only: {"watch_only": True}}
    judge = Supervisor.from_settings(Settings.model_validate(content), FENCE)
    judge.step(-0.25, epoch(-0.25))
    return judge


def epoch(passed_s: float, east_m: float = 15.0, **changes: Any) -> Epoch:
    """A good epoch of a mower at rest, with changes."""
    lat_deg, lon_deg = offset(east_m, 10.0)
    good: dict[str, Any] = {
        "lat_deg": lat_deg,
        "lon_deg": lon_deg,
        "height_m": HEIGHT_M + MOUNT_M,
        "quality": 4,
        "satellites": 20,
        "hdop": 0.7,
        "age_s": 1.0,
        "station": "0123",
        "speed_mps": 0.0,
        "heading_deg": 90.0,
        "sigma_major_m": 0.01,
    }
    return Epoch(UTC_S + passed_s, **{**good, **changes})


def after_good_ones(watch_only: str | None, late_s: float = 0.0, **changes: Any) -> Decision:
    """The decision at an epoch that is changed, after eight good ones."""
    judge = supervisor(watch_only)
    for step in range(8):
        assert names(judge.step(0.25 * step, epoch(0.25 * step)).findings) == []
    return judge.step(2.0 + late_s, epoch(2.0, **changes))


def names(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.monitor for finding in findings]


def test_a_mower_at_rest_in_the_middle_of_its_lawn_has_no_findings() -> None:
    decision = after_good_ones(None)
    assert (decision.findings, decision.watched) == ((), ())


@pytest.mark.parametrize(
    ("monitor", "spoilt"),
    [
        ("late", {"late_s": 0.4}),
        ("station", {"station": "0125"}),
        ("refix", {"east_m": 15.5}),
        ("jump", {"east_m": 15.5}),
        ("drift", {"east_m": 15.5}),
        ("height", {"height_m": HEIGHT_M + MOUNT_M + 3.0}),
        ("course", {"east_m": 14.5}),
        ("stopping", {"east_m": 29.5, "speed_mps": 0.5, "course_deg": 90.0}),
        ("blade_stop", {"east_m": 29.5, "speed_mps": 0.5, "course_deg": 90.0}),
    ],
)
def test_a_monitor_that_only_watches_is_written_down_and_demands_nothing(
    monitor: str, spoilt: dict[str, Any]
) -> None:
    acting, watching = after_good_ones(None, **spoilt), after_good_ones(monitor, **spoilt)
    assert monitor in names(acting.findings)
    assert acting.watched == ()
    assert names(watching.watched) == [monitor]
    assert set(watching.findings) | set(watching.watched) == set(acting.findings)
    assert monitor not in names(watching.findings)


@pytest.mark.parametrize(("watch_only", "reached"), [(None, HALTED), ("station", FULL)])
def test_what_only_watches_does_not_keep_the_mower_down(
    watch_only: str | None, reached: Rung
) -> None:
    judge = supervisor(watch_only)
    for step in range(20):
        decision = judge.step(0.25 * step, epoch(0.25 * step, station="0125"))
        assert names(decision.findings + decision.watched) == ["station"]
    assert decision.rung is reached
