"""The story in a journal: from its records to runs, interventions, and what only watched."""

from dataclasses import replace
from itertools import combinations

import pytest

from fenceguard.journal.records import Acted, Entry, FindingTold, Sensed, Tells, Watched
from fenceguard.journal.story import Intervention, Story, WatchOnly, lowest, severity
from tests.support.made import BEGIN
from tests.support.records import (
    NARROW,
    OLD,
    PLACE,
    SPENT_S,
    Told,
    finding,
    start,
    stop,
    summary,
)

BEGIN_S = BEGIN.timestamp()
UP = (("blade_off", 10.0), ("slowed", 5.0), ("full", 3.0))
FULL_FOR_A_WHILE = {**SPENT_S, "full": 0.001, "halted": 50.0}


@pytest.fixture
def told() -> Told:
    """A run that has just come up to full."""
    told = Told()
    told.start()
    told.up(*UP)
    told.after(12.0)
    return told


def story_of(entries: list[Entry]) -> Story:
    story = Story()
    for entry in entries:
        story.add(entry)
    return story


def only(told: Told) -> Intervention:
    (one,) = story_of(told.entries).interventions
    return one


# Interventions


def test_from_full_to_full(told: Told) -> None:
    told.begin(1, "slowed", OLD)
    told.after(2.5)
    told.change("halted", "demand", NARROW)
    told.up(*UP)
    one = only(told)
    assert (one.id, one.rung, one.duration_s, one.over) == (1, "halted", 20.5, True)
    assert [change.rung for _, change in one.changes] == [
        "slowed",
        "halted",
        "blade_off",
        "slowed",
        "full",
    ]
    assert one.begun[0].utc_s == BEGIN_S + 30.0
    assert one.ended is not None and one.ended.utc_s == BEGIN_S + 50.5
    assert one.cause == OLD


def test_the_way_up_after_a_start_is_no_intervention(told: Told) -> None:
    told.stop()
    story = story_of(told.entries)
    assert story.interventions == []
    (run,) = story.runs
    assert (run.first.utc_s, run.last.utc_s, run.lasted_s) == (BEGIN_S, BEGIN_S + 30.0, 30.0)
    assert run.reached_full


@pytest.mark.parametrize("findings", [(OLD, NARROW), (NARROW, OLD)])
def test_the_finding_that_demanded_most_is_the_cause(
    told: Told, findings: tuple[FindingTold, ...]
) -> None:
    told.begin(1, "halted", *findings)
    assert only(told).cause == NARROW


def test_without_a_finding_there_is_no_cause(told: Told) -> None:
    told.begin(1, "halted")
    assert only(told).cause is None


def test_still_open_at_the_stop(told: Told) -> None:
    told.begin(4, "slowed", OLD)
    told.after(1.0)
    told.stop()
    one = only(told)
    assert (one.over, one.ended, one.duration_s) == (False, None, None)
    assert one.run.stop is told.entries[-1].record


def test_still_open_at_the_end_of_the_journal(told: Told) -> None:
    told.begin(4, "slowed", OLD)
    one = only(told)
    assert (one.ended, one.run.stop) == (None, None)


def test_still_open_when_a_new_run_starts(told: Told) -> None:
    told.begin(4, "slowed", OLD)
    told.start()
    told.up(*UP)
    told.begin(5, "halted", NARROW)
    told.stop()
    story = story_of(told.entries)
    assert len(story.runs) == 2
    before, after = story.interventions
    assert (before.id, before.rung, len(before.changes), before.ended) == (4, "slowed", 1, None)
    assert (after.id, after.rung, len(after.changes), after.ended) == (5, "halted", 1, None)
    assert (before.run, after.run) == (story.runs[0], story.runs[1])
    assert before.run.start is told.entries[0].record
    assert after.run.start is told.entries[5].record
    assert (before.run.stop, after.run.stop) == (None, told.entries[-1].record)


def test_two_runs_that_number_alike_are_kept_apart(told: Told) -> None:
    """As replays that write no journal do."""
    told.begin(1, "slowed", OLD)
    told.start()
    told.up(*UP)
    told.begin(1, "halted", NARROW)
    assert [one.rung for one in story_of(told.entries).interventions] == ["slowed", "halted"]


def test_what_else_is_written_meanwhile_changes_nothing(told: Told) -> None:
    told.begin(1, "slowed", OLD)
    told.add(Sensed({"reset": True}))
    told.add(summary())
    told.change("full", "clear", clear_s=2.0)
    one = only(told)
    assert (len(one.changes), one.over) == (2, True)


def two_interventions() -> Told:
    told = Told()
    told.start()
    told.up(*UP)
    told.begin(1, "slowed", OLD)
    told.after(1.0)
    told.change("halted", "demand", NARROW)
    told.up(*UP)
    told.after(1.0)
    told.begin(2, "blade_off", OLD)
    told.stop()
    return told


