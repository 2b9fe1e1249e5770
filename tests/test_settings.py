"""Settings: the file and its keys; whatever is wrong is named with file, line and key."""

from pathlib import Path

import pytest
import yaml

from fenceguard.errors import BadInput
from fenceguard.settings import load
from tests.support.lawns import OUTLINE, polygon, write_settings
from tests.support.settings_files import BASE, OUTPUTS, added, fault, faults, taken


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


def test_a_value_that_refers_to_itself_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "settings.yaml"
    file.write_text("fence: &a [*a]\n")
    with pytest.raises(BadInput, match="refers to itself"):
        load(file)
