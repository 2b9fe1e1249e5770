"""What is particular to some monitors, and what becomes of findings that are only watched."""

from typing import Any

import pytest

from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import (
    NO_EVIDENCE,
    Decision,
    Finding,
    Learned,
    Rung,
    Situation,
)
from tests.support.made import bound, limited_one
from tests.support.situations import (
    FENCE,
    HEIGHT_M,
    MOUNT_M,
    STOPPING,
    ahead,
    corrected,
    epoch,
    plain,
    told,
)

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung


def found(monitor: str, given: Situation, **limits: Any) -> Finding | None:
    """What a monitor finds, with its default limits but for the changes."""
    return limited_one(monitor, **limits).find(0.0, given)


def demanded(monitor: str, given: Situation, **limits: Any) -> Rung:
    finding = found(monitor, given, **limits)
    return FULL if finding is None else finding.rung


@pytest.mark.parametrize(
    ("quality", "rung"),
    [
        (0, HALTED),
        (1, HALTED),
        (2, HALTED),
        (3, HALTED),
        (4, FULL),
        (5, BLADE_OFF),
        (6, HALTED),
        (7, HALTED),
        (8, HALTED),
        (9, HALTED),
        (None, HALTED),
    ],
)
def test_every_quality_code(quality: int | None, rung: Rung) -> None:
    """GGA quality codes: NMEA 0183."""
    assert demanded("solution", told(quality=quality)) is rung


def test_poorer_solutions_can_be_allowed_but_no_solution_never_passes() -> None:
    limits = {"blade_off": "float", "halted": "single"}
    for quality, rung in [(5, FULL), (2, BLADE_OFF), (3, BLADE_OFF), (1, BLADE_OFF), (0, HALTED)]:
        assert demanded("solution", told(quality=quality), **limits) is rung


@pytest.mark.parametrize(("quality", "name"), [(2, "differential"), (4, "fixed"), (5, "float")])
def test_a_corrected_solution_without_an_age_is_named(quality: int, name: str) -> None:
    finding = found("correction_age", told(quality=quality))
    assert finding is not None
    assert name in finding.note


@pytest.mark.parametrize(
    ("lag_s", "same_s", "leap_s", "note"),
    [
        (2.0, 1.9, 1.9, "the same instant"),
        (1.9, 2.0, 1.9, "the same position"),
        (1.9, 1.9, 2.0, "its clock came ahead"),
    ],
)
def test_what_is_frozen_is_the_worst_of_clock_and_position_and_it_is_named(
    lag_s: float, same_s: float, leap_s: float, note: str
) -> None:
    evidence = NO_EVIDENCE._replace(same_s=same_s, leap_s=leap_s)
    finding = found("frozen", Situation(utc_lag_s=lag_s, evidence=evidence))
    assert finding is not None
    assert (finding.value, finding.note) == (2.0, note)


def test_what_is_out_of_reach_or_told_no_more_is_named() -> None:
    evidence = NO_EVIDENCE._replace(excess_m=1.0, against="drift", missing="course", missing_s=20.0)
    for monitor, note in (("reach", "drift"), ("tells", "course")):
        finding = found(monitor, Situation(evidence=evidence))
        assert finding is not None
        assert finding.note == note


def test_room_is_clearance_less_bound() -> None:
    given = Situation(clearance_m=0.4, bound=bound(0.411))
    for for_s, rung in ((0.0, SLOWED), (60.0, FULL)):
        assert demanded("room", given, slowed={"limit": -0.01, "for_s": for_s}) is rung
    assert demanded("room", given._replace(bound=bound(0.409)), slowed=-0.01) is FULL


def test_a_room_that_only_slows_must_be_short_for_a_while() -> None:
    """On both sides of the time, and begun anew once there was enough in between."""
    one = limited_one("room")
    short = Situation(clearance_m=0.0, bound=bound(0.02))
    for begin_s in (0.0, 100.0):
        assert one.find(begin_s, short) is None
        assert one.find(begin_s + 0.499, short) is None
        finding = one.find(begin_s + 0.5, short)
        assert finding is not None
        assert finding.rung is SLOWED
        assert one.find(begin_s + 0.6, short._replace(clearance_m=0.01)) is None


# The way ahead


STOPS_M = 0.5 * 0.5 + 0.5**2 / (2.0 * 2.0)
"""Way of the reaction, and v²/(2 a)."""
BLADE_STOPS_M = 0.5 * (0.5 + 1.5)


@pytest.mark.parametrize(
    ("monitor", "way_m", "rungs"),
    [
        ("stopping", STOPS_M, [FULL, FULL, FULL, FULL, HALTED]),
        ("blade_stop", BLADE_STOPS_M, [FULL, FULL, FULL, FULL, BLADE_OFF]),
    ],
)
def test_with_time_the_demand_comes_without_an_epoch(
    monitor: str, way_m: float, rungs: list[Rung]
) -> None:
    """1 m more than the way to rest, at 0.5 m/s: 2 s until the last of it is gone."""
    one = limited_one(monitor)
    assert one.timed
    given = ahead(way_m + 1.0)
    said = []
    for since_s in (0.0, 1.89, 1.91, 1.99, 2.01):
        finding = one.find(since_s, given._replace(since_s=since_s))
        said.append(FULL if finding is None else finding.rung)
    assert said == rungs


