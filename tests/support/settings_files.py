"""Settings files: good ones, and what is said about bad ones."""

from pathlib import Path
from typing import Any

import pytest

from fenceguard.errors import BadInput
from fenceguard.judgement.monitors import MONITORS
from fenceguard.settings import Loaded, load
from fenceguard.settings.models import Limits

DEFAULT_LIMITS: dict[str, dict[str, Any]] = {
    monitor.name: {
        default.rung.word: {"limit": default.limit, "for_s": default.for_s}
        if default.for_s
        else default.limit
        for default in monitor.defaults
    }
    for monitor in MONITORS
}
CONFIG = Path(__file__).parents[2] / "config"
BASE = """\
fence: lawn.geojson
outputs: none
mower:
  outline_m: [[0.35, 0.25], [0.35, -0.25], [-0.25, -0.25], [-0.25, 0.25]]
  antenna_m: [0.0, 0.0]
"""
OUTPUTS = """\
outputs:
  drive_enable: {pin: 17}
  blade_enable: {pin: 27}
  slow: {pin: 22}
  heartbeat: {pin: 23}
"""


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
