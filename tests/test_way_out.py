"""The way out: when it opens, and what closes it."""

from typing import Any

import pytest

from fenceguard.judgement.parameters import WayOutParameters
from fenceguard.judgement.types import Attitude, Evidence, Rung, Situation, Trust
from fenceguard.judgement.way_out import FAILURES, WayOut
from tests.support.made import bound
from tests.support.mowing import Mower, finding

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung
PARAMETERS = WayOutParameters(mps=0.05, way_m=1.0, nearer_m=0.01, past_m=0.1)


class Near:
    """A mower near a fence, epoch by epoch."""

    def __init__(self) -> None:
        self.way_out = WayOut(PARAMETERS)
        self.gone_m = 0.0

    def step(
        self,
        clearance_m: float | None = 0.05,
        rung: Rung = HALTED,
        bound_m: float | None = 0.08,
        trust: Trust = Trust.TRUSTED,
        rests: bool = True,
        demanded: bool = True,
        since_s: float = 0.0,
        unexplained_m: float = 0.0,
        directed: bool = True,
    ) -> bool:
        told = bound(bound_m)
        situation = Situation(
            clearance_m=clearance_m,
            bound=None if told is None else told._replace(unexplained_m=unexplained_m),
            since_s=since_s,
            attitude=Attitude(headings_deg=(0.0,) if directed else ()),
            evidence=Evidence(trust=trust),
        )
        return self.way_out.step(situation, (self.gone_m, 0.0), rung, rests, demanded)

    def opened(self) -> "Near":
        for _ in range(5):
            assert self.step()
        return self

    def creep(self, clearance_m: float = 0.05, **changes: Any) -> bool:
        return self.step(clearance_m, BLADE_OFF, rests=False, **changes)


def test_it_opens_for_a_trusted_mower_at_rest_that_room_alone_halts() -> None:
    assert Near().step()


@pytest.mark.parametrize(
    "changes",
    [
        {"trust": Trust.UNKNOWN},
        {"trust": Trust.DOUBTED},
        {"rests": False},
        {"demanded": False},
        {"clearance_m": None},
        {"bound_m": None},
        {"unexplained_m": 0.16},
        {"clearance_m": -0.11},
        {"rung": FULL},
        {"rung": SLOWED},
        {"rung": BLADE_OFF},
        {"rung": LOCKED},
    ],
)
def test_it_opens_for_no_other(changes: dict[str, Any]) -> None:
    assert not Near().step(**changes)


def test_a_little_past_the_fence_it_opens_too() -> None:
    assert Near().step(-0.09)


@pytest.mark.parametrize(
    "changes",
    [
        {"trust": Trust.UNKNOWN},
        {"trust": Trust.DOUBTED},
        {"clearance_m": None},
        {"bound_m": None},
        {"unexplained_m": 0.16},
        {"clearance_m": -0.11},
        {"rests": False},
        {"rung": SLOWED, "rests": False},
        {"rung": LOCKED},
    ],
)
def test_what_would_have_kept_it_shut_closes_it(changes: dict[str, Any]) -> None:
    near = Near().opened()
    assert not near.step(**changes)
    assert not near.step(demanded=False)


def test_what_contradicts_the_position_counts_as_so_much_nearer() -> None:
    """The mower may be in either of two places; the worse of them must not come nearer."""
    near = Near()
    for _ in range(5):
        assert near.step(0.1, unexplained_m=0.1, bound_m=0.18)
    assert near.creep(0.2, unexplained_m=0.2, bound_m=0.28)
    assert not near.creep(0.2, unexplained_m=0.22, bound_m=0.3)


def test_once_open_it_stays_open_while_nothing_is_demanded() -> None:
    near = Near().opened()
    assert near.step(demanded=False)
    assert near.creep(demanded=False)


@pytest.mark.parametrize(("nearer_m", "stays"), [(0.009, True), (0.011, False)])
def test_creeping_nearer_closes_it(nearer_m: float, stays: bool) -> None:
    near = Near().opened()
    assert near.creep()
    assert near.creep(0.05 - nearer_m) is stays


@pytest.mark.parametrize(("clearance_m", "stays"), [(-0.19, True), (-0.21, False)])
def test_while_its_direction_is_not_known_its_disc_may_come_nearer(
    clearance_m: float, stays: bool
) -> None:
    near = Near().opened()
    assert near.creep(0.0, directed=False)
    assert near.creep(clearance_m, directed=False) is stays


@pytest.mark.parametrize(("lost_m", "stays"), [(0.019, True), (0.021, False)])
def test_what_was_gained_must_be_kept(lost_m: float, stays: bool) -> None:
    """Less the noise, twice: of what was best, and of what is now."""
    near = Near().opened()
    for clearance_m in (0.06, 0.1, 0.2):
        assert near.creep(clearance_m)
    assert near.creep(0.2 - lost_m) is stays


