"""A monitor that only watches changes nothing of what is decided."""

import math
from typing import Any

import pytest
from hypothesis import event, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from fenceguard.judgement.monitors import MONITORS
from fenceguard.judgement.parameters import Parameters
from fenceguard.judgement.types import Rung
from tests.conftest import many
from tests.support.drives import FACING_EAST, drives, judged, up_at
from tests.support.lives import BEFORE, LIVES, Step, told
from tests.support.mowing import BODY, Mower, settings

FULL = Rung.FULL
MAY_WATCH = [one.name for one in MONITORS if not one.indispensable]

pytestmark = pytest.mark.usefixtures("exact_clearance")


def only_watching(monitor: str) -> Parameters:
    """As the settings say it, where they may; of the others by their limits alone."""
    body = {**BODY, "antenna_height_m": 0.3}
    if monitor in MAY_WATCH:
        return settings(mower=body, limits={monitor: {"watch_only": True}}).parameters()
    given = settings(mower=body).parameters()
    watching = given.monitors[monitor]._replace(acts=False)
    return given._replace(monitors={**given.monitors, monitor: watching})


INERT: dict[str, dict[str, Any]] = {
    "course": {"course_within_deg": math.inf},
    # The told speed then comes down for what acts after it.
    "approach": {"told_before_s": 0.0},
    # Nor need the told speed leave a mower to itself that may not keep it.
    "stopping": {"halted_before_s": None},
}
"""What the chain does because of a monitor, besides asking it, and how it is not done."""


def silenced(monitor: str) -> Parameters:
    """It can never speak, and nothing is done because of it."""
    given = settings(mower={**BODY, "antenna_height_m": 0.3}).parameters()
    others = {name: one for name, one in given.monitors.items() if name != monitor}
    body = given.mower._replace(**INERT.get(monitor, {}))
    return given._replace(mower=body, monitors=others)


@pytest.mark.parametrize("monitor", MAY_WATCH)
def test_a_monitor_without_a_limit_is_one_that_cannot_speak(monitor: str) -> None:
    never = dict.fromkeys(("slowed", "blade_off", "halted", "locked"), "never")
    limits = {monitor: never}
    given = settings(mower={**BODY, "antenna_height_m": 0.3}, limits=limits).parameters()
    assert given.monitors[monitor].rows == ()
    assert given._replace(monitors=silenced(monitor).monitors) == silenced(monitor)


def unchanged(monitor: str, life: list[Step]) -> bool:
    """Asserts that all is decided as though it could not speak; whether it found something."""
    moments = told(life)
    watching = judged(moments, only_watching(monitor))
    for one, other in zip(watching, judged(moments, silenced(monitor)), strict=True):
        assert repr(one._replace(watched=())) == repr(other)
    return any(one.watched for one in watching)


@pytest.mark.parametrize("monitor", [one.name for one in MONITORS])
@examples(max_examples=many(0.3), deadline=None)
@given(life=st.one_of(drives(), LIVES.map(lambda life: [*BEFORE, *life])))
def test_a_monitor_that_only_watches_changes_nothing(monitor: str, life: list[Step]) -> None:
    event(f"{monitor} found something: {unchanged(monitor, life)}")


def steady(count: int = 1, **changes: Any) -> list[Step]:
    """Epochs alike, an eighth of a second apart in the middle of the lawn but for the changes."""
    after_s = changes.pop("after_s", 0.125)
    utc_after_s, place = changes.pop("utc_after_s", after_s), changes.pop("place", (15.0, 10.0))
    return [Step(after_s, utc_after_s, place, changes, False)] * count


EAST: dict[str, Any] = {"heading_deg": 90.0, "course_deg": 90.0, "speed_mps": 0.5}
SPEAKS = {
    "silence": steady(after_s=2.0),
    "frozen": steady(after_s=0.625, utc_after_s=0.0),
    "late": steady(after_s=0.625, utc_after_s=0.125),
    "solution": steady(quality=5),
    "correction_age": steady(age_s=11.0),
    "station": steady(station="0009"),
    "satellites": steady(satellites=7),
    "hdop": steady(hdop=3.0),
    "bound": steady(sigma_major_m=0.05),
    "trust": steady(**{"speed_mps": None, "after_s": 0.5}, count=10),
    "reach": steady(place=(17.0, 10.0)),
    "speed": steady(6, speed_mps=2.0),
    "height": steady(height_m=103.0),
    # It goes north and says that it goes east.
    "course": [
        step
        for number in range(12)
        for step in steady(place=(29.0, 10.0 + 0.0625 * number), **EAST)
    ],
    "heading": [
        step
        for number in range(12)
        for step in steady(place=(15.0 + 0.0625 * number, 10.0), **{**EAST, "heading_deg": 60.0})
    ],
    "room": steady(place=(0.45, 10.0)),
    "approach": steady(place=(29.3, 10.0), **EAST),
    "stopping": steady(place=(29.56, 10.0), **FACING_EAST),
}
"""For each monitor, what makes it speak."""
BEFOREHAND = {name: up_at((29.4, 10.0), **FACING_EAST) for name in ("approach", "stopping")}
"""Where what is ahead decides about the told speed."""


@pytest.mark.parametrize("monitor", SPEAKS)
def test_nor_does_it_when_it_has_something_to_say(monitor: str) -> None:
    assert unchanged(monitor, [*BEFOREHAND.get(monitor, BEFORE), *SPEAKS[monitor]])


def test_a_speed_that_only_one_of_the_two_limits_is_still_limited() -> None:
    """With the nose 0.35 m from the line, standing: nothing is demanded of it yet."""
    told_mps = {}
    for name in ("approach", "stopping"):
        mower = Mower(limits={name: {"watch_only": True}})
        for _ in range(60):
            decision = mower.hear(east_m=29.3, heading_deg=90.0, speed_mps=0.0)
        assert decision.rung is FULL
        told_mps[name] = decision.grant.top_speed_mps
    # Where `stopping` acts, the told speed leaves room for what the mower could gain as well.
    assert 0.0 < told_mps["approach"] < told_mps["stopping"] < 0.2


def test_with_both_only_watching_the_way_ahead_limits_no_speed() -> None:
    only = {name: {"watch_only": True} for name in ("approach", "stopping")}
    mower = Mower(limits=only)
    for _ in range(60):
        decision = mower.hear(east_m=29.56, heading_deg=90.0, speed_mps=0.0)
    assert decision.rung is FULL
    assert [one.monitor for one in decision.watched] == ["stopping"]
    assert decision.grant.top_speed_mps == 0.5
