"""The account of what monitors would have done that only watch."""

import json
import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.journal.account import WATCHED_EVERY_S
from fenceguard.journal.records import Acted, Entry, FindingTold, Watched, plain, record_of
from fenceguard.journal.story import Story
from fenceguard.judgement.types import Rung, Situation
from tests.support.decisions import (
    BLADE_OFF,
    EPOCH,
    FULL,
    HALTED,
    HOST_S,
    MONITORS,
    SLOWED,
    account,
    decided,
    demand,
    of_kind,
)
from tests.support.made import bound


class Step(NamedTuple):
    """What one decision tells of the monitors that only watch."""

    after_s: float
    rung: Rung
    demands: dict[str, tuple[Rung, float | None]]


VALUES = st.none() | st.sampled_from([2.125, 2.25, 3.5, 9.0])
DEMANDS = st.dictionaries(
    st.sampled_from(MONITORS), st.tuples(st.sampled_from([SLOWED, BLADE_OFF, HALTED]), VALUES)
)
STEPS = st.lists(
    st.builds(
        Step,
        st.sampled_from([0.0, 0.125, 0.125, 0.25, 1.0, 7.0, WATCHED_EVERY_S]),
        st.sampled_from([FULL, FULL, SLOWED, BLADE_OFF, HALTED]),
        DEMANDS,
    ),
    max_size=60,
)
"""In parts of a second that a computer adds up without a rest."""


@dataclass
class Count:
    """A recount of one monitor, by hand."""

    times: int = 0
    from_rungs: Counter[str] = field(default_factory=Counter)
    acting_s: float = 0.0
    worst: tuple[int, float] | None = None
    began_s: list[float] = field(default_factory=list)

    def see(self, rung: Rung, value: float | None) -> None:
        past = math.inf if value is None else abs(value - 2.0)
        self.worst = max(self.worst or (0, 0.0), (rung.value, past))

    def agrees(self, acted: Any, duration_s: float, utc: Callable[[float], str]) -> None:
        assert acted.times == self.times
        assert acted.from_rungs == self.from_rungs
        assert duration_s == self.acting_s
        assert acted.first_utc == (utc(self.began_s[0]) if self.began_s else None)
        assert acted.last_utc == (utc(self.began_s[-1]) if self.began_s else None)
        if self.worst is None:
            assert acted.worst is acted.rung is None
        else:
            rung, past = self.worst
            value, limit = acted.worst.value, acted.worst.limit
            assert acted.rung == acted.worst.rung == Rung(rung).word
            assert (math.inf if value is None else abs(value - limit)) == past


