"""Exhaustive walks: every state that the ladder can reach, and every input in each of them.

And of trust every sequence of a few inputs, as its states are not finite.

Times are whole seconds. A time that has passed the longest of all clear times makes no further
difference, so the states are finite.
"""

import copy
import itertools
from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

import pytest

from fenceguard.judgement.ladder import Ladder
from fenceguard.judgement.trust import SpeedTold
from fenceguard.judgement.types import Rung, Trust
from fenceguard.settings import Settings
from tests.support.lawns import OUTLINE
from tests.support.trusting import TRUST, Watched

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung
CLEAR_S = {SLOWED: 1.0, BLADE_OFF: 2.0, HALTED: 3.0}
CLEAR_ROOM_S = {SLOWED: 1.0, BLADE_OFF: 1.0, HALTED: 2.0}
BLADE_DELAY_S = 2.0
LONGEST_S = 4.0
STEPS_S = (0.0, 1.0, 2.0, 3.0)
"""Shorter than each clear time, equal to it, and longer."""


class Input(NamedTuple):
    """One step of the reduced alphabet."""

    after_s: float
    demand: Rung
    reset: bool
    may_arm: bool
    of_room: bool
    has_room: bool


BOTH = (False, True)
ALPHABET = [Input(*one) for one in itertools.product(STEPS_S, Rung, BOTH, BOTH, BOTH, BOTH)]


class Shadow(NamedTuple):
    """What the invariants speak of, kept apart from the ladder."""

    without_blade_s: float
    """Since it stood on a rung that stops the blade."""
    clear_s: tuple[float, ...]
    """For each rung, since it was demanded or one below it."""
    only_room: bool
    """Nothing but room was demanded since it stood on `full`."""


def ladder(start: str) -> Ladder:
    content = {
        "fence": "x",
        "outputs": "none",
        "mower": {"outline_m": OUTLINE, "antenna_m": [0, 0]},
        "start": start,
        "blade_delay_s": BLADE_DELAY_S,
        "clear_s": {rung.word: clear_s for rung, clear_s in CLEAR_S.items()},
        "clear_room_s": {rung.word: clear_s for rung, clear_s in CLEAR_ROOM_S.items()},
    }
    made = Ladder(Settings.model_validate(content).parameters().ladder)
    made.forget(0.0)
    return made


def key(state: Ladder, shadow: Shadow, now_s: float) -> tuple[object, ...]:
    """All that the future depends on, counted from now."""
    held_s = tuple(min(LONGEST_S, now_s - since_s) for since_s in state._held_since_s)
    blade_s = max(-LONGEST_S, min(LONGEST_S, now_s - state._blade_from_s))
    return state.rung, state.armed, state._only_room, held_s, blade_s, shadow


def stepped(state: Ladder, shadow: Shadow, now_s: float, given: Input) -> tuple[Ladder, Shadow]:
    """The state a step later; asserts every invariant on the way."""
    after = copy.copy(state)
    after._held_since_s = list(state._held_since_s)
    then_s = now_s + given.after_s
    move = after.step(then_s, *given[1:])
    grant = after.grant(then_s)
    clear_s = tuple(
        0.0 if rung is not FULL and given.demand >= rung else min(LONGEST_S, was_s + given.after_s)
        for rung, was_s in zip(Rung, shadow.clear_s, strict=True)
    )
    only_room = shadow.only_room and (given.of_room or given.demand is FULL)
    # Down at once, and never above what is demanded.
    assert after.rung >= given.demand
    if given.demand > state.rung:
        assert (after.rung, move.why) == (given.demand, "demand")
    # Up one rung a step, after the clear time, and from locked by a reset alone.
    assert after.rung >= state.rung - 1
    if after.rung < state.rung:
        if state.rung is LOCKED:
            assert given.reset and after.rung is HALTED
        else:
            needed_s = CLEAR_ROOM_S if only_room else CLEAR_S
            assert clear_s[state.rung] >= needed_s[state.rung]
        if state.rung is HALTED:
            assert after.armed
        if state.rung is SLOWED:
            assert given.has_room
    if after.rung > state.rung:
        assert given.demand == after.rung
    # The lines, and the blade's own delay.
    assert grant.drive is (after.rung < HALTED)
    assert grant.slow is (after.rung is not FULL)
    stopped = max(state.rung, after.rung) >= BLADE_OFF
    without_s = 0.0 if stopped else min(LONGEST_S, shadow.without_blade_s + given.after_s)
    if grant.blade:
        assert after.rung < BLADE_OFF
        assert without_s >= BLADE_DELAY_S
    assert grant.warning is (after.rung < BLADE_OFF and not grant.blade)
    if after.rung is FULL:
        assert grant.blade and given.demand is FULL
    only_room = after.rung is FULL or (only_room and after.rung is not LOCKED)
    return after, Shadow(without_s, clear_s, only_room)