@pytest.mark.parametrize(
    "lost", [{0}, *({one} for one in range(1, 11)), *combinations(range(11), 2)]
)
def test_lost_records_leave_the_others_told(lost: set[int]) -> None:
    """What is left is told once, and of the right intervention; nothing is made up."""
    told = two_interventions()
    assert len(told.entries) == 11
    left = [entry for number, entry in enumerate(told.entries) if number not in set(lost)]
    story = story_of(left)
    assert [one.id for one in story.interventions] == sorted(
        {number for entry in left if (number := getattr(entry.record, "intervention", None))}
    )
    for one in story.interventions:
        assert one.changes == [
            (entry, entry.record)
            for entry in left
            if getattr(entry.record, "intervention", None) == one.id
        ]
        first = 4 if one.id == 1 else 9
        assert one.cause == (None if first in lost else OLD)
        assert one.over is (one.id == 1 and 8 not in lost)
        assert one.run is story.runs[0]
        assert (one.run.stop is None) is (10 in lost)
    assert len(story.runs) == 1
    assert (story.runs[0].start is None) is (0 in lost)


def test_the_rung_that_a_lost_record_led_to_is_seen_in_the_next(told: Told) -> None:
    told.begin(1, "slowed", OLD)
    told.change("halted", "demand", NARROW)
    told.up(*UP)
    del told.entries[4:6]
    one = only(told)
    assert one.begun[1].rung == "blade_off"
    assert (one.rung, one.cause, one.duration_s) == ("halted", None, 8.0)


def test_a_run_whose_start_is_lost_does_not_go_on_after_the_stop_before_it(told: Told) -> None:
    told.stop()
    told.start()
    told.up(*UP)
    told.begin(1, "slowed", OLD)
    del told.entries[5]
    story = story_of(told.entries)
    before, after = story.runs
    assert before.stop is not None and before.last.record is before.stop
    assert (after.start, after.stop) == (None, None)
    assert story.interventions[0].run is after


# Runs


def test_a_run_that_reached_full_by_its_totals_alone() -> None:
    told = Told()
    told.start()
    told.add(summary(time_in_rung_s=FULL_FOR_A_WHILE))
    told.add(summary())
    assert story_of(told.entries).runs[0].reached_full


@pytest.mark.parametrize("lost", [3, 4])
def test_a_change_to_full_or_from_it_says_that_it_was_reached(lost: int) -> None:
    told = two_interventions()
    del told.entries[5:]
    del told.entries[lost]
    assert story_of(told.entries).runs[0].reached_full


def test_a_run_that_never_reached_full_tells_what_held_it() -> None:
    told = Told()
    told.start()
    told.up(*UP[:2])
    (run,) = story_of(told.entries).runs
    assert (run.reached_full, run.held_s, run.totals) == (False, {}, None)
    told.after(60.0)
    told.add(summary(held_s={"arming": 50.0}))
    (run,) = story_of(told.entries).runs
    assert (run.reached_full, run.held_s) == (False, {"arming": 50.0})
    told.after(5.0)
    told.add(stop(held_s={"arming": 50.0, "hdop": 5.0}))
    (run,) = story_of(told.entries).runs
    assert (run.reached_full, run.held_s) == (False, {"arming": 50.0, "hdop": 5.0})
    assert run.totals is run.stop is told.entries[-1].record
    assert run.lasted_s == 80.0


@pytest.mark.parametrize("keep", [1, 2, 3, 4])
def test_no_more_interventions_are_kept_than_wanted_but_all_are_counted(
    told: Told, keep: int
) -> None:
    """So a status that runs for months does not grow."""
    story = Story(keep)
    for number in (1, 2, 3):
        told.begin(number, "slowed", OLD)
        told.after(1.0)
        told.up(("full", 3.0))
    for entry in told.entries:
        story.add(entry)
    assert story.count == 3
    assert [one.id for one in story.interventions] == [1, 2, 3][-keep:]
    assert all(one.over and len(one.changes) == 2 for one in story.interventions)


def test_of_what_the_receiver_tells_the_last_counts_and_only_for_its_run(told: Told) -> None:
    first, second = Tells(0.2, ("speed",), 0.002), Tells(0.2, ("speed", "sigma"), 0.002)
    told.add(first)
    assert story_of(told.entries).runs[-1].tells == first
    told.add(second)
    told.stop()
    told.start()
    assert [run.tells for run in story_of(told.entries).runs] == [second, None]


def test_nothing_is_nothing() -> None:
    story = Story()
    assert (story.runs, story.interventions, story.watch_only) == ([], [], [])


# What only watched


def slow(value: float) -> FindingTold:
    return finding("hdop", value, 2.0, "slowed")


def blade(value: float) -> FindingTold:
    return finding("hdop", value, 4.0, "blade_off")


UNKNOWN = finding("hdop", None, None, "halted")


def acted(worst: FindingTold, times: int = 1, begun: float | None = 1.0) -> Acted:
    utc = None if begun is None else f"at {begun}"
    return Acted(
        monitor=worst.monitor,
        times=times,
        from_rungs={"full": times} if times else {},
        rung=worst.rung,
        acting_s=2.5,
        worst=worst,
        first_utc=utc,
        last_utc=None if begun is None else f"{utc} or later",
    )