def test_what_it_was_at_rest_is_the_mean_and_its_scatter_is_noise() -> None:
    calm, noisy = Near(), Near()
    for step in range(200):
        assert calm.step(0.05)
        assert noisy.step(0.05 + (0.01 if step % 2 else -0.01))
    for near, stays in ((calm, False), (noisy, True)):
        assert near.creep(0.035) is stays
    assert not noisy.creep(0.015)


def test_between_epochs_the_same_clearance_is_not_counted_again() -> None:
    near = Near().opened()
    for _ in range(100):
        assert near.step(0.5, since_s=0.1)
    assert near.creep(0.045)


@pytest.mark.parametrize(("bound_m", "stays"), [(0.159, True), (0.161, False)])
def test_a_bound_that_doubles_closes_it(bound_m: float, stays: bool) -> None:
    assert Near().opened().creep(bound_m=bound_m) is stays


@pytest.mark.parametrize(("gone_m", "stays"), [(0.99, True), (1.01, False)])
def test_the_way_comes_to_an_end(gone_m: float, stays: bool) -> None:
    near = Near().opened()
    near.gone_m = gone_m
    assert near.creep(0.5) is stays


# How often it is tried


def failed(times: int) -> Near:
    """A mower that has crept nearer so many times."""
    near = Near()
    for _ in range(times):
        assert near.opened().creep()
        assert not near.creep(0.03)
    return near


@pytest.mark.parametrize(("times", "opens"), [(0, True), (FAILURES - 1, True), (FAILURES, False)])
def test_after_so_many_tries_that_led_nearer_there_is_no_other(times: int, opens: bool) -> None:
    near = failed(times)
    for _ in range(100):
        assert near.step() is opens


@pytest.mark.parametrize(("rests_m", "opens"), [(-0.024, True), (-0.026, False)])
def test_what_a_try_has_cost_must_fit_once_more_before_what_is_too_far(
    rests_m: float, opens: bool
) -> None:
    """It failed from 0.05 m; the mower went on until it had braked, and `past_m` is 0.1."""
    near = failed(1)
    assert near.step(rests_m) is opens


def test_the_dearest_try_is_the_one_that_counts() -> None:
    near = failed(1)
    assert near.step(-0.02)
    assert near.creep(-0.02)
    assert not near.creep(-0.035)
    assert not near.step(-0.035)


def test_what_a_try_has_cost_is_forgotten_once_room_demands_no_halt() -> None:
    near = failed(1)
    assert not near.step(-0.09)
    assert not near.step(rung=FULL, demanded=False)
    assert near.step(-0.09)


def test_a_person_lets_it_try_again() -> None:
    near = failed(FAILURES)
    near.way_out.begin()
    assert near.step()


@pytest.mark.parametrize(("rung", "again"), [(HALTED, True), (FULL, True), (BLADE_OFF, False)])
def test_once_room_demands_no_halt_it_may_try_again(rung: Rung, again: bool) -> None:
    """On `blade_off` the way out itself is what milds the demand."""
    near = failed(FAILURES)
    assert not near.step(rung=rung, demanded=False)
    assert near.step() is again


def test_to_forget_a_try_does_not_forget_that_it_failed() -> None:
    near = failed(FAILURES)
    near.way_out.forget()
    assert not near.step()


@pytest.mark.parametrize("ended", [{"bound_m": 0.2}, {"trust": Trust.UNKNOWN}])
def test_a_try_that_ends_otherwise_has_not_failed(ended: dict[str, Any]) -> None:
    near = Near()
    for _ in range(FAILURES + 1):
        assert not near.opened().creep(**ended)


# In the supervisor


def creeping(east_m: float, from_m: float = 29.6) -> tuple[Mower, list[Any]]:
    """A mower that stands with its nose 5 cm before the east line, and then creeps somewhere."""
    mower = Mower(clear_s={"slowed": 0.5, "blade_off": 0.5, "halted": 0.5})
    told = {"heading_deg": 90.0, "speed_mps": 0.0}
    for _ in range(60):
        decision = mower.hear(east_m=from_m, **told)
        if decision.grant.drive:
            break
    decisions = [decision]
    for step in range(1, 80):
        moved = {"east_m": from_m + east_m * step, "speed_mps": 8.0 * abs(east_m)}
        moved["course_deg"] = 90.0 if east_m > 0.0 else 270.0
        decisions.append(mower.hear(heading_deg=90.0, **moved))
    return mower, decisions


def test_it_creeps_with_the_blade_off_at_a_speed_of_its_own() -> None:
    _mower, decisions = creeping(-0.005)
    first = decisions[0]
    assert (first.was, first.rung, first.why) == (HALTED, BLADE_OFF, "way_out")
    assert first.way_out
    assert finding(first, "stopping") is not None
    assert (first.grant.drive, first.grant.blade, first.grant.slow) == (True, False, True)
    assert first.grant.top_speed_mps == 0.05
    for decision in decisions:
        assert decision.rung < HALTED
        assert decision.way_out is (decision.rung is BLADE_OFF)
    # Away from the fence it comes to full as ever.
    assert decisions[-1].rung is FULL
    assert decisions[-1].grant.top_speed_mps > 0.05


