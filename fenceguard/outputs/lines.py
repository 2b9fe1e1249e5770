"""The hands: output lines that must be actively kept on."""

import contextlib
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Protocol, Self

from gpiozero import DigitalOutputDevice
from gpiozero.pins import Factory

from fenceguard.errors import BadInput
from fenceguard.judgement.types import Grant

GRANTED: dict[str, Callable[[Grant], bool]] = {
    "blade_enable": lambda grant: grant.blade,
    "drive_enable": lambda grant: grant.drive,
    "slow": lambda grant: grant.slow,
    "warning": lambda grant: grant.warning,
}
"""For each line that a grant moves, whether it is on; what is worst comes first."""
HEARTBEAT = "heartbeat"


class Wiring(Protocol):
    """How one line is wired."""

    @property
    def pin(self) -> int:
        """Its pin, in BCM numbers."""

    @property
    def active_high(self) -> bool:
        """Whether high means on."""


class TellsWiring(Protocol):
    """Whatever can say which lines are wired, and how."""

    def lines(self) -> Mapping[str, Wiring]:
        """The lines by name."""


class Lines:
    """Drive, blade, slow, warning and heartbeat lines; without settings there are no pins.

    All lines are off from construction on, until a grant turns them on, and off again after
    `off` or `close`, or when the `with` block is left for whatever reason. Raises BadInput at
    construction if the pins cannot be had.
    """

    def __init__(self, settings: TellsWiring | None, pin_factory: Factory | None = None) -> None:
        self._devices: dict[str, DigitalOutputDevice] = {}
        self._on: dict[str, bool] = {}
        wanted = {} if settings is None else settings.lines()
        for name, line in wanted.items():
            try:
                self._devices[name] = DigitalOutputDevice(
                    line.pin,
                    active_high=line.active_high,
                    initial_value=False,
                    pin_factory=pin_factory,
                )
            except Exception as error:  # each pin library has errors of its own
                self.close()
                raise BadInput(
                    f"outputs.{name}: pin {line.pin} cannot be driven: {error}; on the board "
                    'install "fenceguard[board]", elsewhere set outputs: none'
                ) from error
            self._on[name] = False

    def apply(self, grant: Grant) -> None:
        """Put the lines where the grant wants them; only changes are written."""
        for name, granted in GRANTED.items():
            if name in self._devices:
                self._write(name, granted(grant))

    def beat(self) -> None:
        """Turn the heartbeat line over. Called once a tick; a hung process cannot."""
        if HEARTBEAT in self._devices:
            self._write(HEARTBEAT, not self._on[HEARTBEAT])

    def _write(self, name: str, on: bool) -> None:
        if on == self._on[name]:
            return
        self._devices[name].value = on
        self._on[name] = on

    def off(self) -> None:
        """Every line off, each even if another one fails. Raises what failed last."""
        with contextlib.ExitStack() as each:
            for name, device in self._devices.items():
                each.callback(device.off)
                self._on[name] = False

    def close(self) -> None:
        """Every line off, and the pins given back."""
        with contextlib.ExitStack() as each:
            for device in self._devices.values():
                each.callback(device.close)
            if self._devices:
                each.callback(self.off)
        self._devices = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
