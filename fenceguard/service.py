"""The live loop: bytes from the receiver, lines held or dropped, on a fixed tick."""

import math
import time
from collections.abc import Callable
from typing import Protocol

from gpiozero import Button
from gpiozero.pins import Factory

from fenceguard.account import Event
from fenceguard.errors import BadInput
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import Decision, Inputs
from fenceguard.outputs.lines import Lines
from fenceguard.settings import Loaded
from fenceguard.settings.models import InputSettings
from fenceguard.watch import Watch

RESET = Inputs(reset=True)


def clock_s() -> float:
    """A clock that never goes back, and that goes on while the board sleeps."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class Port(Protocol):
    """Where the receiver's bytes come from."""

    def read(self, timeout_s: float) -> bytes:
        """What has arrived; waits no longer than the timeout."""

    @property
    def ended(self) -> bool:
        """Nothing will ever come again."""

    @property
    def fault(self) -> str | None:
        """Why nothing comes at present."""


class ResetButton:
    """The button by which a person at the machine lets it leave `locked`.

    Only a press counts: a button that is held, or stuck, at start does nothing until released.
    Raises BadInput if the pin cannot be had.
    """

    def __init__(self, settings: InputSettings, pin_factory: Factory | None = None) -> None:
        try:
            self._button = Button(
                settings.reset_pin, pull_up=True, bounce_time=None, pin_factory=pin_factory
            )
        except Exception as error:  # each pin library has errors of its own
            raise BadInput(
                f"inputs.reset_pin: {settings.reset_pin} cannot be read: {error}"
            ) from error
        self._was_down = True

    def pressed(self) -> bool:
        """Whether it has gone down since the last call."""
        down = bool(self._button.is_pressed)
        pressed = down and not self._was_down
        self._was_down = down
        return pressed

    def close(self) -> None:
        """Give the pin back."""
        self._button.close()


class Service:
    """Supervises a mower until it is stopped.

    `told` hears every event and `shown` every decision; neither may block.
    """

    def __init__(
        self,
        loaded: Loaded,
        port: Port,
        lines: Lines,
        journal: Journal,
        *,
        told: Callable[[Event], None],
        shown: Callable[[Decision, str | None], None],
        button: ResetButton | None = None,
    ) -> None:
        self._watch = Watch(loaded, lines, journal, told, time.time)
        self._loaded = loaded
        self._port = port
        self._lines = lines
        self._shown = shown
        self._button = button
        self._tick_s = loaded.settings.tick_s
        self._stop_reason: str | None = None

    def stop(self, reason: str) -> None:
        """Have the loop end within a tick. May be called from a signal handler or a thread."""
        self._stop_reason = reason

    def run(self) -> str:
        """Supervise; returns the reason for the stop. Returned or raised, the lines are off."""
        self._watch.start(
            clock_s(),
            time.time(),
            "run",
            self._loaded.settings.receiver.port or "",
        )
        reason = "failed"
        try:
            reason = self._loop()
        finally:
            try:
                self._lines.off()
            finally:
                self._watch.stop(clock_s(), reason)
        return reason

    def _loop(self) -> str:
        receiver = self._watch.receiver
        next_tick_s = clock_s()
        while self._stop_reason is None:
            due_s = min(next_tick_s, math.inf if receiver.due_s is None else receiver.due_s)
            data = self._port.read(max(0.0, due_s - clock_s()))
            now_s = clock_s()
            epochs = receiver.feed(data, now_s) if data else []
            for epoch in (*epochs, *receiver.poll(now_s)):
                self._watch.step(now_s, epoch)
            if now_s >= next_tick_s:
                self._tick(now_s)
                next_tick_s = max(next_tick_s + self._tick_s, now_s)
            if self._port.ended:
                return "the input ended"
        return self._stop_reason

    def _tick(self, now_s: float) -> None:
        pressed = self._button is not None and self._button.pressed()
        decision = self._watch.step(now_s, None, RESET if pressed else Inputs())
        self._lines.beat()
        self._shown(decision, self._port.fault)