def test_once_nothing_would_halt_it_any_more_it_may_go_as_fast_as_the_way_ahead_permits() -> None:
    _mower, decisions = creeping(-0.005)
    creeps = [one for one in decisions if one.way_out]
    for decision in creeps:
        if any(found.rung >= HALTED for found in decision.findings):
            assert decision.grant.top_speed_mps == 0.05
    assert creeps[-1].grant.top_speed_mps > 0.05


def test_driven_towards_the_fence_it_is_halted_at_once_and_waits_again() -> None:
    _mower, decisions = creeping(0.005)
    halted = next(n for n, one in enumerate(decisions) if one.rung is HALTED)
    assert 0.005 * halted < 0.02
    assert not decisions[halted].way_out
    waits = [one.rung for one in decisions[halted : halted + 4]]
    assert waits == [HALTED] * 4


def nearer(mower: Mower, tries: int) -> float:
    """Drives on towards the east line at each way out; where it has come to."""
    east_m = 29.6
    for _ in range(400):
        creeps = mower.last is not None and mower.last.grant.drive
        tries -= creeps and mower.last is not None and mower.last.why == "way_out"
        if tries < 0:
            return east_m
        east_m += 0.005 * creeps
        told = {"speed_mps": 0.04 * creeps, "course_deg": 90.0}
        mower.hear(east_m=east_m, heading_deg=90.0, **told)
    return east_m


def test_driven_nearer_each_time_it_stands_for_good_until_a_reset() -> None:
    mower = Mower()
    east_m = nearer(mower, tries=99)
    assert 29.6 < east_m < 29.6 + FAILURES * 0.03
    standing = {"east_m": east_m, "heading_deg": 90.0, "speed_mps": 0.0}
    for _ in range(100):
        assert mower.hear(**standing).rung is HALTED
    mower.tick(reset=True)
    assert any(mower.hear(**standing).way_out for _ in range(60))


def test_a_try_that_leads_nearer_is_one_of_so_many() -> None:
    """Those before the last leave one."""
    mower = Mower()
    nearer(mower, tries=FAILURES - 1)
    assert mower.last is not None
    assert mower.last.way_out


@pytest.mark.parametrize(
    "spoilt", [{"quality": 5}, {"age_s": 61.0}, {"satellites": 4}, {"age_s": None}]
)
def test_whatever_else_halts_it_leaves_no_way_out(spoilt: dict[str, Any]) -> None:
    mower = Mower(limits={"solution": {"halted": "fixed"}})
    for _ in range(60):
        decision = mower.hear(east_m=29.6, heading_deg=90.0, speed_mps=0.0, **spoilt)
        assert decision.rung is HALTED
        assert not decision.way_out


def test_a_demand_for_locked_leaves_none_either() -> None:
    mower = Mower(limits={"room": {"locked": -0.05}})
    for _ in range(60):
        decision = mower.hear(east_m=29.7, heading_deg=90.0, speed_mps=0.0)
    assert decision.rung is LOCKED


def test_nor_does_one_that_is_open_soften_a_demand_for_locked() -> None:
    """The clearance stays the same; the bound becomes wider, but not twice as wide."""
    mower = Mower(limits={"room": {"halted": 0.0, "locked": -0.05}})
    told: dict[str, Any] = {"east_m": 29.6, "heading_deg": 90.0, "speed_mps": 0.0}
    assert any(mower.hear(**told).way_out for _ in range(60))
    wider = mower.hear(**told, sigma_major_m=0.02)
    assert wider.rung is LOCKED
    assert not wider.way_out


# Where it is told no speed


def stands(for_s: float, east_m: float = 29.48, **changes: Any) -> Any:
    """A mower that stands with its nose before the east line from the start."""
    mower = Mower(clear_s={"slowed": 0.5, "blade_off": 0.5, "halted": 0.5})
    for _ in range(round(for_s / 0.125)):
        decision = mower.hear(east_m=east_m, heading_deg=90.0, **{"speed_mps": 0.0, **changes})
    return decision


def test_a_mower_that_stands_where_it_is_told_no_speed_is_halted_and_let_out() -> None:
    assert finding(stands(3.125), "penned") is None
    assert finding(stands(3.25), "penned") is not None
    out = stands(8.0)
    assert [one.monitor for one in out.findings] == ["penned"]
    assert (out.way_out, out.rung, out.grant.top_speed_mps) == (True, BLADE_OFF, 0.05)


@pytest.mark.parametrize("elsewhere", [{"east_m": 29.3}, {"speed_mps": 0.11}])
def test_one_that_drives_or_is_told_a_speed_is_not_penned(elsewhere: dict[str, float]) -> None:
    assert stands(8.0, **elsewhere).situation.penned_s is None