def watched(*acts: Acted) -> Watched:
    return Watched("full", acts, PLACE)


def only_watched(told: Told) -> WatchOnly:
    (one,) = story_of(told.entries).watch_only
    return one


def test_one_record_is_told_as_it_is() -> None:
    told = Told()
    told.add(watched(replace(acted(blade(5.0), 3), from_rungs={"full": 2, "slowed": 1})))
    one = only_watched(told)
    assert one == WatchOnly(
        monitor="hdop",
        times=3,
        from_rungs=one.from_rungs,
        rung="blade_off",
        duration_s=2.5,
        worst=blade(5.0),
        first_utc="at 1.0",
        last_utc="at 1.0 or later",
    )
    assert one.from_rungs == {"full": 2, "slowed": 1}


def test_records_add_up() -> None:
    told = Told()
    told.start("hdop")
    told.add(watched(acted(slow(2.5), 2, 1.0)))
    told.add(watched(acted(blade(4.1), 0, None)))
    told.add(watched(acted(slow(3.9), 1, 7.0), acted(finding("late", 9.0, 8.0, "slowed"))))
    hdop, late = story_of(told.entries).watch_only
    assert (hdop.times, hdop.from_rungs, hdop.duration_s) == (3, {"full": 3}, 7.5)
    assert (hdop.rung, hdop.worst) == ("blade_off", blade(4.1))
    assert (hdop.first_utc, hdop.last_utc) == ("at 1.0", "at 7.0 or later")
    assert (late.monitor, late.times, late.first_utc) == ("late", 1, "at 1.0")


def test_a_record_that_tells_of_no_beginning_has_no_moment() -> None:
    told = Told()
    told.add(watched(acted(slow(2.5), 0, None)))
    one = only_watched(told)
    assert (one.times, one.from_rungs, one.first_utc, one.last_utc) == (0, {}, None, None)


def test_runs_add_up_and_each_monitor_that_only_watched_is_told() -> None:
    told = Told()
    for names in (("hdop", "late"), ("hdop", "satellites")):
        told.start(*names)
        told.add(watched(acted(slow(2.1), 1)))
    both = story_of(told.entries).watch_only
    assert [(one.monitor, one.times, one.duration_s) for one in both] == [
        ("hdop", 2, 5.0),
        ("late", 0, 0.0),
        ("satellites", 0, 0.0),
    ]
    assert both[0].from_rungs == {"full": 2}
    assert (both[1].rung, both[1].worst, both[1].first_utc) == (None, None, None)


def test_settings_without_limits_have_no_monitor_that_only_watches() -> None:
    told = Told()
    told.add(start(settings={}))
    assert story_of(told.entries).watch_only == []


def test_what_is_worse() -> None:
    """The rung, then how far past the limit; and of equals the first stays."""
    order = [slow(2.1), slow(3.9), blade(4.1), finding("hdop", 8.1, 8.0, "halted"), UNKNOWN]
    assert sorted(order, key=severity) == order
    few = [finding("satellites", value, 6, "blade_off") for value in (5.0, 4.0)]
    assert severity(few[0]) < severity(few[1])
    words = replace(UNKNOWN, value="0002", limit="accepted")
    assert severity(words) == (3, 0.0)
    assert severity(replace(words, limit=None)) == severity(replace(words, value=None)) == (3, 0.0)
    told = Told()
    for one in (slow(3.0), replace(slow(3.0), note="again")):
        told.add(watched(acted(one)))
    assert only_watched(told).worst == slow(3.0)


def test_the_lowest_rung_permits_least() -> None:
    assert lowest(["slowed", "halted", "full"]) == "halted"
    assert lowest(["blade_off", "locked", "halted"]) == "locked"
    assert lowest(["full"]) == "full"


def test_what_is_left_of_a_run_has_a_first_and_a_last_record(told: Told) -> None:
    """Also where it is one and the same, with the start or without."""
    (whole,) = story_of(told.entries).runs
    assert (whole.first, whole.last) == (told.entries[0], told.entries[-1])
    for entry in (told.entries[0], told.entries[1]):
        (run,) = story_of([entry]).runs
        assert (run.first, run.last, run.lasted_s) == (entry, entry, 0.0)


def test_a_run_has_reached_full_whatever_came_after(told: Told) -> None:
    told.begin(1, "slowed", OLD)
    told.after(1.0)
    told.change("halted", "demand", NARROW)
    told.after(1.0)
    told.change("blade_off", "clear")
    (run,) = story_of(told.entries).runs
    assert run.reached_full


def test_totals_that_tell_of_no_time_at_full_tell_of_none() -> None:
    told = Told()
    told.start()
    told.add(summary(time_in_rung_s={"halted": 50.0}))
    (run,) = story_of(told.entries).runs
    assert not run.reached_full
