"""Why it stopped: one intervention in plain words, with its numbers."""

from dataclasses import replace

import pytest

from fenceguard.audit.explain import day_and_time, explain, reason
from fenceguard.journal.records import FindingTold, Where
from fenceguard.journal.story import Intervention, Story
from fenceguard.judgement.monitors import MONITORS
from tests.support.made import BEGIN
from tests.support.records import EPOCH, NARROW, OLD, PLACE, Told

UP = (("blade_off", 10.0), ("slowed", 5.0), ("full", 3.0))


@pytest.fixture
def told() -> Told:
    """A run that has just come up to full."""
    told = Told()
    told.start()
    told.up(*UP)
    told.after(12.0)
    return told


def story_of(told: Told) -> Story:
    story = Story()
    for entry in told.entries:
        story.add(entry)
    return story


def only(told: Told) -> Intervention:
    (one,) = story_of(told).interventions
    return one


def said(one: Intervention) -> str:
    return "\n".join(explain(one))


def test_from_full_to_full(told: Told) -> None:
    told.begin(1, "slowed", OLD)
    told.after(2.5)
    told.change("halted", "demand", NARROW)
    told.up(*UP[:2], ("full", 3.25))
    assert explain(only(told)) == [
        "Intervention 1, 2031-03-07 06:00:30.000 UTC, 20.8 s, down to halted",
        "fenceguard 1.2.3, run of /dev/ttyACM0",
        "settings aaaa, fence bbbb",
        "",
        "What came first",
        "  the corrections were 10.2 s old; 10 s are allowed.",
        "  So the mower was slowed.",
        "",
        "What followed",
        "  after 2.5 s drive and blade were stopped: -0.02 m of room were left to the fence with "
        "the error at its worst; 0.05 m are needed.",
        "  after 12.5 s it could drive again, slowly and without the blade.",
        "  after 17.5 s the blade could start again, after its warning.",
        "  after 20.8 s everything was given back.",
        "",
        "Where",
        "  the antenna was at 50.0000451, 10.0000697 (WGS 84);",
        "  the mower was 1.25 m from the line of pond;",
        "  the position could be 0.10 m off, so 1.15 m of room were left.",
        "",
        "What let it go",
        "  nothing demanded halted for 10.0 s: up to blade_off.",
        "  nothing demanded blade_off for 5.0 s: up to slowed.",
        "  nothing demanded slowed for 3.2 s: up to full.",
    ]


def test_the_most_severe_cause_is_named_first_and_the_others_with_it(told: Told) -> None:
    told.begin(1, "halted", OLD, NARROW)
    lines = explain(only(told))
    assert lines[5].startswith("  -0.02 m of room were left to the fence")
    assert lines[6] == "  With it: the corrections were 10.2 s old; 10 s are allowed."
    assert lines[7] == "  So drive and blade were stopped."


def test_still_open_at_the_stop(told: Told) -> None:
    told.begin(4, "slowed", OLD)
    told.after(1.0)
    told.stop("SIGTERM")
    lines = explain(only(told))
    assert lines[0].endswith("not ended, down to slowed")
    assert lines[-1] == "  the run stopped (SIGTERM) before it was let go."
    assert "What followed\n  nothing more was written." in said(only(told))


def test_still_open_at_the_end_of_the_journal(told: Told) -> None:
    told.begin(4, "slowed", OLD)
    assert explain(only(told))[-1] == "  the journal of that run ends before it was let go."


def test_still_open_when_a_new_run_starts(told: Told) -> None:
    told.begin(4, "slowed", OLD)
    told.start()
    told.up(*UP)
    told.begin(5, "halted", NARROW)
    told.stop("SIGTERM")
    before, after = story_of(told).interventions
    assert explain(before)[-1] == "  the journal of that run ends before it was let go."
    assert explain(after)[-1] == "  the run stopped (SIGTERM) before it was let go."


def test_a_reset_by_a_person(told: Told) -> None:
    told.begin(1, "locked", replace(NARROW, rung="locked"))
    told.after(61.0)
    told.change("halted", "reset")
    told.up(*UP)
    text = said(only(told))
    assert "1 min 19 s, down to locked" in text
    assert "So drive and blade were stopped until a person resets." in text
    assert "after 61.0 s a person reset it; drive and blade stayed stopped." in text
    assert "What let it go\n  a person reset it: from locked to halted.\n" in text


def test_an_unknown_value_is_told_with_its_note(told: Told) -> None:
    unknown = replace(OLD, value=None, note="a corrected solution without a correction age")
    told.begin(1, "slowed", unknown)
    assert "correction_age was unknown: a corrected solution without a correction age." in said(
        only(told)
    )


UNPLACED = replace(EPOCH, lat_deg=None), replace(EPOCH, lon_deg=None), None


