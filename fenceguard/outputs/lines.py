"""The hands: output lines that must be actively kept on."""

import contextlib
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self

from fenceguard.errors import BadInput
from fenceguard.judgement.types import Grant

if TYPE_CHECKING:
    from gpiozero import DigitalOutputDevice
    from gpiozero.pins import Factory

GRANTED: dict[str, Callable[[Grant], bool]] = {
    "blade_enable": lambda grant: grant.blade,
    "drive_enable": lambda grant: grant.drive,
    "slow": lambda grant: grant.slow,
    "warning": lambda grant: grant.warning,
}
"""For each line that a grant moves, whether it is on; what is worst comes first."""
HEARTBEAT = "heartbeat"
WORST_FIRST = (*GRANTED, HEARTBEAT)
"""The order in which lines are written."""


class Wire(Protocol):
    """Where a line leaves the board."""

    @property
    def pin(self) -> int:
        """BCM number of the pin."""

    @property
    def active_high(self) -> bool:
        """Whether the pin is high while the line is on."""


class Wiring(Protocol):
    """Settings that know the wires."""

    def lines(self) -> Mapping[str, Wire]:
        """The lines that are wired, by name."""


class Lines:
    """Drive, blade, slow, warning and heartbeat lines; without wires there are no pins.

    `wires` are named as in `WORST_FIRST`. All lines are off from construction on, until a grant
    turns them on, and off again after `off` or `close`, or when the `with` block is left for
    whatever reason. Raises BadInput at construction if the pins cannot be had, and ValueError for
    any other name.
    """

    def __init__(
        self, wires: Mapping[str, Wire] | None = None, pin_factory: "Factory | None" = None
    ) -> None:
        self._devices: dict[str, DigitalOutputDevice] = {}
        self._on: dict[str, bool] = {}
        wires = wires or {}
        if unknown := wires.keys() - set(WORST_FIRST):
            raise ValueError(f"there are no such lines: {', '.join(sorted(unknown))}")
        for name in WORST_FIRST:
            if name not in wires:
                continue
            try:
                self._devices[name] = _device(wires[name], pin_factory)
            except Exception as error:  # each pin library has errors of its own
                self.close()
                raise BadInput(
                    f"outputs.{name}: pin {wires[name].pin} cannot be driven: {error}; on the "
                    'board install "fenceguard[board]", elsewhere set outputs: none'
                ) from error
            self._on[name] = False

    @classmethod
    def from_settings(cls, settings: Wiring | None, pin_factory: "Factory | None" = None) -> Self:
        """The lines that the settings wire; none where there are no outputs."""
        return cls(None if settings is None else settings.lines(), pin_factory)

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
        with contextlib.ExitStack() as each:  # what is put on it last is done first
            for name, device in reversed(self._devices.items()):
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


def _device(wire: Wire, pin_factory: "Factory | None") -> "DigitalOutputDevice":
    # Imported here, as it takes time and memory, and only a board has pins.
    from gpiozero import DigitalOutputDevice

    return DigitalOutputDevice(
        wire.pin, active_high=wire.active_high, initial_value=False, pin_factory=pin_factory
    )
