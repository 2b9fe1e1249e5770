"""Settings: values from the command line."""

from pathlib import Path

import pytest

from fenceguard.errors import BadInput
from fenceguard.settings import load
from tests.support.settings_files import BASE, fault, taken


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
