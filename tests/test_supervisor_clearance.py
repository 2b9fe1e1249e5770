"""The nearest line is searched for where a decision or a record hangs on it, and only there."""

import math

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from fenceguard.judgement.parameters import Parameters
from fenceguard.judgement.types import Decision, Rung
from fenceguard.mower.clearances import Clearances, Pose
from fenceguard.mower.footprint import Clearance
from tests.conftest import many
from tests.support.drives import drives, judged
from tests.support.lives import BEFORE, LIVES, Moment, Step, told
from tests.support.mowing import BODY, Mower, finding, settings

PARAMETERS = settings(mower={**BODY, "antenna_height_m": 0.3}).parameters()
LAZY = Clearances.at_least_m
APART = ("clearance_m", "nearest", "ahead_m", "at_least")
"""What may differ where only what is sure is told."""


def both(
    moments: list[Moment], parameters: Parameters = PARAMETERS
) -> list[tuple[Decision, Decision]]:
    """What is decided as it is, and with a search at every epoch."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(Clearances, "at_least_m", lambda _self, _pose: -math.inf)
        exact = judged(moments, parameters)
    return list(zip(judged(moments, parameters), exact, strict=True))


def known(value: float | None) -> float:
    assert value is not None
    return value


@examples(max_examples=many(1.5), deadline=None)
@given(
    life=st.one_of(drives(), LIVES.map(lambda life: [*BEFORE, *life])),
    silent_s=st.sampled_from([0.0, 2.0, 30.0]),
)
def test_without_a_search_nothing_is_decided_otherwise(life: list[Step], silent_s: float) -> None:
    """The search at every epoch is the reference, in silences and past the line too."""
    quiet = [Step(0.125, None, (0.0, 0.0), {}, False)] * round(silent_s / 0.125)
    for lazy, exact in both(told([*life, *quiet])):
        here, there = lazy.situation, exact.situation
        assert not there.at_least
        if here.at_least:
            assert known(here.clearance_m) <= known(there.clearance_m)
            assert known(here.ahead_m) <= known(there.ahead_m)
            assert here.nearest == ""
            assert lazy.rung is lazy.was and not lazy.watched
            apart = {name: getattr(there, name) for name in APART}
            lazy = lazy._replace(situation=here._replace(**apart))
        assert repr(lazy) == repr(exact)


def test_on_open_lawn_it_searches_now_and_then_only(monkeypatch: pytest.MonkeyPatch) -> None:
    searched: list[Pose] = []

    def exact(self: Clearances, pose: Pose) -> Clearance:
        searched.append(pose)
        return found(self, pose)

    found = Clearances.exact
    monkeypatch.setattr(Clearances, "exact", exact)
    mower = Mower().up(east_m=5.0, north_m=4.0)
    searched.clear()
    way = {"heading_deg": 90.0, "speed_mps": 0.5, "course_deg": 90.0}
    decisions = [mower.hear(east_m=5.0 + 0.0625 * step, north_m=4.0, **way) for step in range(160)]
    assert 1 <= len(searched) <= 16
    assert sum(one.situation.at_least for one in decisions) >= 144


def test_nor_does_it_search_while_a_mower_that_drove_is_not_seen() -> None:
    """It can have set out no other way, so that the last clearance holds."""
    mower = Mower().up(east_m=5.0)
    for step in range(40):
        east_m = 5.0 + 0.0625 * step
        mower.hear(east_m=east_m, heading_deg=90.0, speed_mps=0.5, course_deg=90.0)
    for _ in range(3):
        silent = mower.tick()
        assert silent.rung is Rung.FULL
        assert silent.situation.at_least


def test_nearer_to_the_line_than_the_bound_it_knows_the_line() -> None:
    """Facing east along the south line, the mower's side is 0.25 m from its antenna."""
    mower = Mower()
    for step in range(20):
        place = {"east_m": 5.0 + 0.05 * step, "north_m": 0.3}
        decision = mower.hear(**place, heading_deg=90.0, speed_mps=0.4, course_deg=90.0)
        assert not decision.situation.at_least
        assert decision.situation.nearest == "lawn"
        assert decision.situation.clearance_m == pytest.approx(0.05, abs=0.01)


def test_the_step_that_changes_the_rung_knows_the_line() -> None:
    mower = Mower().up()
    for _ in range(5):
        decision = mower.hear()
    assert decision.situation.at_least
    changed = mower.hear(satellites=7)
    assert changed.rung is not changed.was
    assert not changed.situation.at_least
    assert changed.situation.nearest == "lawn"


def test_where_what_is_sure_is_not_enough_for_a_monitor_it_searches() -> None:
    """Along the south line, with 0.5 m at its side of which 0.2 m must be left."""
    mower = Mower(limits={"room": {"slowed": 0.2}})
    way = {"heading_deg": 90.0, "speed_mps": 0.4, "course_deg": 90.0}
    decisions = [mower.hear(east_m=5.0 + 0.05 * step, north_m=0.75, **way) for step in range(120)]
    assert decisions[-1].rung is Rung.FULL
    assert any(one.situation.at_least for one in decisions)
    assert not any(finding(one, "room") for one in decisions)
