"""Faults after which a position looks as good as ever, and is not."""

from random import Random

from fenceguard.simulator.fault import Fault, Stage, ramp, to, towards
from fenceguard.simulator.state import FIXED, FLOAT, HDOP, SINGLE, Offset, refix_s

SMOOTH_S = 0.05


def _step(random: Random) -> list[Stage]:
    return [Stage(0.0, to(wrong_m=towards(random, 0.15, 1.0)))]


def _drift_that_ends(random: Random) -> list[Stage]:
    drifts_mps = towards(random, 0.02, 0.08)
    lasts_s = random.uniform(5.0, 20.0)
    return [
        Stage(0.0, to(drifting_mps=drifts_mps)),
        Stage(lasts_s, to(drifting_mps=(0.0, 0.0))),
    ]


def _off_on_silence(random: Random) -> list[Stage]:
    return [
        Stage(0.0, to(silent=True)),
        Stage(random.uniform(0.4, 3.0), to(silent=False, wrong_m=towards(random, 0.2, 1.0))),
    ]


def _off_on_restart(random: Random) -> list[Stage]:
    single_s = random.uniform(3.0, 8.0)
    float_s = single_s + random.uniform(2.0, 6.0)
    return [
        Stage(0.0, to(silent=True)),
        Stage(single_s, to(silent=False, kind=SINGLE)),
        Stage(float_s, to(kind=FLOAT)),
        Stage(
            float_s + random.uniform(2.0, 15.0),
            to(kind=FIXED, wrong_m=towards(random, 0.3, 2.0)),
        ),
    ]


def _place_held(random: Random) -> list[Stage]:
    return _held(random, place_held=True)


def _all_held(random: Random) -> list[Stage]:
    return _held(random, place_held=True, motion_held=True)


def _held(random: Random, **what: bool) -> list[Stage]:
    let_go = dict.fromkeys(what, False)
    return [Stage(0.0, to(**what)), Stage(random.uniform(3.0, 30.0), to(**let_go))]


def _course_lost(random: Random) -> list[Stage]:
    offset_m: Offset = towards(random, 0.2, 0.8) if random.random() < 0.5 else (0.0, 0.0)
    return [
        Stage(0.0, to(course=False)),
        Stage(random.uniform(0.0, 10.0), to(wrong_m=offset_m)),
        Stage(random.uniform(10.0, 40.0), to(course=True)),
    ]


def _speed_lost(random: Random) -> list[Stage]:
    return [
        Stage(0.0, to(speed=False)),
        Stage(random.uniform(0.0, 10.0), to(wrong_m=towards(random, 0.2, 0.8))),
        Stage(random.uniform(10.0, 40.0), to(speed=True)),
    ]


def _geoid_lost(random: Random) -> list[Stage]:
    up_m = random.choice((-1.0, 1.0)) * random.uniform(0.4, 1.2)
    return [
        Stage(0.0, to(kind=FLOAT, geoid=False)),
        Stage(
            refix_s(random),
            to(kind=FIXED, wrong_m=towards(random, 0.1, 1.0), wrong_up_m=up_m),
        ),
    ]


def _heading_off(random: Random) -> list[Stage]:
    off_deg = random.choice((-1.0, 1.0)) * random.uniform(20.0, 40.0)
    return [
        Stage(0.0, to(heading_off_deg=off_deg)),
        Stage(random.uniform(10.0, 40.0), to(heading_off_deg=0.0)),
    ]


def _tiny_sigma(random: Random) -> list[Stage]:
    return [Stage(0.0, to(sigma_m=0.001, error_times=random.uniform(1.0, 4.0)))]


def _hdop_zero(random: Random) -> list[Stage]:
    return [Stage(0.0, to(gst=False, hdop=0.0, error_times=random.uniform(1.0, 4.0)))]


def _sigma_withheld(random: Random) -> list[Stage]:
    warns_s = random.uniform(1.0, 5.0)
    again_s = warns_s + random.uniform(10.0, 30.0)
    times = random.uniform(4.0, 15.0)
    return [
        Stage(0.0, to(error_times=times, sigma_m=0.010 * times)),
        Stage(warns_s, to(gst=False)),
        Stage(again_s, to(gst=True, error_times=1.0, sigma_m=0.0, hdop=HDOP)),
    ]


def _leaning(random: Random) -> list[Stage]:
    """A mast of 0.3 to 0.8 m on a slope of 5 to 15 degrees, that is reached within some metres."""
    lean_m = towards(random, 0.03, 0.2)
    return ramp("lean_m", lean_m, random.uniform(2.0, 6.0), SMOOTH_S)


UNSEEN = (
    "within the way that the mower may have driven unseen before it was halted, up to 1 m at "
    "0.5 m/s, is where the mower may be"
)
UNSEEN_HELP = "a sooner halt, a wider margin or a ground mark helps"

BELIEVED = (
    Fault(
        "step",
        _step,
        "up to 0.25 m a step is no more than the bounds, the noise of positions and speeds, and "
        "trust.doubt_m; smaller bounds, a calmer speed or a wider margin helps",
    ),
    Fault(
        "drift_that_ends",
        _drift_that_ends,
        "up to about 3 cm/s a drift may be the speed's own error, and while the mower stands or "
        "creeps without a course, up to the speed that is told; a calmer speed or a wider margin "
        "helps",
    ),
    Fault(
        "off_on_silence",
        _off_on_silence,
        f"an offset {UNSEEN}; {UNSEEN_HELP}",
    ),
    Fault(
        "off_on_restart",
        _off_on_restart,
        f"an offset {UNSEEN}; {UNSEEN_HELP}",
    ),
    Fault("place_held", _place_held),
    Fault("all_held", _all_held),
    Fault(
        "course_lost",
        _course_lost,
        "an offset within the way that the mower may have gone in a direction that is not told, "
        f"up to 0.25 m, is where the mower may be; a receiver that tells its course, {UNSEEN_HELP}",
    ),
    Fault(
        "speed_lost",
        _speed_lost,
        f"an offset {UNSEEN}, once speed is told again; a receiver that tells its speed, "
        f"{UNSEEN_HELP}",
    ),
    Fault("geoid_lost", _geoid_lost),
    Fault("heading_off", _heading_off),
    Fault("tiny_sigma", _tiny_sigma),
    Fault("hdop_zero", _hdop_zero),
    Fault("sigma_withheld", _sigma_withheld),
    Fault(
        "leaning",
        _leaning,
        "mast height times the sine of the slope is told as if the mower were there, and the "
        "antenna's own speed agrees; a low antenna, a fence with heights that show the slope, or "
        "a wider margin helps",
    ),
)
"""In the order in which a campaign takes them."""
