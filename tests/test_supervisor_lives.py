"""The supervisor: what no sequence of steps may ever bring about."""

import math
from collections.abc import Sequence
from typing import Any

from hypothesis import event, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from fenceguard.judgement.types import Decision, Rung, Trust
from fenceguard.receiver.epoch import Epoch
from tests.conftest import many
from tests.support.lives import BEFORE, LIVES, Moment, Step, run, told
from tests.support.mowing import DEPTH_M, WIDTH_M

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung
ABOVE = {
    "age_s": ((10.0, SLOWED), (20.0, BLADE_OFF), (60.0, HALTED)),
    "hdop": ((2.0, SLOWED), (4.0, BLADE_OFF), (8.0, HALTED)),
    "bound": ((0.2, SLOWED), (0.3, BLADE_OFF), (2.5, HALTED)),
    "silence": ((0.5, SLOWED), (1.0, BLADE_OFF), (1.5, HALTED)),
}
SIGMA_M, OPTIMISM, FLOOR_M = 0.02, 1.2, 0.01
"""Of a fixed solution."""
ANCHOR_M = 0.3
SLACK = 1e-6
FENCE_SLACK_M = 0.03


def over(name: str, value: float | None) -> Rung:
    """The rung that a value demands by the limits as they are published."""
    if value is None or not math.isfinite(value):
        return HALTED
    return max((rung for limit, rung in ABOVE[name] if value > limit + SLACK), default=FULL)


def outright(moment: Moment) -> Rung:
    """What an epoch demands wherever it is: the limits, written without the project's code."""
    heard = moment.epoch
    assert heard is not None
    fields = heard._asdict()
    demands = [{4: FULL, 5: BLADE_OFF}.get(heard.quality or 0, HALTED)]
    if heard.quality in (2, 4, 5):
        demands.append(over("age_s", fields["age_s"]))
    demands.append(over("hdop", fields["hdop"]))
    satellites = fields["satellites"]
    demands.append(
        HALTED
        if satellites is None or satellites < 5
        else BLADE_OFF
        if satellites < 6
        else SLOWED
        if satellites < 8
        else FULL
    )
    quality = heard.quality or 0
    if quality in (2, 4, 5) and heard.station not in ("0001", "0002"):
        demands.append(HALTED)
    return max(demands) if located(heard) else HALTED


def of_position(moment: Moment) -> Rung:
    """What a position demands that is trusted, and that is fixed with a narrow bound.

    Any other may be known better by the way since than by what it says.
    """
    heard = moment.epoch
    assert heard is not None
    if heard.quality != 4:
        return FULL
    sigma_m, age_s = heard.sigma_major_m, heard.age_s or 0.0
    if sigma_m is None:
        sigma_m = SIGMA_M * (1.0 if heard.hdop is None else heard.hdop)
    spread_m = math.hypot(OPTIMISM * sigma_m, 0.0017 * max(0.0, age_s - 1.0))
    bound_m = 4.2919 * spread_m + FLOOR_M - 1e-4
    if not bound_m <= ANCHOR_M - 2e-4:
        return FULL
    east_m, north_m = moment.place
    # The nearest that any part of the footprint can be to a line, over the kindest heading.
    nearest_m = min(east_m, north_m, WIDTH_M - east_m, DEPTH_M - north_m)
    room_m = nearest_m - 0.25 - bound_m + FENCE_SLACK_M
    of_room = HALTED if room_m < -0.06 else BLADE_OFF if room_m < -0.03 else FULL
    return max(of_room, over("bound", bound_m))


def located(heard: Epoch) -> bool:
    lat, lon = heard.lat_deg, heard.lon_deg
    return (
        bool(heard.quality)
        and lat is not None
        and lon is not None
        and abs(lat) < 90.5
        and abs(lon) < 180.5
    )


