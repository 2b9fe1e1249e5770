"""What several tests need."""

import contextlib
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings

from fenceguard.mower.clearances import Clearances
from fenceguard.settings import Loaded, load
from fenceguard.sources.serial_port import SerialPort
from tests.support import disks
from tests.support.lawns import write_settings
from tests.support.machine import Machine, Receiver, Start, wired
from tests.support.plug import Plug

settings.register_profile("everyday", deadline=None, suppress_health_check=[HealthCheck.too_slow])
"""No test fails because a machine is busy."""
settings.load_profile("everyday")
settings.register_profile(
    "mutation",
    max_examples=15,
    derandomize=True,
    database=None,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow],
)
"""For mutation tests alone: cheap, and the same examples every time."""

LOGS = Path(__file__).parents[2] / "shared" / "logs"
"""Recordings of real receivers, which are not part of the project."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Live tests run one after the other in one of the processes, as load disturbs them."""
    for item in items:
        if item.get_closest_marker("live") and not item.get_closest_marker("xdist_group"):
            item.add_marker(pytest.mark.xdist_group("live"))


def many(times: float) -> int:
    """So many times the examples of the profile, which are 100 in an ordinary run."""
    return round(times * settings().max_examples)


@pytest.fixture
def log() -> Callable[[str], Path]:
    """Finds a recording by name, or skips the test."""

    def find(name: str) -> Path:
        path = LOGS / name
        if not path.exists():
            pytest.skip(f"recording {name} is not there: {LOGS}")
        return path

    return find


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A settings file with a good fence beside it."""
    return write_settings(tmp_path)


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    plug = Plug(tmp_path / "receiver")
    plug.put_in()
    yield plug
    plug.pull()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 64 KiB."""
    with disks.small_disk(tmp_path) as disk:
        yield disk


@pytest.fixture
def hanging_disk(tmp_path: Path) -> Iterator[disks.HangingDisk]:
    """A real file system that can be made to hang."""
    with disks.hanging_disk(tmp_path) as disk:
        yield disk


@pytest.fixture
def exact_clearance(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the supervisor search for the nearest line at every epoch, needed or not."""
    monkeypatch.setattr(Clearances, "at_least_m", lambda _self, _pose: -math.inf)


@pytest.fixture
def receiver(plug: Plug) -> Receiver:
    return Receiver(plug)


@pytest.fixture
def start(tmp_path: Path, plug: Plug) -> Iterator[Start]:
    """Starts a machine with settings changed, or with such as are given."""
    with contextlib.ExitStack() as ending:

        def start(
            given: Loaded | None = None,
            port: Callable[[str, int], SerialPort] = SerialPort,
            **changes: Any,
        ) -> Machine:
            loaded = given or load(write_settings(tmp_path, **wired(**changes)))
            machine = Machine(loaded, port(str(plug.path), 115200))
            ending.callback(machine.close)
            return machine

        yield start
