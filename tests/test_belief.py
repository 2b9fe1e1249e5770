"""Belief: what is made of epochs, over random honest drives and with every kind of error."""

import copy
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.judgement.belief import DRIVES, SPEAKS_S, STRAIN
from fenceguard.judgement.bound import Bounds
from fenceguard.judgement.types import Trust
from fenceguard.lawn.surface import Plane
from fenceguard.receiver.epoch import Epoch
from tests.conftest import many
from tests.support.believing import SIGMA_M, Believing, far, standing
from tests.support.motion import LEGS, Leg, Moment, drive, every
from tests.support.trusting import parameters

PARAMETERS = parameters()
TRUST = PARAMETERS.trust
WIDE: dict[str, Any] = {"sigma_major_m": 0.2}
"""A bound of about a metre."""


def bound_m(**fields: Any) -> float:
    epoch = Epoch(1e9, **{"quality": 4, "sigma_major_m": SIGMA_M, **fields})
    bound = Bounds(PARAMETERS.bound).hear(0.0, epoch)
    assert bound is not None
    return bound.radius_m


# An honest mower, whatever it drives and whatever is not heard

GAPS = st.lists(
    st.tuples(
        st.integers(5, 200),
        st.integers(1, 10),
        st.sampled_from(["silent", "float", "wide", "no speed", "no solution"]),
    ),
    max_size=4,
)


@settings(max_examples=many(1.0))
@given(
    legs=LEGS,
    rate_hz=st.sampled_from([1, 5, 10]),
    gaps=GAPS,
    seed=st.integers(0, 2**32 - 1),
    speed_at_1_hz=st.booleans(),
)
def test_an_honest_mower_is_never_doubted(
    legs: list[Leg],
    rate_hz: int,
    gaps: list[tuple[int, int, str]],
    seed: int,
    speed_at_1_hz: bool,
) -> None:
    """Positions with 5 mm of noise along each axis, and speeds with 1 cm/s: numpy's generator.

    And what is believed holds the true place all the time.
    """
    one, rng = Believing(), np.random.default_rng(seed)
    away = {first + n: what for first, count, what in gaps for n in range(count)}
    fields: dict[str, dict[str, Any]] = {
        "float": {"quality": 5, "sigma_major_m": 0.4},
        "wide": WIDE,
        "no solution": {"quality": 0, "position": False},
        "no speed": {"speeds": False},
    }
    for number, moment in enumerate(every(drive([Leg(3.0, 0.0, 0.0), *legs]), 1.0 / rate_hz)):
        what = away.get(number, "")
        off_m, east_mps, north_mps = rng.normal(0.0, 0.005, 2), *rng.normal(0.0, 0.01, 2)
        if what == "silent":
            continue
        if what == "float":
            off_m = off_m * 40.0
        told = moment._replace(
            east_mps=moment.east_mps + east_mps, north_mps=moment.north_mps + north_mps
        )
        speeds = not speed_at_1_hz or number % rate_hz == 0
        given = {"speeds": speeds, **fields.get(what, {})}
        believed = one.hear(told, (float(off_m[0]), float(off_m[1])), **given)
        assert believed.evidence.trust is not Trust.DOUBTED
        if believed.place is not None:
            assert believed.bound is not None
            assert math.dist(believed.place, moment.place) <= believed.bound.radius_m


@settings(max_examples=many(0.5))
@given(
    legs=LEGS,
    rate_hz=st.sampled_from([1, 5, 10]),
    at=st.floats(0.2, 1.0),
    gap=st.integers(0, 8),
    silent=st.booleans(),
    angle=st.floats(0.0, math.tau),
    beyond_m=st.floats(0.001, 20.0),
)
def test_any_step_beyond_bound_reckoning_and_doubt_is_doubted_at_the_next_told_epoch(
    legs: list[Leg],
    rate_hz: int,
    at: float,
    gap: int,
    silent: bool,
    angle: float,
    beyond_m: float,
) -> None:
    one, truth = Believing(), every(drive([Leg(3.0, 0.0, 0.0), *legs]), 1.0 / rate_hz)
    last = max(2, int(at * (len(truth) - 1)))
    for number, moment in enumerate(truth[:last]):
        if number < last - gap or number < 2:
            one.hear(moment)
        elif not silent:
            one.hear(moment, quality=5, sigma_major_m=0.4)
    honest = copy.deepcopy(one)
    reckoned = honest.hear(truth[last], quality=5, sigma_major_m=40.0)
    assert reckoned.place is not None and reckoned.evidence.reach_m is not None
    off_m = reckoned.evidence.reach_m + TRUST.doubt_m + beyond_m
    off = off_m * math.sin(angle), off_m * math.cos(angle)
    error = [a - b for a, b in zip(reckoned.place, truth[last].place, strict=True)]
    believed = one.hear(truth[last], (error[0] + off[0], error[1] + off[1]))
    assert believed.evidence.trust is Trust.DOUBTED
    # Whichever of the two is right, the mower is in here.
    assert believed.place is not None and believed.bound is not None
    assert math.dist(believed.place, truth[last].place) <= believed.bound.radius_m + 1e-9