@pytest.mark.parametrize(
    "where",
    [*(replace(PLACE, epoch=epoch) for epoch in UNPLACED), replace(PLACE, clearance_m=None)],
)
def test_a_place_that_is_not_known(told: Told, where: Where) -> None:
    told.begin(1, "slowed", OLD, where=where)
    assert "Where\n  the position was unknown." in said(only(told))


@pytest.mark.parametrize("where", [replace(PLACE, bound=None), replace(PLACE, room_m=None)])
def test_a_place_of_unknown_bound(told: Told, where: Where) -> None:
    told.begin(1, "slowed", OLD, where=where)
    assert "how far off that could be was unknown." in said(only(told))


def test_a_mower_that_is_only_known_to_be_in_its_reach(told: Told) -> None:
    assert PLACE.bound is not None
    reach = replace(PLACE.bound, radius_m=0.45, reach_m=0.45)
    told.begin(1, "slowed", OLD, where=replace(PLACE, bound=reach, room_m=0.8))
    text = said(only(told))
    assert (
        "but the mower was only known to be within 0.45 m of where the reckoning led, so 0.80 m of "
        "room were left."
    ) in text
    assert "the position could be" not in text


def test_a_note_is_told_beside_the_value() -> None:
    found = FindingTold("reach", 0.31, 0.1, "m", "blade_off", "step")
    bare = reason(replace(found, note=""))
    assert reason(found) == f"{bare} (step)"
    assert bare.endswith("0.1 m are allowed")


def test_a_way_out_is_told_where_it_was_taken(told: Told) -> None:
    told.begin(1, "halted", NARROW)
    told.after(10.0)
    told.change("blade_off", "way_out")
    text = said(only(told))
    assert "after 10.0 s it could drive again, slowly and without the blade." in text
    assert "a way out: from halted to blade_off, to creep from the fence." in text


@pytest.mark.parametrize(
    ("clearance_m", "text"), [(0.3, "0.30 m from the line"), (-0.3, "0.30 m past the line")]
)
def test_inside_and_past_the_fence(told: Told, clearance_m: float, text: str) -> None:
    told.begin(1, "slowed", OLD, where=replace(PLACE, clearance_m=clearance_m))
    assert f"the mower was {text} of pond;" in said(only(told))


@pytest.mark.parametrize("monitor", [*(one.name for one in MONITORS), "another"])
def test_every_monitor_tells_value_and_limit(monitor: str) -> None:
    words = {
        "solution": ("float", "fixed"),
        "station": ("0009", "accepted"),
        "trust": ("doubted", "trusted"),
    }
    value, limit = words.get(monitor, (7.125, 8.25))
    text = reason(FindingTold(monitor, value, limit, "m", "slowed", ""))
    assert str(value) in text
    assert str(limit) in text


@pytest.mark.parametrize("lost", range(8))
def test_a_lost_record_leaves_the_others_told(told: Told, lost: int) -> None:
    """As when one is damaged: what is left must be told, and told of the right intervention."""
    told.begin(1, "slowed", OLD)
    told.change("full", "clear", clear_s=2.0)
    told.begin(2, "halted", NARROW)
    told.stop("SIGTERM")
    assert len(told.entries) == 8
    del told.entries[lost]
    story = story_of(told)
    assert [one.id for one in story.interventions] == ([1] if lost == 6 else [1, 2])
    for one in story.interventions:
        text = said(one)
        assert "What let it go" in text
        assert one.rung == ("slowed" if one.id == 1 else "halted")
        assert {change.intervention for _, change in one.changes} <= {one.id}
        stopped = "the run stopped (SIGTERM) before it was let go." in text
        assert stopped is (lost == 5 if one.id == 1 else lost != 7)
        assert ("fenceguard 1.2.3" in text) is (lost != 0)


def test_what_came_first_is_not_guessed_where_its_record_is_lost(told: Told) -> None:
    told.begin(1, "slowed", OLD)
    told.after(1.0)
    told.change("halted", "demand", NARROW)
    told.up(*UP)
    del told.entries[4]
    text = said(only(told))
    assert "What came first\n  what came first was not recorded.\n\nWhat followed\n" in text
    assert "after 0.0 s drive and blade were stopped: -0.02 m of room were left" in text
    assert "correction" not in text


def test_without_findings_the_cause_was_not_recorded(told: Told) -> None:
    told.begin(1, "halted")
    assert "What came first\n  what came first was not recorded." in said(only(told))


def test_a_release_whose_time_is_not_told(told: Told) -> None:
    told.begin(1, "slowed", OLD)
    told.change("full", "clear")
    assert "  nothing demanded slowed any more: up to full." in explain(only(told))


def test_a_moment_for_reading() -> None:
    assert day_and_time(BEGIN.timestamp() + 0.25) == "2031-03-07 06:00:00.250"