@pytest.mark.parametrize(
    ("period_s", "since_s", "slows"),
    [(0.0, 1.39, False), (0.0, 1.41, True), (1.39, 0.0, False), (1.41, 0.0, True)],
)
def test_an_approach_counts_what_is_left_when_the_next_epoch_is_due(
    period_s: float, since_s: float, slows: bool
) -> None:
    learned = Learned(period_s, (), None)
    given = ahead(BLADE_STOPS_M + 1.0, learned=learned, since_s=since_s)
    assert (found("approach", given) is not None) is slows
    cut = STOPPING._replace(drive_cut=True)
    by_brakes = ahead(STOPS_M + 1.0, learned=learned, since_s=since_s, stopping=cut)
    assert (found("approach", by_brakes) is not None) is slows


def test_what_the_lines_let_the_mower_reach_counts_and_for_slowing_its_speed_as_it_is() -> None:
    learned = Learned(0.2, (), None)
    slowly = ahead(1.0, speed_mps=0.1, most_mps=0.1, learned=learned)
    hurried = slowly._replace(most_mps=1.0)
    assert demanded("approach", hurried) is FULL
    for monitor, since_s, rung in [("stopping", 1.4, HALTED), ("blade_stop", 0.1, BLADE_OFF)]:
        assert demanded(monitor, slowly._replace(since_s=since_s)) is FULL
        assert demanded(monitor, hurried._replace(since_s=since_s)) is rung


def test_until_it_is_known_how_often_epochs_come_one_is_due_after_a_second() -> None:
    assert Situation().due_s == 1.0
    assert Situation(learned=Learned(None, (), None)).due_s == 1.0
    assert Situation(learned=Learned(0.2, (), None)).due_s == 0.2


def test_where_the_drive_line_cuts_the_power_the_blade_need_not_rest() -> None:
    late = ahead(0.1)
    assert demanded("blade_stop", late) is BLADE_OFF
    cut = late._replace(stopping=STOPPING._replace(drive_cut=True))
    assert demanded("blade_stop", cut) is FULL
    assert demanded("stopping", cut) is HALTED


@pytest.mark.parametrize(
    "monitor", ["late", "station", "reach", "trust", "tells", "height", "course", "heading"]
)
def test_what_only_an_epoch_can_change_is_not_asked_at_every_tick(monitor: str) -> None:
    one = limited_one(monitor)
    assert not one.timed


# The reference station


@pytest.mark.parametrize("quality", [2, 4, 5])
def test_a_station_of_the_survey_is_accepted_and_any_other_halts(quality: int) -> None:
    assert found("station", corrected("0123", "0123", quality=quality)) is None
    assert found("station", corrected("0124", "0123", "0124", quality=quality)) is None
    finding = found("station", corrected("0125", "0123", "0124", quality=quality))
    assert finding is not None
    assert (finding.rung, finding.value, finding.limit) == (HALTED, "0125", "accepted")


def test_a_station_is_a_name_and_not_a_number() -> None:
    assert demanded("station", corrected("123", "0123")) is HALTED


@pytest.mark.parametrize("rung", [SLOWED, BLADE_OFF, LOCKED])
def test_another_station_may_demand_another_rung(rung: Rung) -> None:
    limits = {"halted": "never", rung.word: "accepted"}
    assert demanded("station", corrected("0125", "0123"), **limits) is rung
    assert demanded("station", corrected("0123", "0123"), **limits) is FULL


def test_a_station_that_is_called_like_the_limit_is_still_another() -> None:
    assert demanded("station", corrected("accepted", "0123")) is HALTED


# Monitors that only watch


def supervisor(watch_only: str | None) -> Supervisor:
    """With short times on the way up, one monitor that only watches, and the first epoch heard."""
    limits = {} if watch_only is None else {watch_only: {"watch_only": True}}
    judge = Supervisor.from_settings(plain(limits), FENCE)
    judge.step(-0.25, epoch(-0.25))
    return judge


def after_good_ones(
    watch_only: str | None, late_s: float = 0.0, epochs: int = 1, **changes: Any
) -> Decision:
    """The decision at the last of some epochs that are changed, after twelve good ones."""
    judge = supervisor(watch_only)
    for step in range(12):
        assert names(judge.step(0.25 * step, epoch(0.25 * step)).findings) == []
    for step in range(12, 12 + epochs):
        decision = judge.step(0.25 * step + late_s, epoch(0.25 * step, **changes))
    return decision


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
        ("reach", {"east_m": 15.5}),
        ("trust", {"east_m": 15.5}),
        ("tells", {"speed_mps": None, "epochs": 6}),
        ("speed", {"speed_mps": 1.2, "course_deg": 90.0, "epochs": 6}),
        ("height", {"height_m": HEIGHT_M + MOUNT_M + 3.0}),
        ("course", {"east_m": 14.5}),
        ("approach", {"east_m": 29.5, "speed_mps": 0.5, "course_deg": 90.0}),
        ("stopping", {"east_m": 29.5, "speed_mps": 0.5, "course_deg": 90.0}),
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