# Place and bound to go by


def test_what_is_trusted_is_believed_as_it_is() -> None:
    believed = standing().stands(2.2, 0.01)
    assert believed.place == (0.01, 0.0)
    assert believed.bound is not None
    assert believed.bound.radius_m == pytest.approx(bound_m())
    assert (believed.bound.reach_m, believed.bound.unexplained_m) == (0.0, 0.0)


@pytest.mark.parametrize(
    "fields", [{"quality": 5, "sigma_major_m": 0.4}, WIDE, {"quality": 1}, {"quality": 6}]
)
def test_a_worse_position_than_the_reach_tells_nothing(fields: dict[str, Any]) -> None:
    """A float that wanders, a wide fix, or one without any bound: the mower is in the reach."""
    one = standing()
    believed = one.stands(2.2, 1.5, **fields)
    assert believed.place == pytest.approx((0.0, 0.0), abs=1e-9)
    assert believed.bound is not None
    assert believed.bound.radius_m == believed.bound.reach_m == believed.evidence.reach_m
    # Nothing of the position's own bound is told with it.
    assert believed.bound[:-2] == (0.0,) * 8
    assert believed.evidence.trust is Trust.TRUSTED


def test_a_better_position_than_the_reach_is_believed_though_not_trusted() -> None:
    one = standing()
    believed = one.stands(60.0, 1.0, quality=5, sigma_major_m=0.2)
    assert believed.evidence.reach_m is not None and believed.bound is not None
    assert believed.bound.radius_m < believed.evidence.reach_m
    assert believed.place == (1.0, 0.0)
    assert believed.evidence.trust is Trust.UNKNOWN


def test_before_any_sight_a_position_is_all_that_there_is() -> None:
    one = Believing()
    believed = one.stands(0.0, 1.0, quality=5, sigma_major_m=0.2)
    assert believed.place == (1.0, 0.0)
    assert believed.bound is not None
    assert believed.evidence.trust is Trust.UNKNOWN
    assert believed.evidence.reach_m is None
    assert one.stands(0.2, quality=6).bound is None


def test_without_a_position_there_is_no_place() -> None:
    believed = standing().stands(2.2, position=False, quality=0)
    assert (believed.place, believed.bound) == (None, None)
    assert believed.evidence.trust is Trust.TRUSTED


def test_what_is_not_likely_widens_the_bound() -> None:
    """Up to all that the position is off."""
    believed = standing().stands(2.2, 0.02 + bound_m())
    assert believed.bound is not None
    excess_m = 0.02 + bound_m() - max(bound_m(), believed.evidence.reach_m or 0.0)
    assert believed.bound.unexplained_m == pytest.approx(STRAIN * excess_m, abs=0.02)
    assert believed.bound.radius_m == pytest.approx(bound_m() + believed.bound.unexplained_m)
    assert believed.evidence.trust is Trust.TRUSTED


@pytest.mark.parametrize("off_m", [0.5, 12.0])
def test_in_doubt_both_places_are_held(off_m: float) -> None:
    one = standing()
    believed = one.stands(2.2, off_m)
    assert believed.evidence.trust is Trust.DOUBTED
    assert believed.place == (off_m, 0.0)
    assert believed.bound is not None and believed.evidence.reach_m is not None
    assert believed.bound.radius_m == pytest.approx(off_m + believed.evidence.reach_m)
    # A float as well.
    believed = one.stands(2.4, off_m / 2.0, quality=5, sigma_major_m=0.05)
    assert believed.place == (off_m / 2.0, 0.0)
    assert believed.bound is not None and believed.evidence.reach_m is not None
    both_m = off_m / 2.0 + believed.evidence.reach_m
    assert believed.bound.radius_m == pytest.approx(
        max(both_m, bound_m(quality=5, sigma_major_m=0.05))
    )