def utc(now_s: float) -> str:
    moment = datetime.fromtimestamp(HOST_S + now_s, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


@given(STEPS)
def test_records_and_story_agree_with_every_single_decision(steps: list[Step]) -> None:
    """Counted again here, since the record before and since the start."""
    one, story = account(), Story()
    one.host_utc(0.0, HOST_S)
    since = {name: Count() for name in MONITORS}
    ever = {name: Count() for name in MONITORS}
    told_s = dict.fromkeys(MONITORS, -math.inf)
    acting: dict[str, tuple[Rung, float | None]] = {}
    now_s = 0.0

    def tell(entries: list[Entry], at_the_end: bool) -> None:
        for entry in entries:
            again = record_of(entry.record.kind, json.loads(json.dumps(plain(entry.record))))
            story.add(entry._replace(record=again))
        for record in of_kind(Watched, entries):
            for acted in record.acted:
                since[acted.monitor].agrees(acted, acted.acting_s, utc)
                since[acted.monitor] = Count()
                if acted.monitor in acting:
                    since[acted.monitor].see(*acting[acted.monitor])
                assert at_the_end or now_s - told_s[acted.monitor] >= WATCHED_EVERY_S
                told_s[acted.monitor] = now_s

    for step in steps:
        for name in acting:
            for count in (since[name], ever[name]):
                count.acting_s += step.after_s
        now_s += step.after_s
        found = tuple(demand(name, *what) for name, what in step.demands.items())
        entries = one.add(decided(now_s, step.rung, watched=found))
        would = {name: what for name, what in step.demands.items() if what[0] > step.rung}
        for name, what in would.items():
            for count in (since[name], ever[name]):
                if name not in acting:
                    count.times += 1
                    count.from_rungs[step.rung.word] += 1
                    count.began_s.append(now_s)
                count.see(*what)
        acting = would
        tell(entries, False)
        for name in MONITORS:
            count = since[name]
            assert now_s - told_s[name] < WATCHED_EVERY_S or not (count.times or count.acting_s)
    tell(one.finish(now_s, "over"), True)
    told = {line.monitor: line for line in story.watch_only}
    assert set(told) == {name for name in MONITORS if ever[name].times}
    for name, line in told.items():
        ever[name].agrees(line, line.duration_s, utc)


@pytest.mark.parametrize(
    ("stood", "demanded", "acts"),
    [
        ("full", "slowed", True),
        ("slowed", "slowed", False),
        ("slowed", "blade_off", True),
        ("blade_off", "blade_off", False),
        ("blade_off", "slowed", False),
        ("blade_off", "halted", True),
        ("halted", "halted", False),
        ("halted", "locked", True),
        ("locked", "locked", False),
    ],
)
def test_it_would_have_acted_on_a_mower_on_a_higher_rung(
    stood: str, demanded: str, acts: bool
) -> None:
    one = account()
    one.host_utc(0.0, HOST_S)
    found = demand("hdop", Rung[demanded.upper()])
    entries = one.add(decided(1.0, Rung[stood.upper()], watched=(found,)))
    entries += one.add(decided(3.5, Rung[stood.upper()]))
    entries += one.finish(3.5, "over")
    story = Story()
    for entry in entries:
        story.add(entry)
    if not acts:
        assert story.watch_only == []
        return
    (line,) = story.watch_only
    assert (line.times, line.duration_s, line.from_rungs) == (1, 2.5, {stood: 1})
    assert (line.rung, line.worst) == (demanded, FindingTold("hdop", 9.0, 2.0, "m", demanded, ""))
    assert line.first_utc == line.last_utc == utc(1.0)


def test_once_however_its_demand_and_the_rung_change_meanwhile() -> None:
    one, entries = account(), []
    one.host_utc(0.0, HOST_S)
    for now_s, rung, found in (
        (1.0, FULL, demand("hdop", SLOWED, 2.1)),
        (2.0, FULL, demand("hdop", BLADE_OFF, 4.1)),
        (3.0, SLOWED, demand("hdop", BLADE_OFF, 4.5)),
        (4.0, BLADE_OFF, demand("hdop", BLADE_OFF, 7.9)),
        (9.0, SLOWED, demand("hdop", BLADE_OFF, 4.2)),
        (9.5, SLOWED, None),
    ):
        watched = () if found is None else (found,)
        entries += one.add(decided(now_s, rung, watched=watched))
    entries += one.finish(9.5, "over")
    first, rest = (record.acted[0] for record in of_kind(Watched, entries))
    assert (first.times, first.acting_s, first.from_rungs) == (1, 0.0, {"full": 1})
    assert (rest.times, rest.acting_s, rest.from_rungs) == (1, 3.5, {"slowed": 1})
    assert rest.worst.value == 4.5
    assert rest.first_utc == rest.last_utc == utc(9.0)


@pytest.mark.parametrize("over_s", [-0.1, 0.0])
def test_it_is_told_of_again_after_a_while(over_s: float) -> None:
    one = account()
    found = (demand("hdop", SLOWED),)
    assert of_kind(Watched, one.add(decided(0.0, watched=found)))
    assert not of_kind(Watched, one.add(decided(1.0, watched=found)))
    told = of_kind(Watched, one.add(decided(WATCHED_EVERY_S + over_s, watched=found)))
    assert bool(told) is (over_s >= 0.0)


def test_several_that_are_due_are_told_of_in_one_record_and_others_are_not() -> None:
    one = account()
    slow = demand("hdop", SLOWED)
    one.add(decided(0.0, watched=(slow,)))
    one.add(decided(1.0, watched=(slow, demand("late", SLOWED))))
    (record,) = of_kind(Watched, one.add(decided(21.0, SLOWED)))
    assert [acted.monitor for acted in record.acted] == ["hdop", "late"]
    assert record.rung == "slowed"
    one.add(decided(22.0, watched=(slow,)))
    assert not of_kind(Watched, one.add(decided(40.9, watched=())))
    (record,) = of_kind(Watched, one.add(decided(41.0)))
    assert [acted.monitor for acted in record.acted] == ["hdop"]


def test_what_was_told_of_and_goes_on_is_told_with_what_it_is_then() -> None:
    """Not with what was worst before."""
    one = account()
    one.add(decided(0.0, watched=(demand("hdop", BLADE_OFF, 9.0),)))
    one.add(decided(1.0, watched=(demand("hdop", SLOWED, 3.0),)))
    (before,) = of_kind(Watched, one.add(decided(20.0, watched=(demand("hdop", SLOWED, 2.5),))))
    (after,) = of_kind(Watched, one.add(decided(40.0)))
    assert [record.acted[0].worst.value for record in (before, after)] == [9.0, 2.5]
    assert after.acted == (Acted("hdop", 0, {}, "slowed", 20.0, after.acted[0].worst, None, None),)


def test_a_finding_that_toggles_for_an_hour_fills_no_disk() -> None:
    """At each epoch, 10 times a second. It once wrote 24 MiB; now three records a minute."""
    one, story = account(), Story()
    situation = Situation(EPOCH, 1.25, "lawn", bound(0.1))
    found = (demand("hdop", SLOWED, 2.001),)
    told: list[Entry] = []
    for number in range(36_000):
        watched = found if number % 2 else ()
        entries = one.add(decided(number / 10.0, watched=watched, situation=situation))
        told += [entry for entry in entries if isinstance(entry.record, Watched)]
    minutes = Counter(int(entry.mono_s // 60.0) for entry in told)
    assert set(minutes) == set(range(60))
    assert max(minutes.values()) == 3
    told += [entry for entry in one.finish(3600.0, "over") if isinstance(entry.record, Watched)]
    assert len(told) == 181
    written = sum(len(json.dumps(plain(entry.record))) for entry in told)
    assert written < 160_000
    for entry in told:
        story.add(entry)
    (line,) = story.watch_only
    assert (line.times, line.from_rungs) == (18_000, {"full": 18_000})
    assert line.duration_s == pytest.approx(1800.0, abs=0.2)


def test_without_such_monitors_nothing_is_written_of_them() -> None:
    one = account()
    entries = one.add(decided(0.0, SLOWED, FULL, demand("hdop", SLOWED)))
    entries += one.finish(0.6, "over")
    assert [entry.record.kind for entry in entries] == ["rung", "stop"]
