"""Settings: what is accepted, and that whatever is wrong is named with file, line and key."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from fenceguard.errors import BadInput
from fenceguard.judgement.monitors import MONITORS
from fenceguard.settings import Loaded, Settings, load
from fenceguard.settings.load import hashes
from fenceguard.settings.models import Limits
from tests.support.lawns import OUTLINE, polygon, write_settings

DEFAULT_LIMITS: dict[str, dict[str, Any]] = {
    monitor.name: {
        default.rung.word: {"limit": default.limit, "for_s": default.for_s}
        if default.for_s
        else default.limit
        for default in monitor.defaults
    }
    for monitor in MONITORS
}
CONFIG = Path(__file__).parents[1] / "config"
BASE = """\
fence: lawn.geojson
outputs: none
mower:
  outline_m: [[0.35, 0.25], [0.35, -0.25], [-0.25, -0.25], [-0.25, 0.25]]
  antenna_m: [0.0, 0.0]
"""
NEXT_LINE = BASE.count("\n") + 1
"""Where the first line stands that a test adds."""
OUTPUTS = """\
outputs:
  drive_enable: {pin: 17}
  blade_enable: {pin: 27}
  slow: {pin: 22}
  heartbeat: {pin: 23}
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A settings file with a good fence beside it."""
    return write_settings(tmp_path)


def taken(file: Path, text: str, *overrides: str) -> Loaded:
    file.write_text(text)
    return load(file, overrides)


def faults(file: Path, text: str, *overrides: str) -> list[str]:
    """The lines of the complaint, without the directory of the file."""
    file.write_text(text)
    with pytest.raises(BadInput) as caught:
        load(file, overrides)
    return str(caught.value).replace(f"{file.parent}/", "").splitlines()


def fault(file: Path, text: str, *overrides: str) -> str:
    (only,) = faults(file, text, *overrides)
    return only


def added(file: Path, text: str) -> str:
    """The only fault of what is added to good settings."""
    return fault(file, BASE + text)


def test_the_least_that_is_accepted(file: Path) -> None:
    loaded = taken(file, BASE)
    assert loaded.settings.outputs is None
    assert loaded.settings.journal is None
    assert loaded.settings.receiver.port is None
    assert loaded.settings.start == "halted"
    assert loaded.settings_file == file
    assert loaded.fence_file == file.parent / "lawn.geojson"
    assert [ring.name for ring in loaded.fence.rings] == ["lawn", "pond"]
    assert loaded.path("journal") == file.parent / "journal"
    assert loaded.path("/var/log/journal") == Path("/var/log/journal")


# The file as a whole


def test_a_file_that_is_missing_or_a_directory(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"no\.yaml: the settings cannot be read: No such file"):
        load(tmp_path / "no.yaml")
    with pytest.raises(BadInput, match=rf"{tmp_path}: the settings cannot be read: Is a directory"):
        load(tmp_path)


@pytest.mark.parametrize("text", ["", "\n\n", "# nothing but a comment\n", "---\n", "null\n"])
def test_an_empty_file(file: Path, text: str) -> None:
    assert "settings.yaml: the file is empty; start from config/settings.yaml" in fault(file, text)


@pytest.mark.parametrize("text", ["- fence\n", "lawn.geojson\n", "5\n"])
def test_not_a_mapping(file: Path, text: str) -> None:
    assert fault(file, text) == "settings.yaml: not a mapping of keys to values"


@pytest.mark.parametrize(
    ("text", "line"), [("tick_s: [0.1\n", 7), ("\n tick_s: 0.1\n", 7), ("start: !own x\n", 6)]
)
def test_not_yaml(file: Path, text: str, line: int) -> None:
    assert f"settings.yaml:{line}: not YAML: " in added(file, text)


def test_not_utf_8(file: Path) -> None:
    file.write_bytes(BASE.encode() + b"# 5 cm \xb1 1\n")
    with pytest.raises(BadInput, match=r"settings\.yaml: not a text file in UTF-8"):
        load(file)


# Keys


@pytest.mark.parametrize("key", ["fence", "mower", "outputs"])
def test_a_required_key_is_missing(file: Path, key: str) -> None:
    content = {
        "fence": "lawn.geojson",
        "outputs": "none",
        "mower": {"outline_m": OUTLINE, "antenna_m": [0.0, 0.0]},
    }
    del content[key]
    assert fault(file, yaml.safe_dump(content)) == (
        f"settings.yaml:1: {key}: missing; it has no default, so give it a value"
    )


@pytest.mark.parametrize(
    ("text", "place"),
    [
        (BASE.replace("  antenna_m: [0.0, 0.0]\n", ""), "3: mower.antenna_m"),
        (BASE.replace("[0.0, 0.0]", "[0.0]"), "5: mower.antenna_m.1"),
        (BASE + "journal:\n  summary_s: 60\n", "6: journal.directory"),
        (BASE + "inputs: {}\n", "6: inputs.reset_pin"),
        (
            BASE.replace("outputs: none\n", OUTPUTS.replace("{pin: 22}", "{}")),
            "5: outputs.slow.pin",
        ),
        (
            BASE + "limits:\n  silence:\n    halted: {for_s: 1}\n",
            "8: limits.silence.halted.limit",
        ),
    ],
)
def test_a_nested_key_is_missing(file: Path, text: str, place: str) -> None:
    assert fault(file, text) == (
        f"settings.yaml:{place}: missing; it has no default, so give it a value"
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("tik_s: 0.1\n", "6: tik_s: unknown key; did you mean tick_s?"),
        ("\nlimts: {}\n", "7: limts: unknown key; did you mean limits?"),
        ("qqqq: 1\n", "6: qqqq: unknown key"),
        (
            "limits:\n  silense: {halted: 1}\n",
            "7: limits.silense: unknown key; did you mean silence?",
        ),
        (
            "limits:\n  room:\n    slowed: 0.3\n    haltd: 0.1\n",
            "9: limits.room.haltd: unknown key; did you mean halted?",
        ),
        (
            "limits:\n  hdop:\n    slowed: {limit: 2, fors: 1}\n",
            "8: limits.hdop.slowed.fors: unknown key",
        ),
        ("limits:\n  hdop: {full: 1}\n", "7: limits.hdop.full: unknown key"),
        ("receiver: {bauds: 9600}\n", "6: receiver.bauds: unknown key; did you mean baud?"),
        ("journal:\n  directory: j\n  dir: k\n", "8: journal.dir: unknown key"),
    ],
)
def test_an_unknown_key(file: Path, text: str, said: str) -> None:
    assert added(file, text).startswith(f"settings.yaml:{said}")


def test_an_unknown_line(file: Path) -> None:
    text = BASE.replace("outputs: none\n", OUTPUTS.replace("slow:", "slw:"))
    found = faults(file, text)
    assert any("settings.yaml:5: outputs.slw: unknown key; did you mean slow?" in f for f in found)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("start: halted\nstart: locked\n", "7: start: given twice; keep one"),
        ("fence: lawn.geojson\n", "6: fence: given twice; keep one"),
        (
            "limits:\n  hdop:\n    slowed: 2\n    slowed: 3\n",
            "9: limits.hdop.slowed: given twice; keep one",
        ),
    ],
)
def test_a_key_given_twice(file: Path, text: str, said: str) -> None:
    assert added(file, text) == f"settings.yaml:{said}"


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("start:\n", "6: start"),
        ("journal:\n", "6: journal"),
        ("receiver:\n  port: ~\n", "7: receiver.port"),
        ("limits:\n  hdop:\n    slowed:\n", "8: limits.hdop.slowed"),
        ("limits:\n  hdop:\n", "7: limits.hdop"),
    ],
)
def test_an_empty_key(file: Path, text: str, place: str) -> None:
    assert (
        added(file, text) == f"settings.yaml:{place}: empty; give it a value, or leave out the key"
    )


# Values


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
    ("mower.stopping.blade_keep_m", 0.0, 10.0),
    ("track.window_s", 1.0, 120.0),
    ("limits.course.slowed", 0.0, 180.0),
    ("limits.stopping.halted", -100.0, 100.0),
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


def test_several_faults_are_named_at_once(file: Path) -> None:
    text = (
        "fence: nowhere.geojson\noutputs: none\nmower: {antenna_m: [0, 0]}\n"
        "tik_s: 0.1\nstart: haltd\nclear_s:\n  slowed: 0\njournal:\nstart: locked\n"
        "limits: {hdop: {slowed: 500}}\n"
    )
    found = faults(file, text, "receiver.baud=1", "nonsense")
    for said in (
        "nowhere.geojson: the fence cannot be read",
        "settings.yaml:3: mower.outline_m: missing",
        "settings.yaml:4: tik_s: unknown key",
        "settings.yaml:7: clear_s.slowed: is 0",
        "settings.yaml:8: journal: empty",
        "settings.yaml:9: start: given twice",
        "settings.yaml:10: limits.hdop.slowed.limit: is 500",
        "--set receiver.baud=1: receiver.baud: is 1",
        "--set nonsense: not KEY=VALUE",
    ):
        assert [line for line in found if line.startswith(said)], said
    assert len(found) == 9


def test_faults_of_the_fence_are_named_with_those_of_the_settings(tmp_path: Path) -> None:
    pot = polygon([(0, 0), (0.5, 0), (0.5, 0.5)], "keep_in", "pot")
    file = write_settings(tmp_path, pot, tik_s=1)
    with pytest.raises(BadInput) as caught:
        load(file)
    assert 'feature 0 "pot"' in str(caught.value)
    assert "tik_s: unknown key" in str(caught.value)


# Limits


def test_a_limit_alone_or_with_its_time(file: Path) -> None:
    text = "limits:\n  hdop:\n    slowed: 3\n    blade_off: {limit: 5, for_s: 1.5}\n"
    limits = taken(file, BASE + text).settings.limits
    slowed, blade_off = limits.at("hdop", "slowed"), limits.at("hdop", "blade_off")
    assert slowed is not None
    assert blade_off is not None
    assert (slowed.limit, slowed.for_s) == (3, 0.0)
    assert (blade_off.limit, blade_off.for_s) == (5, 1.5)


@pytest.mark.parametrize(("for_s", "good"), [(0, True), (60, True), (-0.01, False), (60.01, False)])
def test_the_time_of_a_limit(file: Path, for_s: float, good: bool) -> None:
    text = f"limits: {{hdop: {{slowed: {{limit: 2, for_s: {for_s}}}}}}}\n"
    if good:
        taken(file, BASE + text)
    else:
        assert added(file, text).startswith("settings.yaml:6: limits.hdop.slowed.for_s: is ")


def test_defaults_stay_where_a_monitor_is_given_in_part(file: Path) -> None:
    given = taken(file, BASE + "limits:\n  hdop: {blade_off: 5}\n").settings.limits
    assert values(given) == {**DEFAULT_LIMITS, "hdop": {"slowed": 2.0, "blade_off": 5, "halted": 8}}
    sigmas = taken(file, BASE + "bound: {sigma_m: {float: 0.9}}\n").settings.bound.sigma_m
    assert sigmas == {
        "fixed": 0.02,
        "float": 0.9,
        "differential": 1.0,
        "pps": 1.0,
        "single": 3.0,
    }


def values(limits: Limits) -> dict[str, dict[str, Any]]:
    """Every limit that there is, by monitor and rung; with its time where it has one."""
    return {
        monitor: {
            rung: {"limit": limit.limit, "for_s": limit.for_s} if limit.for_s else limit.limit
            for rung in ("slowed", "blade_off", "halted", "locked")
            if (limit := limits.at(monitor, rung)) is not None
        }
        for monitor in DEFAULT_LIMITS
    }


ALL_LIMITS = [(monitor, rung) for monitor, limits in DEFAULT_LIMITS.items() for rung in limits]
INDISPENSABLE = [("silence", "halted"), ("solution", "halted"), ("room", "halted")]


def test_supervision_rests_on_three_monitors() -> None:
    assert [one.name for one in MONITORS if one.indispensable] == [m for m, _ in INDISPENSABLE]


@pytest.mark.parametrize(("monitor", "rung"), ALL_LIMITS)
def test_never_takes_a_limit_out_unless_it_is_indispensable(
    file: Path, monitor: str, rung: str
) -> None:
    text = f"limits:\n  {monitor}:\n    {rung}: never\n"
    if (monitor, rung) in INDISPENSABLE:
        assert added(file, text) == (
            f"settings.yaml:7: limits.{monitor}: halted may not be never: "
            "without it the mower is not supervised"
        )
    else:
        limits = taken(file, BASE + text).settings.limits
        assert limits.at(monitor, rung) is None
        others = {key: value for key, value in DEFAULT_LIMITS[monitor].items() if key != rung}
        assert values(limits) == {**DEFAULT_LIMITS, monitor: others}


# Values from the command line


def test_overrides_reach_any_key(file: Path) -> None:
    settings = taken(
        file,
        BASE + "limits: {silence: {halted: {limit: 3, for_s: 1}}}\n",
        "limits.silence.halted=2.5",
        "limits.hdop.slowed.for_s=1",
        "limits.hdop.slowed.limit=3",
        "limits.bound.halted=never",
        "receiver.port=/dev/ttyACM1",
        "journal.directory=elsewhere",
        "start=locked",
        "mower.antenna_m=[0.1, 0]",
    ).settings
    halted, slowed = settings.limits.at("silence", "halted"), settings.limits.at("hdop", "slowed")
    assert halted is not None
    assert slowed is not None
    assert (halted.limit, halted.for_s) == (2.5, 0.0)
    assert (slowed.limit, slowed.for_s) == (3, 1)
    assert settings.limits.at("bound", "halted") is None
    assert settings.receiver.port == "/dev/ttyACM1"
    assert settings.journal is not None
    assert settings.journal.directory == "elsewhere"
    assert settings.start == "locked"
    assert settings.mower.antenna_m == (0.1, 0.0)


def test_the_last_override_of_a_key_wins_and_it_heals_a_fault_of_the_file(file: Path) -> None:
    text = BASE + "tick_s: 9\n"
    assert taken(file, text, "tick_s=0.3", "tick_s=0.2").settings.tick_s == 0.2


def test_a_port_of_a_dash_is_standard_input(file: Path) -> None:
    assert taken(file, BASE, "receiver.port=-").settings.receiver.port == "-"


@pytest.mark.parametrize(
    ("override", "said"),
    [
        ("tik_s=1", "--set tik_s=1: tik_s: unknown key; did you mean tick_s?"),
        (
            "limits.silence.haltd=1",
            "--set limits.silence.haltd=1: limits.silence.haltd: unknown key; did you mean halted?",
        ),
        ("tick_s", "--set tick_s: not KEY=VALUE, such as limits.silence.halted=2.5"),
        ("=0.1", "--set =0.1: not KEY=VALUE, such as limits.silence.halted=2.5"),
        ("limits..halted=1", "--set limits..halted=1: not KEY=VALUE, such as limits.silence"),
        ("tick_s=", "--set tick_s=: empty; give it a value"),
        ("tick_s=null", "--set tick_s=null: empty; give it a value"),
        ("tick_s=[", "--set tick_s=[: the value cannot be read"),
        ("tick_s=soon", "--set tick_s=soon: tick_s: is 'soon'"),
        ("tick_s=9", "--set tick_s=9: tick_s: is 9; it must be at most 0.5"),
        (
            "limits.silence.halted=never",
            "--set limits.silence.halted=never: limits.silence: halted may not be never",
        ),
        ("fence=nowhere.geojson", "nowhere.geojson: the fence cannot be read: No such file"),
    ],
)
def test_an_override_that_is_wrong_is_named_by_its_text(
    file: Path, override: str, said: str
) -> None:
    assert fault(file, BASE, override).startswith(said)


# The hash


def test_the_hash_changes_with_a_value_and_with_nothing_else(file: Path) -> None:
    def hashed(text: str, *overrides: str) -> str:
        return taken(file, text, *overrides).settings_hash

    plain = hashed(BASE)
    assert re.fullmatch("[0-9a-f]{16}", plain)
    assert hashed("# a lawn\n" + BASE + "\n# and its mower\n") == plain
    assert hashed("".join(reversed(re.split(r"(?m)^(?=\S)", BASE)))) == plain
    assert hashed(BASE + "tick_s: 0.1\n") == plain
    assert hashed(BASE + "tick_s: 0.11\n") != plain
    assert hashed(BASE, "tick_s=0.11") == hashed(BASE + "tick_s: 0.11\n")
    assert hashed(BASE, "limits.hdop.slowed=2.1") != plain
    assert hashed(BASE, "limits.hdop.slowed=never") != plain
    assert hashed(BASE, "limits.hdop.slowed={limit: 2.0, for_s: 0.5}") != plain


WHOLE = {
    "fence": "lawn.geojson",
    "mower": {"outline_m": OUTLINE, "antenna_m": [0.0, 0.0], "antenna_height_m": 0.3},
    "receiver": {
        "port": "/dev/ttyACM0",
        "accuracy": {"header": "PXYZA", "field": 5, "unit": "m", "means": "p95"},
    },
    "outputs": {
        name: {"pin": pin}
        for pin, name in enumerate(("drive_enable", "blade_enable", "slow", "heartbeat", "warning"))
    },
    "inputs": {"reset_pin": 9},
    "journal": {"directory": "journal"},
}
"""Whatever may be left out is given, so that every key is there."""
Key = tuple[str, ...]


def leaves(tree: Any, key: Key = ()) -> Iterator[Key]:
    """Every single key; a list is one value."""
    if isinstance(tree, dict):
        for name, value in tree.items():
            yield from leaves(value, (*key, name))
    else:
        yield key


def changed(part: Any, key: Key) -> Any:
    """The same but for one key, whose value is another."""
    if isinstance(part, BaseModel):
        return part.model_copy(update={key[0]: changed(getattr(part, key[0]), key[1:])})
    if isinstance(part, dict):
        return {**part, key[0]: changed(part[key[0]], key[1:])}
    return "another"


@pytest.mark.filterwarnings("ignore:Pydantic serializer warnings")
def test_each_single_key_is_in_one_of_the_two_hashes_and_in_one_alone() -> None:
    """What decides is told apart from where things are."""
    settings = Settings.model_validate(WHOLE)
    keys = list(leaves(settings.model_dump(mode="json")))
    before = hashes(settings)
    for key in keys:
        after = hashes(changed(settings, key))
        differ = [a != b for a, b in zip(before, after, strict=True)]
        assert differ == [not is_setup(key), is_setup(key)], key
    assert {key[0] for key in keys} == set(Settings.model_fields)
    assert sum(map(is_setup, keys)) == 2 + 1 + 5 * 2 + 1 + 2


def is_setup(key: Key) -> bool:
    return key[0] in ("fence", "outputs", "inputs", "journal") or key in (
        ("receiver", "port"),
        ("receiver", "baud"),
    )


def test_a_file_is_told_by_both_hashes(file: Path) -> None:
    plain = taken(file, BASE)
    assert (plain.settings_hash, plain.setup_hash) == hashes(plain.settings)
    assert re.fullmatch("[0-9a-f]{16}", plain.setup_hash)
    elsewhere = taken(file, BASE, "receiver.port=-", "journal.directory=elsewhere")
    assert elsewhere.settings_hash == plain.settings_hash
    assert elsewhere.setup_hash != plain.setup_hash


def test_the_hash_of_the_fence_is_that_of_its_bytes(file: Path) -> None:
    before = taken(file, BASE)
    fence = file.parent / "lawn.geojson"
    fence.write_text(fence.read_text() + "\n")
    after = taken(file, BASE)
    assert after.fence_hash != before.fence_hash
    assert after.settings_hash == before.settings_hash


# What the judgement is told


TOLD: list[tuple[str, object, list[str]]] = [
    ("mower.antenna_m", (0.1, 0.2), ["mower.antenna_m"]),
    ("mower.antenna_height_m", 0.41, ["mower.antenna_height_m"]),
    ("mower.full_mps", 0.61, ["mower.full_mps", "track.top_mps", "ladder.full_mps"]),
    ("mower.slowed_mps", 0.21, ["ladder.slowed_mps"]),
    ("mower.speeding_up_mps2", 0.61, ["mower.speeding_up_mps2", "track.speeding_up_mps2"]),
    ("mower.held_s", 0.61, ["mower.held_s"]),
    ("mower.course_from_mps", 0.31, ["mower.course_from_mps"]),
    ("mower.course_error_deg", 4.5, ["mower.course_error_deg"]),
    ("mower.course_within_deg", 50.5, ["mower.course_within_deg"]),
    ("mower.stopping.keep_m", 0.21, ["mower.keep_m"]),
    ("mower.stopping.blade_keep_m", 0.22, ["mower.blade_keep_m"]),
    ("mower.stopping.blade_stop_s", 2.5, ["mower.stopping.blade_stop_s"]),
    ("mower.stopping.reaction_s", 0.45, ["mower.stopping.reaction_s"]),
    ("bound.probability", 0.995, ["bound.probability"]),
    ("bound.sigma_m.float", 0.7, ["bound.sigma_m.float"]),
    ("bound.optimism.float", 2.7, ["bound.optimism.float"]),
    ("bound.floor_m.float", 0.7, ["bound.floor_m.float"]),
    ("bound.age_fresh_s", 2.5, ["bound.age_fresh_s"]),
    ("bound.age_rate_mps", 0.003, ["bound.age_rate_mps"]),
    ("track.window_s", 25.5, ["track.window_s"]),
    ("track.way_error", 0.03, ["track.way_error"]),
    ("start", "locked", ["ladder.start"]),
    ("clear_s.slowed", 2.5, ["ladder.clear_s.SLOWED"]),
    ("clear_s.blade_off", 5.5, ["ladder.clear_s.BLADE_OFF"]),
    ("clear_s.halted", 10.5, ["ladder.clear_s.HALTED"]),
    ("blade_delay_s", 3.5, ["ladder.blade_delay_s"]),
    ("grant_valid_s", 0.6, ["ladder.grant_valid_s"]),
    ("arm.fixed_for_s", 11.5, ["armed_after_s"]),
    ("limits.hdop.slowed", 2.5, ["monitors.hdop.rows"]),
    ("limits.hdop.slowed", {"limit": 2.0, "for_s": 0.5}, ["monitors.hdop.rows"]),
    ("limits.hdop.watch_only", True, ["monitors.hdop.acts"]),
]


def parts(told: Any, name: str = "") -> dict[str, Any]:
    """Every single parameter by its name."""
    if isinstance(told, dict):
        named = {getattr(key, "name", key): value for key, value in told.items()}
    elif hasattr(told, "_asdict"):
        named = told._asdict()
    else:
        return {name: told}
    found: dict[str, Any] = {}
    for key, value in named.items():
        found |= parts(value, f"{name}.{key}" if name else str(key))
    return found


@pytest.mark.parametrize(("key", "value", "names"), TOLD)
def test_each_setting_is_a_parameter_of_the_judgement_and_changes_no_other(
    key: str, value: object, names: list[str], file: Path
) -> None:
    before = taken(file, BASE).settings
    after = taken(file, BASE, f"{key}={json.dumps(value)}").settings
    was, now = parts(before.parameters()), parts(after.parameters())
    assert [name for name in now if now[name] != was[name]] == names
    if not key.startswith(("start", "limits")):
        assert [now[name] for name in names] == [value] * len(names)


def test_every_parameter_is_set_by_a_setting(file: Path) -> None:
    """But for the outline, the braking, of which the worst case is told, and other limits."""
    told = parts(taken(file, BASE).settings.parameters())
    missed = set(told) - {name for _, _, names in TOLD for name in names}
    assert {name for name in missed if not name.startswith(("monitors", "bound"))} == {
        "mower.outline_m",
        "mower.stopping.deceleration_mps2",
    }


# What is delivered


def test_everything_else_in_the_delivered_settings_is_the_default(file: Path) -> None:
    delivered = load(CONFIG / "settings.yaml").settings
    default = taken(file, BASE + "  antenna_height_m: 0.3\n").settings
    own = {"fence", "outputs", "inputs", "journal", "recording", "receiver"}
    assert delivered.model_dump(exclude=own) == default.model_dump(exclude=own)
    assert delivered.receiver.baud == default.receiver.baud
    assert delivered.receiver.epoch_wait_s == default.receiver.epoch_wait_s
    assert delivered.journal is not None
    assert taken(file, BASE + "journal: {directory: journal}\n").settings.journal == (
        delivered.journal
    )
    assert taken(file, BASE + "recording: {directory: recording}\n").settings.recording == (
        delivered.recording
    )


def test_a_recording_may_be_left_out_or_switched_off(file: Path) -> None:
    assert taken(file, BASE).settings.recording is None
    assert taken(file, BASE + "recording: none\n").settings.recording is None


@pytest.mark.parametrize(
    ("enough", "too_little", "said"),
    [
        (
            "journal: {directory: j, keep_mib: 32}",
            "journal: {directory: j, keep_mib: 31.9}",
            "keep_mib",
        ),
        (
            "recording: {directory: r, cap_gib: 0.5, file_mib: 256}",
            "recording: {directory: r, cap_gib: 0.5, file_mib: 256.1}",
            "cap_gib",
        ),
    ],
    ids=["journal", "recording"],
)
def test_a_cap_has_room_for_two_files(file: Path, enough: str, too_little: str, said: str) -> None:
    """The newest file stays, whatever the cap says, so that something older can."""
    taken(file, BASE + enough + "\n")
    assert f"{said} is less than two files of file_mib" in faults(file, BASE + too_little + "\n")[0]


def test_the_delivered_settings_name_every_key() -> None:
    """Whoever reads the file sees all there is to set, if only as a comment."""
    text = (CONFIG / "settings.yaml").read_text()
    document = yaml.safe_load(re.sub(r"(?m)^  # (?=accuracy:|  )", "  ", text))
    assert set(document) == set(Settings.model_fields)
    sections = [
        "mower",
        "receiver",
        "outputs",
        "inputs",
        "journal",
        "recording",
        "arm",
        "bound",
        "track",
        "clear_s",
    ]
    for name in sections:
        section = getattr(load(CONFIG / "settings.yaml").settings, name)
        assert set(document[name]) == set(type(section).model_fields), name


def test_the_demo_settings_differ_in_nothing_but_their_places() -> None:
    demo = load(CONFIG / "demo" / "settings.yaml").settings
    delivered = load(CONFIG / "settings.yaml").settings
    own = {"fence", "outputs", "inputs", "journal", "recording", "receiver"}
    assert demo.model_dump(exclude=own) == delivered.model_dump(exclude=own)
    assert demo.outputs is None


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


def test_a_value_that_refers_to_itself_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "settings.yaml"
    file.write_text("fence: &a [*a]\n")
    with pytest.raises(BadInput, match="refers to itself"):
        load(file)


def test_a_monitor_may_be_set_to_watch_only_but_not_one_that_supervision_rests_on(
    file: Path,
) -> None:
    limits = taken(file, BASE + "limits: {drift: {watch_only: true}}\n").settings.limits
    assert limits.watch_only("drift")
    assert not limits.watch_only("jump")
    for name in ("silence", "solution", "room"):
        assert (
            "watch_only must be false"
            in faults(file, BASE + f"limits: {{{name}: {{watch_only: true}}}}\n")[0]
        )


def test_values_that_contradict_each_other_are_refused(file: Path) -> None:
    for text, said in (
        ("  slowed_mps: 0.51\n", "slowed_mps is more than full_mps"),
        ("tick_s: 0.3\ngrant_valid_s: 0.2\n", "grant_valid_s is less than tick_s"),
    ):
        assert said in faults(file, BASE + text)[0]
    taken(file, BASE + "  slowed_mps: 0.5\n")
    taken(file, BASE + "tick_s: 0.2\ngrant_valid_s: 0.2\n")


@pytest.mark.parametrize(
    "value",
    ["2026-13-45", "0x_", "!!int abc", "9" * 5000, "[" * 3000, "{a: null}", "[1, null]"],
)
def test_a_value_that_yaml_cannot_read_is_refused(file: Path, value: str) -> None:
    with pytest.raises(BadInput, match="--set tick_s="):
        load(file, [f"tick_s={value}"])


def test_one_item_of_a_list_cannot_be_set(file: Path) -> None:
    with pytest.raises(BadInput, match="outline_m is a list; give the whole list"):
        load(file, ["mower.outline_m.0=2"])


@pytest.mark.parametrize("outline", ["[[0,0],[0.001,0],[0,0.001]]", "[[0,0],[1,0],[2,0]]"])
def test_an_outline_of_no_size_is_refused(file: Path, outline: str) -> None:
    with pytest.raises(BadInput, match="no mower is so small"):
        load(file, [f"mower.outline_m={outline}"])