def test_in_doubt_a_position_without_a_bound_may_be_anywhere() -> None:
    """The reach is contradicted, and tells nothing alone."""
    one = standing()
    one.stands(2.2, 0.5)
    assert one.stands(2.4, 0.5, quality=6).bound is None


# Sights


def test_a_wide_fix_neither_becomes_the_anchor_nor_contradicts() -> None:
    one = standing()
    for number in range(11, 61):
        believed = one.stands(0.2 * number, 0.9, **WIDE)
        assert believed.evidence.trust is Trust.TRUSTED
        assert believed.evidence.excess_m is None
    assert one.stands(12.4).evidence.trust is Trust.TRUSTED
    # Nor one that comes first.
    one = Believing()
    assert one.stands(0.0, 0.9, **WIDE).evidence.trust is Trust.UNKNOWN
    assert one.stands(0.2).evidence.trust is Trust.TRUSTED
    assert one.stands(0.4).evidence.trust is Trust.TRUSTED


@pytest.mark.parametrize(("more_m", "is_anchor"), [(-1e-4, True), (1e-4, False)])
def test_a_bound_up_to_a_setting_makes_an_anchor(more_m: float, is_anchor: bool) -> None:
    sigma_m = SIGMA_M * (TRUST.anchor_m + more_m - 0.01) / (bound_m() - 0.01)
    believed = Believing().stands(0.0, sigma_major_m=sigma_m)
    assert (believed.evidence.trust is Trust.TRUSTED) == is_anchor


@pytest.mark.parametrize("quality", [0, 1, 2, 3, 5, 6, 7, 8, None])
def test_only_a_fix_is_a_sight(quality: int | None) -> None:
    one = Believing(parameters(bound={"optimism": {"float": 1.0}, "floor_m": {"float": 0.0}}))
    believed = one.stands(0.0, quality=quality, sigma_major_m=0.01)
    assert believed.evidence.trust is Trust.UNKNOWN


# Speeds


def test_without_any_speed_nothing_vouches_for_a_position() -> None:
    one = Believing()
    for number in range(20):
        assert one.stands(0.2 * number, speeds=False).evidence.trust is Trust.UNKNOWN
    assert one.stands(4.0).evidence.trust is Trust.TRUSTED


def test_unless_that_is_allowed() -> None:
    one = Believing(parameters(trust={"without_speed": True}))
    for number in range(100):
        believed = one.stands(0.2 * number, speeds=False)
        assert believed.evidence.trust is Trust.TRUSTED
    # What no grant explains is doubted still.
    assert one.stands(20.0, 1.5, speeds=False).evidence.trust is Trust.DOUBTED


def test_where_it_is_allowed_a_reset_helps_a_receiver_that_tells_no_speed_any_more() -> None:
    one = standing(parameters(trust={"without_speed": True}))
    for number in range(11, 500):
        one.stands(0.2 * number, speeds=False)
    one.belief.trust_again()
    for number in range(500, 600):
        believed = one.stands(0.2 * number, speeds=False)
    assert believed.evidence.trust is Trust.TRUSTED


@pytest.mark.parametrize(("period_s", "lasts_s"), [(0.2, SPEAKS_S), (1.0, 4.0)])
def test_a_speed_vouches_for_a_while(period_s: float, lasts_s: float) -> None:
    """For four of its periods, and for no less than the setting's time."""
    one, per = Believing(), round(period_s / 0.2)
    for number in range(10 * per + 1):
        one.stands(0.2 * number, speeds=number % per == 0)
    told_s, at_s = 2.0 * period_s * 5, 0.2 * number
    assert at_s == pytest.approx(told_s)
    while at_s < told_s + lasts_s - 0.3:
        at_s += 0.2
        assert one.stands(at_s, speeds=False).evidence.trust is Trust.TRUSTED
    assert one.stands(told_s + lasts_s - 0.01, speeds=False).evidence.trust is Trust.TRUSTED
    assert one.stands(told_s + lasts_s + 0.01, speeds=False).evidence.trust is Trust.UNKNOWN


