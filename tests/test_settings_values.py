"""Settings: which values are accepted, and that others are named with file, line and key."""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.errors import BadInput
from fenceguard.settings import load
from tests.support.lawns import write_settings
from tests.support.settings_files import BASE, OUTPUTS, added, fault, faults, taken


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("tick_s: '0.1'\n", "6: tick_s: is '0.1'; it must be a number"),
        ("tick_s: true\n", "6: tick_s: is True; it must be a number"),
        ("tick_s: .nan\n", "6: tick_s: is nan; it must be a number"),
        ("tick_s: {s: 1}\n", "6: tick_s: is {'s': 1}; it must be a number"),
        ("receiver:\n  baud: 9600.5\n", "7: receiver.baud: is 9600.5; it must be a whole number"),
        ("receiver: {port: 5}\n", "6: receiver.port: is 5; it must be a text"),
        ("arm: 10\n", "6: arm: is 10"),
        ("limits: 1\n", "6: limits: is 1"),
        ("limits:\n  silence: 2\n", "7: limits.silence: is 2"),
        ("limits:\n  silence: never\n", "7: limits.silence: is 'never'"),
        ("limits:\n  hdop: {slowed: low}\n", "7: limits.hdop.slowed.limit: is 'low'"),
        ("bound: {sigma_m: 1}\n", "6: bound.sigma_m: is 1"),
        ("1: 2\n", "6: 1: "),
    ],
)
def test_a_value_of_another_type(file: Path, text: str, said: str) -> None:
    assert added(file, text).startswith(f"settings.yaml:{said}")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (BASE.replace("lawn.geojson", "5"), "1: fence: is 5; it must be a text"),
        (BASE.replace("none", "no"), "2: outputs: is False"),
        (BASE.replace("none", "nothing"), "2: outputs: is 'nothing'"),
        (BASE.replace("[0.35, 0.25]", "[0.35, left]"), "4: mower.outline_m.0.1: is 'left'"),
        (
            BASE.replace("none", "\n  drive_enable: {pin: 17.0}"),
            "3: outputs.drive_enable.pin: is 17.0; it must be a whole number",
        ),
    ],
)
def test_a_required_value_of_another_type(file: Path, text: str, said: str) -> None:
    assert f"settings.yaml:{said}" in faults(file, text)[0]


LOWEST_AND_HIGHEST = [
    ("tick_s", 0.02, 0.5),
    ("grant_valid_s", 0.1, 2.0),
    ("blade_delay_s", 0.0, 3600.0),
    ("arm.fixed_for_s", 0.1, 3600.0),
    ("receiver.epoch_wait_s", 0.01, 2.0),
    ("mower.course_from_mps", 0.05, 3.0),
    ("bound.probability", 0.5, 0.9999999),
    ("bound.optimism.fixed", 1.0, 10.0),
    ("bound.floor_m.fixed", 0.0, 10.0),
    ("bound.age_rate_mps", 0.0, 0.1),
    ("mower.stopping.reaction_s", 0.01, 10.0),
    ("mower.course_error_deg", 0.0, 45.0),
    ("mower.course_within_deg", 0.0, 180.0),
    ("mower.stopping.keep_m", 0.0, 10.0),
    ("mower.stopping.hears_s", 0.01, 10.0),
    ("mower.stopping.service_mps2", 0.1, 20.0),
    ("way_out.mps", 0.01, 1.0),
    ("way_out.way_m", 0.05, 10.0),
    ("way_out.nearer_m", 0.001, 0.5),
    ("way_out.past_m", 0.0, 5.0),
    ("bound.least_sigma_m.fixed", 0.001, 100.0),
    ("trust.way_error", 0.0, 0.5),
    ("trust.anchor_m", 0.02, 5.0),
    ("trust.doubt_m", 0.0, 1.0),
    ("trust.reach_m", 0.1, 50.0),
    ("limits.course.slowed", 0.0, 180.0),
    ("limits.stopping.halted", 0.0, 600.0),
    ("bound.sigma_m.single", 0.001, 1000.0),
    ("limits.silence.halted", 0.0, 600.0),
    ("limits.correction_age.slowed", 0.0, 600.0),
    ("limits.satellites.slowed", 0.0, 100.0),
    ("limits.hdop.locked", 0.0, 100.0),
    ("limits.bound.halted", 0.0, 1000.0),
    ("limits.room.halted", -100.0, 100.0),
]


@pytest.mark.parametrize(("key", "lowest", "highest"), LOWEST_AND_HIGHEST)
def test_the_lowest_and_the_highest_value_and_just_beyond(
    file: Path, key: str, lowest: float, highest: float
) -> None:
    for value in (lowest, lowest + 1e-9, highest - 1e-9, highest):
        taken(file, BASE, f"{key}={value:.10f}")
    for value, bound, word in (
        (lowest - 1e-6, lowest, "at least"),
        (highest + 1e-6, highest, "at most"),
    ):
        said = fault(file, BASE, f"{key}={value:.10f}")
        assert f"--set {key}={value:.10f}: {key}" in said
        _, told = said.split(f"; it must be {word} ")
        assert float(told) == pytest.approx(bound, rel=1e-6)
    for infinite in (".inf", "-.inf"):
        assert f"--set {key}={infinite}: {key}" in fault(file, BASE, f"{key}={infinite}")


@pytest.mark.parametrize(
    ("text", "good"),
    [
        ("receiver: {baud: %d}\n", range(1200, 4_000_001)),
        ("inputs: {reset_pin: %d}\n", range(54)),
    ],
)
def test_the_lowest_and_the_highest_whole_number(file: Path, text: str, good: range) -> None:
    for number in (good[0], good[-1]):
        taken(file, BASE + text % number)
    assert "; it must be at least " in added(file, text % (good[0] - 1))
    assert "; it must be at most " in added(file, text % (good[-1] + 1))


