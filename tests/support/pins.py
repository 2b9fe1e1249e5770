"""Pins that are seen from outside: by the levels that are written to them."""

import sys
import time
from itertools import count
from pathlib import Path
from typing import Any, NamedTuple

from gpiozero import DigitalOutputDevice
from gpiozero.pins.mock import MockFactory, MockPin

PINS = {"drive_enable": 5, "blade_enable": 6, "slow": 13, "heartbeat": 19, "warning": 26}
RESET_PIN = 21
NO_SUCH_PIN = 53
"""BCM numbers of a 40-pin board end at 27."""
WIRED: dict[str, Any] = {name: {"pin": pin} for name, pin in PINS.items()}
"""The setting `outputs` with every line."""
ALL_OFF = dict.fromkeys(PINS, False)


class PinError(Exception):
    """What a pin library raises that knows none of gpiozero's errors, as that of a board does."""


class Written(NamedTuple):
    """A level that was written to a pin, changed or not."""

    at_s: float
    """On the clock of `time.monotonic`."""
    number: int
    """Grows from write to write, whatever pin it is."""
    high: bool


_numbers = count()


class Pin(MockPin):  # type: ignore[misc]
    """A pin that notes what is written to it, and that can break."""

    def __init__(self, factory: MockFactory, info: Any) -> None:
        self.written: list[Written] = []
        self.broken = False
        super().__init__(factory, info)

    @property
    def high(self) -> bool:
        """The level as seen from outside, broken or not."""
        return bool(self._state)

    @property
    def levels(self) -> list[bool]:
        """Every level that was written."""
        return [written.high for written in self.written]

    def _get_state(self) -> bool:
        self._may_fail()
        return self.high

    def _set_state(self, value: float) -> None:
        self._may_fail()
        super()._set_state(value)
        self.written.append(Written(time.monotonic(), next(_numbers), bool(value)))

    def _set_pull(self, value: str) -> None:
        if value == "up":
            self._may_fail()
        super()._set_pull(value)

    def _may_fail(self) -> None:
        if self.broken:
            raise PinError("the pin is gone")


class Board:
    """A board with the lines of `PINS` and the reset button."""

    def __init__(self, active_high: bool = True) -> None:
        self.factory = MockFactory(pin_class=Pin)
        self.active_high = active_high

    def pin(self, number: int) -> Pin:
        """A pin by its BCM number."""
        pin = self.factory.pin(number)
        assert isinstance(pin, Pin)
        return pin

    def line(self, name: str) -> Pin:
        """The pin of a line."""
        return self.pin(PINS[name])

    @property
    def button(self) -> Pin:
        """The pin of the reset button, which is low while that is pressed."""
        return self.pin(RESET_PIN)

    def on(self) -> dict[str, bool]:
        """For each line, whether its pin has the level that means on."""
        return {name: self.line(name).high == self.active_high for name in PINS}

    def writes(self) -> int:
        """How often any line was written."""
        return sum(len(self.line(name).written) for name in PINS)

    def written_in_order(self) -> list[str]:
        """The lines in the order of their last writes."""
        return sorted(PINS, key=lambda name: self.line(name).written[-1].number)

    def can_be_had(self, name: str) -> bool:
        """Whether the pin of a line belongs to nobody."""
        try:
            DigitalOutputDevice(PINS[name], initial_value=None, pin_factory=self.factory).close()
        except Exception:
            return False
        return True


OBSERVED = """\
import os, runpy, sys
from pathlib import Path
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPin

noted = os.open(Path(__file__).with_name("levels"), os.O_CREAT | os.O_WRONLY | os.O_APPEND)

class Pin(MockPin):
    def _set_state(self, value):
        super()._set_state(value)
        os.write(noted, f"{self.info.name} {int(value)}\\n".encode())

Device.pin_factory = MockFactory(pin_class=Pin)
sys.argv[0] = "fenceguard"
runpy.run_module("fenceguard", run_name="__main__")
"""
"""The command, with every level that is written to a pin noted outside the process."""


def observed(directory: Path) -> list[str]:
    """The words that begin a command whose pins are observed; it is kept in the directory."""
    script = directory / "observed.py"
    script.write_text(OBSERVED)
    return [sys.executable, str(script)]


def observed_levels(directory: Path) -> dict[str, bool]:
    """For each line of such a command, the level that was last written to its pin."""
    names = {f"GPIO{pin}": name for name, pin in PINS.items()}
    file = directory / "levels"
    noted = file.read_text().splitlines() if file.exists() else []
    return {names[line.split()[0]]: line.endswith("1") for line in noted}
