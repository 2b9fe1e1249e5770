"""Faults of the receiver's clock, and of a mower that does not go as it is granted."""

from random import Random

from fenceguard.simulator.fault import Fault, Stage, to, towards, world_to


def _utc_back(random: Random) -> list[Stage]:
    return [Stage(0.0, to(utc_step_s=-random.uniform(2.0, 40.0)))]


def _leap_second(_random: Random) -> list[Stage]:
    """The receiver learns of a leap second late, and tells one second twice."""
    return [Stage(0.0, to(utc_step_s=-1.0))]


def _date_ahead(random: Random) -> list[Stage]:
    return [Stage(0.0, to(date_ahead_days=random.choice((1, 7, 7168))))]


def _epoch_ahead(random: Random) -> list[Stage]:
    return [Stage(0.0, to(utc_ahead_s=random.uniform(0.5, 5.0)))]


def _utc_fast(random: Random) -> list[Stage]:
    return [
        Stage(0.0, to(utc_rate=random.choice((1.05, 1.5, 5.0, 50.0)))),
        Stage(random.uniform(10.0, 30.0), to(utc_rate=1.0)),
    ]


def _carried(random: Random) -> list[Stage]:
    return [
        Stage(0.0, world_to(carried_mps=towards(random, 1.0, 1.6))),
        Stage(random.uniform(2.0, 8.0), world_to(carried_mps=(0.0, 0.0))),
    ]


def _too_fast(random: Random) -> list[Stage]:
    return [
        Stage(0.0, world_to(pace_mps=random.uniform(0.8, 1.4))),
        Stage(random.uniform(5.0, 30.0), world_to(pace_mps=0.0)),
    ]


def _creeping_unseen(random: Random) -> list[Stage]:
    """The mower slows to a creep; then the receiver tells the same again and again."""
    slow_s = random.uniform(1.0, 3.0)
    seen_s = slow_s + random.uniform(5.0, 40.0)
    return [
        Stage(0.0, world_to(pace_mps=random.uniform(0.05, 0.2))),
        Stage(slow_s, to(place_held=True, motion_held=True)),
        Stage(seen_s, to(place_held=False, motion_held=False)),
        Stage(seen_s, world_to(pace_mps=0.0)),
    ]


def _bolting_unseen(random: Random) -> list[Stage]:
    """Creeping, then straight ahead, faster and faster, while nothing is told."""
    slow_s = random.uniform(2.0, 4.0)
    seen_s = slow_s + random.uniform(0.5, 3.0)
    return [
        Stage(0.0, world_to(pace_mps=0.1)),
        Stage(slow_s, world_to(pace_mps=0.0, straight=True)),
        Stage(slow_s + 0.01, to(silent=True)),
        Stage(seen_s, to(silent=False)),
        Stage(seen_s + 0.5, world_to(straight=False)),
    ]


CLOCKS = (
    Fault("utc_back", _utc_back),
    Fault("leap_second", _leap_second),
    Fault("date_ahead", _date_ahead),
    Fault("epoch_ahead", _epoch_ahead),
    Fault("utc_fast", _utc_fast),
)
"""In the order in which a campaign takes them; so below."""
DRIVEN = (
    Fault(
        "carried",
        _carried,
        "whoever is carried over the line within an epoch, its way to the lines and the blade's "
        "run-down, at 1.6 m/s within 0.6 m of it and 1.6 m more, is out before anything can act; "
        "a lift switch at the blade, a quicker blade brake or a faster receiver helps",
    ),
    Fault("too_fast", _too_fast),
    Fault("creeping_unseen", _creeping_unseen),
    Fault("bolting_unseen", _bolting_unseen),
)