def test_out_of_range_in_the_file_is_named_by_its_line(file: Path) -> None:
    text = "limits:\n  hdop:\n    slowed: 2\n    halted: 101\n"
    assert added(file, text) == (
        "settings.yaml:9: limits.hdop.halted.limit: is 101; it must be at most 100"
    )


@given(st.floats(0.02, 0.5) | st.floats(allow_nan=False))
def test_a_tick_is_accepted_exactly_when_in_range(
    tmp_path_factory: pytest.TempPathFactory, tick_s: float
) -> None:
    file = write_settings(tmp_path_factory.getbasetemp(), tick_s=tick_s)
    if 0.02 <= tick_s <= 0.5:
        assert load(file).settings.tick_s == tick_s
    else:
        with pytest.raises(BadInput, match=rf"{file}:\d+: tick_s: is "):
            load(file)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "start: haltd\n",
            "6: start: is 'haltd'; it must be one of halted, locked; did you mean halted?",
        ),
        ("start: full\n", "6: start: is 'full'; it must be one of halted, locked"),
        (
            "limits:\n  solution: {halted: flot}\n",
            "7: limits.solution.halted.limit: is 'flot'; it must be one of fixed, float, "
            "differential, pps, single; did you mean float?",
        ),
        (
            "bound:\n  sigma_m: {fixd: 1}\n",
            "7: bound.sigma_m.fixd: is 'fixd'; it must be one of fixed, float, differential, "
            "pps, single; did you mean fixed?",
        ),
    ],
)
def test_a_word_that_is_none_of_the_choices(file: Path, text: str, said: str) -> None:
    assert added(file, text) == f"settings.yaml:{said}"


def test_an_outline_that_crosses_itself(file: Path) -> None:
    crossing = "[[0.35, 0.25], [-0.25, -0.25], [0.35, -0.25], [-0.25, 0.25]]"
    said = fault(file, re.sub(r"\[\[.*\]\]", crossing, BASE))
    assert said == (
        "settings.yaml:4: mower.outline_m: the outline crosses itself; "
        "list the corners in order, all round"
    )


def test_an_outline_needs_three_corners(file: Path) -> None:
    taken(file, re.sub(r"\[\[.*\]\]", "[[0.3, 0.2], [0.3, -0.2], [-0.2, 0]]", BASE))
    said = fault(file, re.sub(r"\[\[.*\]\]", "[[0.3, 0.2], [0.3, -0.2]]", BASE))
    assert said.startswith("settings.yaml:4: mower.outline_m: ")
    assert "at least 3" in said


def test_two_lines_on_one_pin(file: Path) -> None:
    text = BASE.replace("outputs: none\n", OUTPUTS)
    assert taken(file, text).settings.outputs is not None
    said = "settings.yaml:2: outputs: two lines share a pin; give each its own"
    assert fault(file, text.replace("22", "27")) == said
    with_warning = text.replace("mower:", "  warning: {pin: 23}\nmower:")
    assert fault(file, with_warning) == said


@pytest.mark.parametrize(
    ("slowed", "blade_off", "halted", "good"),
    [
        (2, 5, 10, True),
        (5, 5, 5, True),
        (5.1, 5, 10, False),
        (2, 10.1, 10, False),
        (4.9, 5, 5, True),
    ],
)
def test_clear_times_grow_further_down(
    file: Path, slowed: float, blade_off: float, halted: float, good: bool
) -> None:
    text = f"clear_s: {{slowed: {slowed}, blade_off: {blade_off}, halted: {halted}}}\n"
    if good:
        assert taken(file, BASE + text).settings.clear_s.blade_off == blade_off
    else:
        assert added(file, text) == (
            "settings.yaml:6: clear_s: a lower rung needs the longer time: "
            "slowed, blade_off, halted"
        )


def test_clear_times_are_compared_with_the_defaults_too(file: Path) -> None:
    assert "clear_s: a lower rung" in added(file, "clear_s: {slowed: 5.1}\n")
    taken(file, BASE + "clear_s: {slowed: 5}\n")


def test_a_reset_button_on_an_output_pin_is_refused(tmp_path: Path) -> None:
    outputs = {
        name: {"pin": pin}
        for pin, name in enumerate(("drive_enable", "blade_enable", "slow", "heartbeat"), start=5)
    }
    file = write_settings(tmp_path, outputs=outputs, inputs={"reset_pin": 6})
    with pytest.raises(
        BadInput, match=r"inputs\.reset_pin is also the pin of outputs\.blade_enable"
    ):
        load(file)
    assert load(write_settings(tmp_path, outputs=outputs, inputs={"reset_pin": 9})).settings.inputs


def test_values_that_contradict_each_other_are_refused(file: Path) -> None:
    for text, said in (
        ("  slowed_mps: 0.51\n", "slowed_mps is more than full_mps"),
        ("tick_s: 0.3\ngrant_valid_s: 0.2\n", "grant_valid_s is less than tick_s"),
    ):
        assert said in faults(file, BASE + text)[0]
    taken(file, BASE + "  slowed_mps: 0.5\n")
    taken(file, BASE + "tick_s: 0.2\ngrant_valid_s: 0.2\n")


@pytest.mark.parametrize("outline", ["[[0,0],[0.001,0],[0,0.001]]", "[[0,0],[1,0],[2,0]]"])
def test_an_outline_of_no_size_is_refused(file: Path, outline: str) -> None:
    with pytest.raises(BadInput, match="no mower is so small"):
        load(file, [f"mower.outline_m={outline}"])
