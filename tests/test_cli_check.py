"""`fenceguard check`, as a process: what it prints and notes, and what it says to a bad fence."""

from pathlib import Path
from typing import Any

import pytest

from tests.support.command import DEMO, for_people, refused, result
from tests.support.lawns import (
    LAWN,
    POND,
    Corners,
    collection,
    lawn_with_pond,
    polygon,
    write_settings,
)
from tests.support.made import QUICK, with_a_float


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    return write_settings(tmp_path, **QUICK)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "standing.nmea"
    file.write_bytes(with_a_float())
    return file


BOW: Corners = [(0, 0), (30, 20), (30, 0), (0, 20)]

ACROSS: Corners = [(28, 5), (33, 5), (33, 7), (28, 7)]


def square(side_m: float) -> Corners:
    return [(0, 0), (side_m, 0), (side_m, side_m), (0, side_m)]


def spoiled(ring: list[Any]) -> dict[str, Any]:
    """The lawn with another ring of positions around it."""
    document = lawn_with_pond()
    document["features"][0]["geometry"]["coordinates"][0] = ring
    return document


RING = lawn_with_pond()["features"][0]["geometry"]["coordinates"][0]


@pytest.mark.parametrize(
    ("document", "said"),
    [
        (
            collection(polygon(BOW, "keep_in", "bow")),
            'feature 0 "bow" vertex 0: the edge from vertex 0 to 1 crosses',
        ),
        (spoiled(RING[:-1]), 'feature 0 "lawn" vertex 3: the ring is open'),
        (collection(polygon([(0, 0), (5, 5)], "keep_in", "line")), "it needs 3 or more"),
        (
            collection(
                polygon(LAWN, "keep_in", "lawn"),
                polygon([(east + 100, north) for east, north in POND], "keep_out", "away"),
            ),
            'feature 1 "away" vertex 0: the keep-out lies outside the fence',
        ),
        (
            collection(polygon(LAWN, "keep_in", "lawn"), polygon(ACROSS, "keep_out", "drive")),
            'feature 1 "drive" vertex 1: the keep-out crosses the fence',
        ),
        (spoiled([RING[0], [50.0, 110.0], *RING[2:]]), "longitude and latitude look swapped"),
        (spoiled([RING[0], [190.0, 50.0], *RING[2:]]), "longitude 190.0 is out of -180 to 180"),
        (spoiled([RING[0], [10.0, 90.5], *RING[2:]]), "latitude 90.5 is out of -90 to 90"),
        (
            collection(polygon(square(1420.0), "keep_in", "field")),
            'feature 0 "field" vertex 2: the ring is 2',
        ),
        (collection(polygon(square(0.99), "keep_in", "pot")), 'feature 0 "pot": 0.98 m² remain'),
        (collection(polygon(POND, "keep_out", "pond")), "0 keep-in polygons"),
        ({"type": "FeatureCollection"}, "not a GeoJSON FeatureCollection"),
    ],
    ids=[
        "crosses itself",
        "open",
        "two corners",
        "keep-out outside",
        "keep-out across",
        "swapped",
        "longitude",
        "latitude",
        "too wide",
        "too small",
        "no fence",
        "no collection",
    ],
)
def test_a_fault_of_the_fence(tmp_path: Path, document: dict[str, Any], said: str) -> None:
    line = refused("check", "--settings", write_settings(tmp_path, document))
    assert line.startswith(f"fenceguard check: {tmp_path / 'lawn.geojson'}: ")
    assert said in line


def test_a_fence_that_is_not_there_or_not_json(tmp_path: Path) -> None:
    settings = write_settings(tmp_path)
    (tmp_path / "lawn.geojson").write_text("{")
    assert "lawn.geojson: not JSON" in refused("check", "--settings", settings)
    (tmp_path / "lawn.geojson").unlink()
    assert "the fence cannot be read: No such file" in refused("check", "--settings", settings)


@pytest.mark.parametrize("name", ["settings.yaml", "demo/settings.yaml"])
def test_check_says_what_will_be_supervised(name: str) -> None:
    file = DEMO.parent / name
    text = for_people("check", "--settings", file)
    assert "silence (s)" in text
    assert "Note" not in text
    content = result("check", "--settings", file)
    assert content["rings"] == ["lawn", "lawn interior ring 1", "pond"]
    assert content["settings_hash"] in text
    assert content["fence_hash"] in text
    assert f"{content['fence_area_m2']:.1f} m² to mow, 2 keep-outs" in text


def test_check_notes_what_is_odd(settings: Path) -> None:
    text = for_people(
        *("check", "--settings", settings, "--set", "start=locked"),
        *("--set", "limits.hdop.slowed=9", "--set", "limits.room.slowed=-0.05"),
    )
    unwrapped = " ".join(text.split())
    assert "it starts locked and has no reset button" in unwrapped
    assert "limits.hdop.slowed is never reached: blade_off is demanded before it" in unwrapped
    assert "limits.room.slowed is never reached: blade_off is demanded before it" in unwrapped


def test_a_limit_equal_to_the_next_is_not_odd(settings: Path) -> None:
    words = ("--set", "limits.hdop.slowed=4", "--set", "limits.room.slowed=-0.03")
    assert "never reached" not in for_people("check", "--settings", settings, *words)


@pytest.mark.parametrize(
    ("key", "fits", "odd", "said"),
    [
        ("mower.course_within_deg", 45, 45.1, "farther than limits.course.slowed (45) permits"),
        ("limits.course.slowed", 45, 44.9, "mower.course_within_deg: a course is believed to 45"),
        ("limits.approach.watch_only", "false", "true", "limits.approach demands nothing, so a"),
        ("limits.course.watch_only", "false", "true", "limits.course demands nothing, so a course"),
        ("limits.approach.slowed", 0.2, "never", "is not slowed before a fence"),
        ("limits.course.slowed", 46, "never", "limits.course demands nothing"),
    ],
)
def test_check_notes_where_limits_and_what_the_chain_goes_by_do_not_fit(
    settings: Path, key: str, fits: object, odd: object, said: str
) -> None:
    def noted(value: object) -> str:
        text = for_people("check", "--settings", settings, "--set", f"{key}={value}")
        return " ".join(text.split())

    assert said in noted(odd)
    assert said not in noted(fits)


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        ("limits.silence.halted=6", "lets the mower drive 3.0 m unseen"),
        ("limits.silence.halted={limit: 1.5, for_s: 60}", "waits 60 s before it halts the mower"),
        ("limits.room.halted=-0.2", "lets 0.2 m of the bound be past the fence"),
        ("blade_delay_s=0", "the blade starts 0 s after a warning"),
    ],
)
def test_check_notes_what_weakens_the_supervision(settings: Path, setting: str, said: str) -> None:
    shown = for_people("check", "--settings", settings, "--set", setting)
    assert said in " ".join(shown.split())


def test_check_notes_a_told_speed_that_heeds_nothing(settings: Path) -> None:
    off = [f"--set=limits.{name}.watch_only=true" for name in ("approach", "stopping")]
    said = "nothing ahead is acted on"
    assert said in " ".join(for_people("check", "--settings", settings, *off).split())
    assert said not in " ".join(for_people("check", "--settings", settings, off[0]).split())


@pytest.mark.parametrize(
    ("drive_line", "said"),
    [("cuts_power", "the drive line cuts the power"), ("told", "the drive line is only told")],
)
def test_check_says_what_the_drive_line_forces(settings: Path, drive_line: str, said: str) -> None:
    shown = for_people(
        "check", "--settings", settings, "--set", f"mower.stopping.drive_line={drive_line}"
    )
    assert said in " ".join(shown.split())