@pytest.mark.parametrize("mps", [3.0, 171.0])
def test_an_outlier_speed_changes_nothing(mps: float) -> None:
    """Neither where the mower is reckoned to be, nor trust, and it is told apart."""
    ways = []
    for outlier_mps in (None, mps):
        one, truth = Believing(), every(drive([Leg(20.0, 0.4, 0.1)]), 0.2)
        for number, moment in enumerate(truth):
            told: dict[str, Any] = {"speed_mps": outlier_mps} if number == 50 else {}
            believed = one.hear(moment, **told)
            assert believed.odd == (number == 50 and outlier_mps is not None)
            assert believed.evidence.trust is Trust.TRUSTED
        ways.append((believed.place, believed.bound, believed.evidence.reach_m))
    assert ways[0] == ways[1]


def test_by_how_much_the_mower_is_too_fast() -> None:
    one = standing()
    believed = one.hear(Moment(2.2, 0.1, 0.0, 0.6, 0.0))
    assert believed.evidence.over_mps == pytest.approx(0.1)
    assert one.stands(2.4, speeds=False).evidence.over_mps is None
    believed = one.stands(2.6)
    assert believed.evidence.over_mps == pytest.approx(-TRUST.top_mps)


# Positions that stand still while the mower does not

FROZEN: dict[str, Any] = {"lat_deg": 50.0, "lon_deg": 10.0}


def test_identical_fine_digits_are_one_measurement_at_once() -> None:
    one = standing()
    assert one.stands(2.2, digit_m=0.0001852, **FROZEN).fresh
    believed = one.stands(2.4, digit_m=0.0001852, **FROZEN)
    assert not believed.fresh
    assert believed.evidence.same_s == pytest.approx(0.2, abs=1e-5)


def test_identical_coarse_digits_are_once_the_mower_must_have_moved() -> None:
    """By the speeds that it tells."""
    one = standing()
    for number in range(11, 200):
        moment = Moment(0.2 * number, 0.0, 0.0, 0.4, 0.0)
        if not one.hear(moment, digit_m=0.01852, **FROZEN).fresh:
            break
    way_m = 0.05 + 2.0 * 0.01852
    assert 0.2 * (number - 11) == pytest.approx(way_m / 0.4, abs=0.45)


def test_a_mower_that_tells_that_it_stands_may_stay_where_it_is() -> None:
    one = standing()
    for number in range(11, 300):
        assert one.stands(0.2 * number, digit_m=0.01852, **FROZEN).fresh


def test_without_speeds_a_granted_mower_is_taken_to_drive() -> None:
    one = Believing(parameters(trust={"without_speed": True}))
    for number in range(100):
        if not one.stands(0.2 * number, speeds=False, digit_m=0.01852, **FROZEN).fresh:
            break
    way_m = 0.05 + 2.0 * 0.01852
    assert 0.2 * number == pytest.approx(way_m / (DRIVES * TRUST.top_mps), abs=0.45)


def test_with_the_drive_off_a_position_may_stay_the_same() -> None:
    one = standing(granted=0.0)
    one.belief.granted(0.0)
    for number in range(50, 300):
        assert one.stands(0.2 * number, digit_m=0.01852, **FROZEN).fresh


# The receiver's clock


@pytest.mark.parametrize("set_s", [-18.0, -1.0, 2.0, 86400.0])
def test_a_clock_that_was_set_costs_no_trust(set_s: float) -> None:
    one, truth = Believing(), every(drive([Leg(30.0, 0.4, 0.1)]), 0.2)
    for number, moment in enumerate(truth):
        believed = one.hear(moment, utc_off_s=set_s if number >= 60 else 0.0)
        assert believed.evidence.trust is Trust.TRUSTED
        if number != 60:
            assert believed.utc_lag_s == pytest.approx(0.0, abs=1e-5)
        assert believed.at_s == pytest.approx(moment.at_s, abs=1e-4)


@pytest.mark.parametrize("ahead_s", [2.0, 86400.0])
def test_one_epoch_ahead_costs_no_trust_either(ahead_s: float) -> None:
    one, truth = Believing(), every(drive([Leg(30.0, 0.4, 0.1)]), 0.2)
    for number, moment in enumerate(truth):
        believed = one.hear(moment, utc_off_s=ahead_s if number == 60 else 0.0)
        assert believed.evidence.trust is Trust.TRUSTED
        assert (believed.evidence.leap_s > 0.0) == (number == 60)
        assert believed.evidence.late_s == pytest.approx(0.0, abs=1e-4)


def test_a_clock_that_runs_fast_is_found() -> None:
    one, found = Believing(), []
    for number, moment in enumerate(every(drive([Leg(20.0, 0.4, 0.1)]), 0.2)):
        believed = one.hear(moment, utc_off_s=49.0 * moment.at_s)
        if number:
            found.append(believed.evidence.leap_s)
    assert min(found) > 0.5


