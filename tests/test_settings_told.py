"""Settings: what the judgement is told, and the hashes by which a record names them."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from fenceguard.judgement.tells import NAMES
from fenceguard.settings import Settings
from fenceguard.settings.load import hashes
from fenceguard.settings.models import ReceiverSettings
from fenceguard.text import COSTS
from tests.support.lawns import OUTLINE
from tests.support.settings_files import BASE, faults, taken

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
    "recording": {"directory": "recording"},
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
    assert sum(map(is_setup, keys)) == 2 + 1 + 5 * 2 + 1 + 5 + 3


def is_setup(key: Key) -> bool:
    return key[0] in ("fence", "outputs", "inputs", "journal", "recording") or key in (
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
    ("mower.antenna_m", (0.1, 0.2), ["mower.antenna_m", "mower.axle_m"]),
    ("mower.axle_m", (0.1, 0.2), ["mower.axle_m"]),
    ("mower.antenna_height_m", 0.41, ["mower.antenna_height_m"]),
    ("mower.full_mps", 0.61, ["mower.full_mps", "trust.top_mps", "ladder.full_mps"]),
    ("mower.slowed_mps", 0.21, ["mower.slowed_mps", "ladder.slowed_mps"]),
    (
        "mower.speeding_up_mps2",
        0.61,
        [
            "mower.speeding_up_mps2",
            "mower.stopping.speeding_up_mps2",
            "trust.speeding_up_mps2",
        ],
    ),
    ("mower.held_s", 0.61, ["mower.held_s"]),
    ("mower.course_from_mps", 0.31, ["mower.course_from_mps"]),
    ("mower.course_error_deg", 4.5, ["mower.course_error_deg"]),
    ("mower.course_within_deg", 50.5, ["mower.course_within_deg"]),
    ("mower.wheel_slip", 0.31, ["mower.wheel_slip"]),
    ("mower.stopping.keep_m", 0.21, ["mower.keep_m"]),
    ("mower.stopping.hears_s", 0.5, ["mower.hears_s"]),
    ("mower.stopping.service_mps2", 0.4, ["mower.service_mps2"]),
    ("way_out.mps", 0.06, ["way_out.mps"]),
    ("way_out.way_m", 1.5, ["way_out.way_m"]),
    ("way_out.nearer_m", 0.02, ["way_out.nearer_m"]),
    ("way_out.past_m", 0.2, ["way_out.past_m"]),
    ("mower.stopping.blade_stop_s", 2.5, ["mower.stopping.blade_stop_s"]),
    ("mower.stopping.reaction_s", 0.45, ["mower.stopping.reaction_s", "trust.reaction_s"]),
    ("bound.probability", 0.995, ["bound.probability"]),
    ("bound.sigma_m.float", 0.7, ["bound.sigma_m.float"]),
    ("bound.least_sigma_m.float", 0.7, ["bound.least_sigma_m.float"]),
    ("bound.optimism.float", 2.7, ["bound.optimism.float"]),
    ("bound.floor_m.float", 0.7, ["bound.floor_m.float"]),
    ("bound.age_fresh_s", 2.5, ["bound.age_fresh_s"]),
    ("bound.age_rate_mps", 0.003, ["bound.age_rate_mps"]),
    ("trust.way_error", 0.03, ["trust.way_error"]),
    ("trust.anchor_m", 0.4, ["trust.anchor_m"]),
    ("trust.doubt_m", 0.3, ["trust.doubt_m"]),
    ("trust.reach_m", 1.5, ["trust.reach_m"]),
    ("trust.held_s", 12.5, ["trust.held_s"]),
    ("trust.fixes", 4, ["trust.fixes"]),
    ("trust.fixes_apart_s", 12.5, ["trust.fixes_apart_s"]),
    ("trust.without_speed", True, ["trust.without_speed"]),
    ("receiver.tells", ("speed", "height"), ["declared"]),
    ("start", "locked", ["ladder.start"]),
    ("clear_s.slowed", 2.5, ["ladder.clear_s.SLOWED"]),
    ("clear_s.blade_off", 5.5, ["ladder.clear_s.BLADE_OFF"]),
    ("clear_s.halted", 10.5, ["ladder.clear_s.HALTED"]),
    ("clear_room_s.slowed", 1.5, ["ladder.clear_room_s.SLOWED"]),
    ("clear_room_s.blade_off", 2.5, ["ladder.clear_room_s.BLADE_OFF"]),
    ("clear_room_s.halted", 3.5, ["ladder.clear_room_s.HALTED"]),
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
    """But for the outline, the braking and the slope that it depends on, and other limits.

    And for what follows from words or from limits: see below.
    """
    told = parts(taken(file, BASE).settings.parameters())
    missed = set(told) - {name for _, _, names in TOLD for name in names}
    assert {name for name in missed if not name.startswith(("monitors", "bound"))} == {
        "mower.outline_m",
        "mower.stopping.deceleration_mps2",
        "mower.stopping.drive_cut",
        "mower.slope_deg",
        "trust.slope_deg",
        "trust.hardest_mps2",
        "trust.braking_mps2",
        "mower.told_before_s",
        "mower.halted_before_s",
    }


def test_the_slope_and_the_ground_tell_how_the_mower_brakes_at_its_worst_and_best(
    file: Path,
) -> None:
    def told(*overrides: str) -> dict[str, Any]:
        return parts(taken(file, BASE, *overrides).settings.parameters())

    level, steep = (told(f"mower.stopping.slope_deg={slope}") for slope in (0.0, 4.0))
    for name in ("mower.slope_deg", "trust.slope_deg"):
        assert (level[name], steep[name]) == (0.0, 4.0)
    for name in ("mower.stopping.deceleration_mps2", "trust.braking_mps2"):
        assert steep[name] < level[name] == 1.5
    for wet, dry in ((2.0, 3.0), (3.0, 2.0)):
        grounds = told(f"mower.stopping.wet_mps2={wet}", f"mower.stopping.dry_mps2={dry}")
        assert grounds["trust.hardest_mps2"] == 3.0
        assert grounds["trust.braking_mps2"] < 2.0


def test_what_a_receiver_may_be_said_to_tell_is_what_is_learned_and_what_has_a_cost() -> None:
    """The same names in the same order, wherever they are used."""
    (of_list,) = get_args(ReceiverSettings.model_fields["tells"].annotation)
    assert get_args(of_list) == NAMES == tuple(COSTS)


def test_what_no_receiver_tells_cannot_be_declared(file: Path) -> None:
    assert "receiver.tells.0" in faults(file, BASE, 'receiver.tells=["satellites"]')[0]


NEVER = "never"


@pytest.mark.parametrize(
    ("changes", "before_s"),
    [
        ({}, 0.6),
        ({"limits.approach.slowed": 0.8}, 0.8),
        ({"limits.approach.watch_only": True}, 0.0),
        ({"limits.approach.slowed": NEVER}, 0.0),
        ({"limits.approach.slowed": NEVER, "limits.stopping.blade_off": 0.1}, 0.1),
        ({"limits.approach.slowed": NEVER, "limits.stopping.halted": 0.3}, 0.3),
        ({"limits.approach.slowed": NEVER, "limits.stopping.watch_only": True}, None),
        ({"limits.blade_stop.blade_off": 0.9}, 0.6),
        ({"limits.blade_stop.blade_off": 0.9, "mower.stopping.drive_line": "told"}, 0.9),
    ],
)
def test_the_told_speed_comes_down_before_the_first_demand_of_the_way_ahead(
    file: Path, changes: dict[str, object], before_s: float | None
) -> None:
    overrides = [f"{key}={json.dumps(value)}" for key, value in changes.items()]
    assert taken(file, BASE, *overrides).settings.parameters().mower.told_before_s == before_s


@pytest.mark.parametrize(
    ("changes", "before_s"),
    [
        ({}, 0.0),
        ({"limits.stopping.halted": 0.3, "limits.stopping.slowed": 0.5}, 0.3),
        ({"limits.stopping.halted": NEVER}, None),
        ({"limits.stopping.watch_only": True}, None),
    ],
)
def test_what_the_told_speed_leaves_to_a_mower_that_may_not_keep_it(
    file: Path, changes: dict[str, object], before_s: float | None
) -> None:
    overrides = [f"{key}={json.dumps(value)}" for key, value in changes.items()]
    assert taken(file, BASE, *overrides).settings.parameters().mower.halted_before_s == before_s
