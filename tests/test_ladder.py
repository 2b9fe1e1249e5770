"""The ladder: down at once, up slowly, in all its reachable states."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.ladder import RISES, RUNGS, Ladder
from fenceguard.judgement.types import Rung
from fenceguard.settings import Settings
from tests.support.lawns import OUTLINE

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung


def settings(start: str = "halted", blade_delay_s: float = 3.0) -> Settings:
    return Settings.model_validate(
        {
            "fence": "x",
            "outputs": "none",
            "mower": {"outline_m": OUTLINE, "antenna_m": [0, 0]},
            "start": start,
            "blade_delay_s": blade_delay_s,
            "clear_s": {"slowed": 2, "blade_off": 5, "halted": 10},
            "clear_room_s": {"slowed": 1, "blade_off": 2, "halted": 3},
        }
    )


def ladder_at(
    rung: Rung, blade_delay_s: float = 3.0, of_room: bool = False
) -> tuple[Ladder, float]:
    """A ladder that has just come down to a rung from `full`, and the time."""
    ladder = Ladder(settings(blade_delay_s=blade_delay_s).parameters().ladder)
    ladder.forget(0.0)
    now_s = 0.0
    while ladder.rung is not FULL:
        now_s += 0.5
        ladder.step(now_s, FULL, False, True)
    now_s += 0.5
    ladder.step(now_s, rung, False, True, of_room)
    return ladder, now_s


def test_the_table_of_rungs_is_the_one_of_the_design() -> None:
    assert {rung.word: tuple(gives) for rung, gives in RUNGS.items()} == {
        "full": (True, True, False),
        "slowed": (True, True, True),
        "blade_off": (True, False, True),
        "halted": (False, False, True),
        "locked": (False, False, True),
    }


def test_every_way_up_is_one_rung_and_none_leads_from_full() -> None:
    assert {rung: rise.to for rung, rise in RISES.items()} == {
        rung: Rung(rung - 1) for rung in Rung if rung is not FULL
    }


@pytest.mark.parametrize(
    ("was", "demand"), [(a, b) for a, b in itertools.product(Rung, Rung) if b > a]
)
def test_down_at_once_from_anywhere_to_anywhere(was: Rung, demand: Rung) -> None:
    ladder, now_s = ladder_at(was)
    move = ladder.step(now_s, demand, True, True)
    assert (ladder.rung, move.why) == (demand, "demand")
    grant = ladder.grant(now_s)
    assert grant.drive is (demand < HALTED)
    assert grant.blade is (demand < BLADE_OFF and was < BLADE_OFF)
    assert grant.slow is True


@pytest.mark.parametrize(("rung", "clear_s"), [(SLOWED, 2.0), (BLADE_OFF, 5.0), (HALTED, 10.0)])
def test_up_only_when_the_clear_time_has_passed(rung: Rung, clear_s: float) -> None:
    ladder, now_s = ladder_at(rung)
    ladder.step(now_s + clear_s - 0.001, FULL, False, False)
    assert ladder.rung is rung
    move = ladder.step(now_s + clear_s, FULL, False, False)
    assert (ladder.rung, move.why, move.clear_s) == (Rung(rung - 1), "clear", clear_s)


@pytest.mark.parametrize(("rung", "clear_s"), [(SLOWED, 2.0), (BLADE_OFF, 5.0), (HALTED, 10.0)])
def test_a_new_demand_starts_the_clear_time_anew(rung: Rung, clear_s: float) -> None:
    ladder, now_s = ladder_at(rung)
    again_s = now_s + clear_s - 0.1
    assert ladder.step(again_s, rung, False, False).why == ""
    ladder.step(again_s + clear_s - 0.001, FULL, False, False)
    assert ladder.rung is rung
    ladder.step(again_s + clear_s, FULL, False, False)
    assert ladder.rung is Rung(rung - 1)


ROOM = [(SLOWED, 1.0), (BLADE_OFF, 2.0), (HALTED, 3.0)]


@pytest.mark.parametrize(("rung", "clear_s"), ROOM)
def test_where_only_room_was_wanting_since_full_other_clear_times_count(
    rung: Rung, clear_s: float
) -> None:
    ladder, now_s = ladder_at(rung, of_room=True)
    assert ladder.step(now_s + clear_s - 0.001, FULL, False, False).why == ""
    move = ladder.step(now_s + clear_s, FULL, False, False)
    assert (ladder.rung, move.why, move.clear_s) == (Rung(rung - 1), "clear", clear_s)


@pytest.mark.parametrize("also", [SLOWED, BLADE_OFF, HALTED])
@pytest.mark.parametrize("first", [True, False])
def test_whatever_else_was_demanded_since_full_asks_for_the_longer_ones(
    also: Rung, first: bool
) -> None:
    ladder, now_s = ladder_at(also if first else HALTED, of_room=not first)
    ladder.step(now_s, HALTED if first else also, False, False, first)
    ladder.step(now_s + 9.999, FULL, False, False, True)
    assert ladder.rung is HALTED
    ladder.step(now_s + 10.0, FULL, False, False, True)
    assert ladder.rung is BLADE_OFF
    ladder.step(now_s + 14.999, FULL, False, False, True)
    assert ladder.rung is BLADE_OFF


@pytest.mark.parametrize("forgets", [False, True])
def test_after_a_reset_or_a_clock_that_went_back_the_longer_ones_count(forgets: bool) -> None:
    ladder, now_s = ladder_at(HALTED if forgets else LOCKED, of_room=True)
    if forgets:
        ladder.forget(now_s)
    else:
        ladder.step(now_s, FULL, True, False)
    ladder.step(now_s + 9.999, FULL, False, True)
    assert ladder.rung is HALTED
    ladder.step(now_s + 10.0, FULL, False, True)
    assert ladder.rung is BLADE_OFF


def test_a_demand_for_a_higher_rung_does_not_hold_a_lower_one() -> None:
    ladder, now_s = ladder_at(HALTED)
    for step in range(101):
        ladder.step(now_s + step / 10, SLOWED, False, False)
    assert ladder.rung is BLADE_OFF
    for step in range(101, 400):
        ladder.step(now_s + step / 10, SLOWED, False, False)
    assert ladder.rung is SLOWED


def test_the_blade_waits_for_its_delay_with_a_warning_and_full_waits_for_the_blade() -> None:
    ladder, now_s = ladder_at(BLADE_OFF)
    assert not ladder.grant(now_s).warning
    now_s += 5.0
    ladder.step(now_s, FULL, False, False)
    assert ladder.rung is SLOWED
    waiting = ladder.grant(now_s + 2.999)
    assert (waiting.blade, waiting.warning) == (False, True)
    running = ladder.grant(now_s + 3.0)
    assert (running.blade, running.warning) == (True, False)
    ladder.step(now_s + 2.999, FULL, False, False)
    assert ladder.rung is SLOWED
    ladder.step(now_s + 3.0, FULL, False, False)
    assert ladder.rung is FULL


def test_slowed_is_left_only_where_there_is_room_at_full() -> None:
    ladder, now_s = ladder_at(SLOWED, of_room=True)
    ladder.step(now_s + 100.0, FULL, False, False, has_room=False)
    assert ladder.rung is SLOWED
    ladder.step(now_s + 100.0, FULL, False, False, has_room=True)
    assert ladder.rung is FULL


@pytest.mark.parametrize("rung", [BLADE_OFF, HALTED])
def test_the_rungs_below_are_left_without_room_at_full(rung: Rung) -> None:
    ladder, now_s = ladder_at(rung, of_room=True)
    ladder.step(now_s + 3.0, FULL, False, False, has_room=False)
    assert ladder.rung is Rung(rung - 1)


def test_slowing_alone_never_stops_the_blade() -> None:
    ladder, now_s = ladder_at(SLOWED)
    assert ladder.grant(now_s).blade


def test_locked_is_left_by_a_reset_only_and_must_arm_again() -> None:
    ladder, now_s = ladder_at(LOCKED)
    assert ladder.armed is False
    for step in range(1000):
        ladder.step(now_s + step, FULL, False, True)
    assert ladder.rung is LOCKED
    now_s += 1000.0
    ladder.step(now_s, LOCKED, True, True)
    assert ladder.rung is LOCKED
    assert ladder.step(now_s, FULL, True, False).why == "reset"
    assert (ladder.rung, ladder.armed) == (HALTED, False)
    ladder.step(now_s + 100.0, FULL, True, False)
    assert ladder.rung is HALTED
    ladder.step(now_s + 101.0, FULL, False, True)
    assert ladder.rung is BLADE_OFF


@pytest.mark.parametrize("start", ["halted", "locked"])
def test_never_starts_at_full(start: str) -> None:
    ladder = Ladder(settings(start).parameters().ladder)
    assert ladder.rung.word == start
    grant = ladder.grant(0.0)
    assert (grant.drive, grant.blade, grant.warning, grant.top_speed_mps) == (
        False,
        False,
        False,
        0.0,
    )


def test_halted_is_left_for_the_first_time_only_when_armed() -> None:
    ladder = Ladder(settings().parameters().ladder)
    ladder.forget(0.0)
    ladder.step(1000.0, FULL, True, False)
    assert ladder.rung is HALTED
    ladder.step(1001.0, FULL, False, True)
    assert ladder.rung is BLADE_OFF
    ladder.step(1002.0, HALTED, False, False)
    ladder.step(1012.0, FULL, False, False)
    assert ladder.rung is BLADE_OFF


def test_a_forgotten_clock_disarms_and_starts_all_times_anew() -> None:
    ladder, _ = ladder_at(HALTED)
    ladder.forget(-500.0)
    assert ladder.armed is False
    ladder.step(-490.001, FULL, False, True)
    assert ladder.rung is HALTED
    ladder.step(-490.0, FULL, False, True)
    assert ladder.rung is BLADE_OFF


def test_with_the_clock_forgotten_the_blade_waits_for_its_delay() -> None:
    ladder, now_s = ladder_at(SLOWED)
    assert ladder.grant(now_s).blade
    ladder.forget(-500.0)
    waiting, running = ladder.grant(-497.001), ladder.grant(-497.0)
    assert (waiting.blade, waiting.warning) == (False, True)
    assert (running.blade, running.warning) == (True, False)


def test_grants_run_out_and_tell_the_speed() -> None:
    ladder, now_s = ladder_at(SLOWED)
    grant = ladder.grant(now_s)
    assert (grant.top_speed_mps, grant.valid_until_s) == (0.25, now_s + 0.5)
    ladder.step(now_s + 2.0, FULL, False, False)
    assert ladder.grant(now_s + 2.0).top_speed_mps == 0.5


@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.0, 0.1, 1.999, 2.0, 3.0, 5.0, 10.0]),
            st.sampled_from(list(Rung)),
            st.booleans(),
            st.booleans(),
        ),
        max_size=60,
    ),
    st.sampled_from(["halted", "locked"]),
)
def test_invariants_of_any_walk(steps: list[tuple[float, Rung, bool, bool]], start: str) -> None:
    ladder = Ladder(settings(start).parameters().ladder)
    ladder.forget(0.0)
    now_s, blade_off_at_s = 0.0, 0.0
    for passed_s, demand, reset, may_arm in steps:
        now_s += passed_s
        was = ladder.rung
        move = ladder.step(now_s, demand, reset, may_arm)
        grant = ladder.grant(now_s)
        assert ladder.rung >= demand
        assert ladder.rung >= was - 1, "up one rung a step at most"
        assert (move.why == "") == (ladder.rung is was)
        if was is LOCKED and ladder.rung is not LOCKED:
            assert reset
        if ladder.rung >= BLADE_OFF:
            blade_off_at_s = now_s
        assert not grant.blade or now_s - blade_off_at_s >= 3.0 or blade_off_at_s == 0.0
        assert not (grant.blade and grant.warning)