# What stays away


@pytest.mark.parametrize(
    ("name", "field"), [("heading", "heading_deg"), ("sigma", "sigma_major_m")]
)
def test_what_was_learned_and_stays_away_is_named(name: str, field: str) -> None:
    one = Believing()
    for number in range(50):
        assert one.stands(0.2 * number, heading_deg=90.0).evidence.missing == ""
    assert name in one.belief.learned.fields
    away: dict[str, Any] = {"heading_deg": 90.0, field: None}
    for number in range(50, 60):
        believed = one.stands(0.2 * number, **away)
    assert believed.evidence.missing == name
    assert believed.evidence.missing_s == pytest.approx(1.8, abs=0.01)
    one.belief.trust_again()
    believed = one.stands(12.0, **away)
    assert believed.evidence.missing == ""
    assert one.belief.learned.fields == ()


def test_a_sigma_that_stays_away_widens_the_bound() -> None:
    one, radii_m = standing(), []
    for number in range(11, 200):
        believed = one.stands(0.2 * number, sigma_major_m=None)
        assert believed.bound is not None
        radii_m.append(believed.bound.radius_m)
    # Until the bound is too wide for a sight, and the reach is what tells.
    assert radii_m[:50] == sorted(radii_m[:50])
    assert radii_m[0] < radii_m[30] < radii_m[49]


# The slope


@pytest.mark.parametrize("slope_deg", [0.0, 10.0, 25.0])
@pytest.mark.parametrize("bearing_deg", [0.0, 90.0, 200.0])
def test_a_known_slope_is_taken_out_of_the_place(slope_deg: float, bearing_deg: float) -> None:
    """A mast that stands square on a slope leans downhill by its height times the sine of it."""
    rise = math.tan(math.radians(slope_deg))
    bearing = math.radians(bearing_deg)
    east, north = rise * math.sin(bearing), rise * math.cos(bearing)
    corners = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)]
    surface = Plane(np.array([(e, n, 5.0 + east * e + north * n) for e, n in corners]))
    given = parameters(mower={"antenna_height_m": 0.5})
    believed = Believing(given, surface).stands(0.0)
    assert believed.place is not None and believed.bound is not None
    leans_m = 0.5 * math.sin(math.radians(slope_deg))
    assert believed.place == pytest.approx(
        (leans_m * math.sin(bearing), leans_m * math.cos(bearing)), abs=1e-9
    )
    assert believed.bound.tilt_m == 0.0


def test_a_slope_that_is_not_known_widens_the_bound() -> None:
    given = parameters(mower={"antenna_height_m": 0.5, "stopping": {"slope_deg": 6.0}})
    believed = Believing(given).stands(0.0)
    assert believed.bound is not None
    assert believed.bound.tilt_m == pytest.approx(0.5 * math.sin(math.radians(6.0)))
    assert believed.place == (0.0, 0.0)


@pytest.mark.parametrize("height", [{}, {"antenna_height_m": 0.0}])
def test_without_a_mast_nothing_leans(height: dict[str, float]) -> None:
    surface = Plane(np.array([[0, 0, 0], [9, 0, 3], [9, 9, 3], [0, 9, 0]], dtype=float))
    for one in (surface, None):
        believed = Believing(parameters(mower=height), one).stands(0.0)
        assert believed.place == (0.0, 0.0)
        assert believed.bound is not None
        assert believed.bound.tilt_m == 0.0


# Beginning again


def test_a_person_at_the_machine_ends_a_doubt_and_a_false_promptest_epoch() -> None:
    one = standing()
    assert one.stands(2.2, 0.5).evidence.trust is Trust.DOUBTED
    assert (one.stands(2.4, 0.5, utc_off_s=-0.15).evidence.late_s or 0.0) > 0.1
    one.belief.trust_again()
    believed = one.stands(2.6, 0.5, utc_off_s=-0.15)
    assert believed.evidence.trust is Trust.TRUSTED
    assert believed.evidence.late_s == 0.0
    assert far(believed, one.stands(2.8, 0.5, utc_off_s=-0.15)) < 1e-9


def test_at_a_new_beginning_nothing_is_known() -> None:
    one = standing()
    one.belief.begin(100.0)
    assert one.belief.learned == (None, (), None)
    believed = one.stands(100.0, 50.0)
    assert believed.evidence.trust is Trust.TRUSTED
    assert believed.at_s == 0.0
