"""Monitors that only watch, in a whole guard: from epochs to what they would have done."""

import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.guard import Guard
from fenceguard.journal.records import Stop, Tells, Watched
from fenceguard.journal.story import Story, severity
from fenceguard.judgement.types import Decision, Rung
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings import Loaded
from tests.support.lawns import loaded, offset
from tests.support.made import QUICK
from tests.support.records import finding

PLACE = offset(5.0, 5.0)
ONLY = ("hdop", "satellites", "correction_age", "bound")


@pytest.fixture(scope="module")
def watching(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    limits: dict[str, Any] = {name: {"watch_only": True} for name in ONLY}
    limits["hdop"]["halted"] = {"limit": 8.0, "for_s": 0.5}
    return loaded(tmp_path_factory.mktemp("watching"), limits=limits, **QUICK)


def begun(lawn: Loaded) -> Guard:
    guard = Guard(lawn)
    guard.start(0.0, 0.0, run="r", mode="replay", source="made")
    return guard


EPOCHS = st.lists(
    st.tuples(
        st.integers(1, 12),
        st.sampled_from([4, 4, 4, 5]),
        st.sampled_from([None, 0.6, 0.6, 1.0, 2.1, 3.0, 4.1, 8.5, 9.0]),
        st.sampled_from([None, 20, 20, 20, 7, 5]),
        st.sampled_from([0.5, 0.5, 0.5, 11.0, 21.0]),
    ),
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(EPOCHS)
def test_it_agrees_with_every_single_decision(
    watching: Loaded, epochs: list[tuple[int, int, float | None, int | None, float]]
) -> None:
    """Added up here step by step, without records."""
    guard, decisions = begun(watching), list[Decision]()
    number = 0
    for count, quality, hdop, satellites, age_s in [(25, 4, 0.6, 20, 0.5), *epochs]:
        for _ in range(count):
            number += 1
            at_s = round(number / 5, 1)
            epoch = Epoch(
                1e9 + at_s,
                *PLACE,
                quality=quality,
                hdop=hdop,
                satellites=satellites,
                age_s=age_s,
                speed_mps=0.0,
            )
            decisions += guard.hear(at_s, epoch)
    decisions += guard.tick(number / 5)
    guard.stop(number / 5, "end")
    acting: set[str] = set()
    times = dict.fromkeys(ONLY, 0)
    lasted_s = dict.fromkeys(ONLY, 0.0)
    worst: dict[str, tuple[Rung, float]] = {}
    now_s = 0.0
    for decision in decisions:
        for monitor in acting:
            lasted_s[monitor] += decision.now_s - now_s
        now_s = decision.now_s
        found = {one.monitor: one for one in decision.watched if one.rung > decision.rung}
        for monitor, one in found.items():
            times[monitor] += monitor not in acting
            past = math.inf
            if one.value is not None and one.limit is not None:
                past = round(abs(float(one.value) - float(one.limit)), 3)
            worst[monitor] = max(worst.get(monitor, (one.rung, past)), (one.rung, past))
        acting = set(found)
    story = Story()
    for entry in guard.entries():
        story.add(entry)
    assert [one.monitor for one in story.watch_only] == sorted(ONLY)
    for line in story.watch_only:
        assert line.times == sum(line.from_rungs.values()) == times[line.monitor]
        assert line.duration_s == pytest.approx(lasted_s[line.monitor], abs=1e-3)
        assert (line.worst is None) == (line.monitor not in worst)
        if line.worst is not None:
            rung, past = worst[line.monitor]
            assert severity(line.worst)[0] == rung
            assert severity(line.worst)[1] == pytest.approx(past, abs=2e-3)


def test_a_run_that_stops_says_how_bad_it_became(watching: Loaded) -> None:
    guard = begun(watching)
    sound = Epoch(1e9, *PLACE, quality=4, satellites=20, age_s=0.5, sigma_major_m=0.01)
    for number in range(25):
        time_s = number / 5
        guard.hear(time_s, sound._replace(utc_s=sound.utc_s + time_s, hdop=0.6, speed_mps=0.0))
    assert guard.decision is not None and guard.decision.rung is Rung.FULL
    for number, hdop in enumerate((2.1, 3.9, 2.2), start=25):
        time_s = number / 5
        guard.hear(time_s, sound._replace(utc_s=sound.utc_s + time_s, hdop=hdop, speed_mps=0.0))
    guard.stop(5.6, "end")
    *_, last, tells, stop = (entry.record for entry in guard.entries())
    assert isinstance(last, Watched) and isinstance(stop, Stop)
    assert isinstance(tells, Tells)
    (acted,) = last.acted
    assert (acted.monitor, acted.worst) == ("hdop", finding("hdop", 3.9, 2.0, "slowed"))


def test_without_such_monitors_nothing_is_written_of_them(tmp_path: Path) -> None:
    guard = begun(loaded(tmp_path))
    guard.hear(0.0, Epoch(1e9, *PLACE, quality=4, hdop=9.0))
    guard.stop(0.6, "end")
    assert "watched" not in [entry.record.kind for entry in guard.entries()]