def reachable(start: str) -> Iterator[tuple[Ladder, Shadow]]:
    """Every state, each once; times are moved so that now is 0."""
    first = ladder(start), Shadow(0.0, (0.0,) * len(Rung), False)
    seen = {key(*first, 0.0)}
    waiting = [first]
    while waiting:
        state, shadow = waiting.pop()
        yield state, shadow
        for given in ALPHABET:
            after, later = stepped(state, shadow, 0.0, given)
            after._held_since_s = [
                max(-LONGEST_S, since_s - given.after_s) for since_s in after._held_since_s
            ]
            after._blade_from_s = max(-LONGEST_S, after._blade_from_s - given.after_s)
            place = key(after, later, 0.0)
            if place not in seen:
                seen.add(place)
                waiting.append((after, later))


@pytest.mark.parametrize("start", ["halted", "locked"])
def test_every_reachable_state_and_every_input_keep_the_invariants(start: str) -> None:
    states = list(reachable(start))
    # All rungs are reached, armed or not where both can be; else the walk shows nothing.
    found = {(state.rung, state.armed) for state, _ in states}
    assert {rung for rung, _ in found} == set(Rung)
    assert {(HALTED, False), (HALTED, True), (LOCKED, False), (FULL, True)} <= found
    assert (LOCKED, True) not in found
    assert len(states) > 500


# Trust

FAR_M = 1.0
LENGTH = 6
MOVES = ("sight", "far", "far after a loss", "far after a loss too soon", "loss", "mute", "reset")


def moved(before: Watched, move: str) -> Watched:
    """The same machine after one more input; the mower stands."""
    after = copy.deepcopy(before)
    if move == "reset":
        after.trust.forget()
        return after
    apart_s = TRUST.fixes_apart_s if move == "far after a loss" else 0.2
    if "after a loss" in move:
        after.passes(apart_s / 2.0)
        after.loses()
    after.passes(apart_s / 2.0)
    if move == "loss":
        after.loses()
    else:
        speed = SpeedTold.STOPPED if move == "mute" else SpeedTold.TOLD
        after.sees(FAR_M if "far" in move else 0.0, speed=speed)
    return after


def test_every_short_sequence_keeps_the_rules_of_trust() -> None:
    """Any kind of fix far off counts as evidence for a place only after losses, apart in time."""
    seen: Counter[tuple[Trust, str, Trust]] = Counter()
    waiting: list[tuple[Watched, tuple[str, ...]]] = [(Watched(), ())]
    while waiting:
        before, moves = waiting.pop()
        # It begins where the mower is: from elsewhere, far would be right.
        for move in MOVES if moves else ("sight",):
            after, path = moved(before, move), (*moves, move)
            was, now = before.trust.state, after.trust.state
            seen[was, move, now] += 1
            if move == "reset":
                assert now is Trust.UNKNOWN, path
            elif was is Trust.DOUBTED:
                assert now in (Trust.DOUBTED, Trust.TRUSTED), path
                if now is Trust.TRUSTED and "far" in move:
                    # As many fixes as it takes, each after a loss, and all but the first apart.
                    assert sum("after a loss" in one for one in path) >= TRUST.fixes, path
                    assert path.count("far after a loss") >= TRUST.fixes - 1, path
            if move == "loss":
                assert now is not Trust.TRUSTED or was is Trust.TRUSTED, path
            if move == "mute":
                assert after.trust.trust is not Trust.TRUSTED, path
            if len(path) < LENGTH and move != "reset":
                waiting.append((after, path))
    # Doubted is reached and left either way; else the walk shows nothing.
    for change in (
        (Trust.UNKNOWN, "sight", Trust.TRUSTED),
        (Trust.TRUSTED, "far", Trust.DOUBTED),
        (Trust.DOUBTED, "far", Trust.DOUBTED),
        (Trust.DOUBTED, "sight", Trust.TRUSTED),
        (Trust.DOUBTED, "far after a loss", Trust.TRUSTED),
    ):
        assert seen[change], change