def check(moments: Sequence[Moment], decisions: Sequence[Decision]) -> None:
    """No step is above what the limits, computed here once more, demand of it."""
    valid_at_s: float | None = None
    last: Moment | None = None
    before_s = -math.inf
    utc_s, at_place = -math.inf, FULL
    for moment, decision in zip(moments, decisions, strict=True):
        if not moment.now_s >= before_s:
            valid_at_s, last, utc_s, at_place = None, None, -math.inf, FULL
            assert decision.rung >= HALTED
        before_s = moment.now_s
        demand = FULL
        if moment.epoch is not None:
            if not moment.epoch.utc_s >= utc_s:
                demand = HALTED
            elif moment.epoch.utc_s > utc_s and located(moment.epoch):
                trusted = decision.situation.trust is Trust.TRUSTED
                at_place = of_position(moment) if trusted else FULL
            utc_s = moment.epoch.utc_s
            last = moment
        demand = HALTED if last is None else max(demand, at_place, outright(last))
        silence_s = None if valid_at_s is None else moment.now_s - valid_at_s
        first = moment.epoch is not None and silence_s is None
        if not first:
            demand = max(demand, over("silence", silence_s))
        if moment.epoch is not None and located(moment.epoch):
            valid_at_s = moment.now_s
        assert decision.rung >= demand, (moment, decision)
        if decision.rung is FULL:
            assert decision.findings == ()
            assert last is not None
            assert last.epoch is not None
            assert last.epoch.quality == 4
        assert decision.rung >= decision.was - 1
        if decision.was is LOCKED and decision.rung is not LOCKED:
            assert moment.reset
        assert decision.grant.drive is (decision.rung < HALTED)
        assert not decision.grant.blade or decision.rung < BLADE_OFF


def test_the_good_steps_come_to_full_from_either_start() -> None:
    """Else the properties below would be said of a mower that never ran."""
    for start in ("halted", "locked"):
        assert run(told(BEFORE), start=start)[-1].rung is FULL


@examples(max_examples=many(5.0))
@given(st.sampled_from(["halted", "locked"]), st.booleans(), LIVES)
def test_never_above_what_any_limit_demands(start: str, up: bool, life: list[Step]) -> None:
    moments = told([*(BEFORE if up else []), *life])
    decisions = run(moments, start=start)
    check(moments, decisions)
    event(f"at full within the life: {any(d.rung is FULL for d in decisions[-len(life) :])}")


@given(LIVES)
def test_the_same_again_gives_the_same_bit_for_bit(life: list[Step]) -> None:
    moments = told([*BEFORE, *life])
    assert repr(run(moments)) == repr(run(moments))


WORSE: dict[str, Any] = {
    "quality": lambda q: {4: 5, 5: 1, 2: 1}.get(q, 0),
    "age_s": lambda age_s: None if age_s is None else age_s + 7.0,
    "satellites": lambda count: None if count is None else max(0, count - 3),
    "hdop": lambda hdop: None if hdop is None else hdop + 1.5,
    "sigma_major_m": lambda sigma_m: None if sigma_m is None else sigma_m + 0.05,
    "heading_deg": lambda _heading_deg: None,
    "lat_deg": lambda _lat_deg: None,
}


@examples(max_examples=many(3.0))
@given(LIVES, st.data())
def test_more_error_never_gives_a_higher_rung(life: list[Step], data: st.DataObject) -> None:
    """Of a mower that stands. Positions that contradict each other are another matter: there a
    greater stated error may explain what a smaller one does not.
    """
    standing = [step._replace(place=BEFORE[0].place) for step in life]
    moments = told([*BEFORE, *standing])
    worse = []
    for moment in moments:
        heard = moment.epoch
        if heard is not None and data.draw(st.sampled_from([False, False, False, True])):
            name = data.draw(st.sampled_from(sorted(WORSE)))
            value = getattr(heard, name)
            if name != "sigma_major_m" or value is not None:
                heard = heard._replace(**{name: WORSE[name](value)})
        worse.append(moment._replace(epoch=heard))
    for base, poorer in zip(run(moments), run(worse), strict=True):
        assert poorer.rung >= base.rung
