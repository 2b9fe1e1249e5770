"""The settings that are delivered: every key, at its default."""

import re
from pathlib import Path

import pytest
import yaml

from fenceguard.settings import Settings, load
from tests.support.settings_files import BASE, CONFIG, faults, taken


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
    document = yaml.safe_load(re.sub(r"(?m)^  # (?=accuracy:|axle_m:|  )", "  ", text))
    assert set(document) == set(Settings.model_fields)
    sections = [
        "mower",
        "receiver",
        "outputs",
        "inputs",
        "journal",
        "recording",
        "arm",
        "way_out",
        "bound",
        "trust",
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
