"""The live loop: bytes from the receiver, lines held or dropped, on a fixed tick."""

import math
import time
from collections.abc import Callable

from fenceguard.account import Event
from fenceguard.inputs.buttons import ResetButton
from fenceguard.journal.write import Journal
from fenceguard.judgement.words import Decision, Inputs
from fenceguard.outputs.lines import Lines
from fenceguard.settings import Loaded
from fenceguard.sources.source import Source
from fenceguard.watch import Watch

RESET = Inputs(reset=True)


def clock_s() -> float:
    """A clock that never goes back, and that goes on while the board sleeps."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class Service:
    """Supervises a mower until it is stopped.

    `told` hears every event and `shown` every decision; neither may block.
    """

    def __init__(
        self,
        loaded: Loaded,
        port: Source,
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
        # A button that is held, or stuck, at start does nothing until released.
        self._was_down = True
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
        down = self._button is not None and self._button.down()
        pressed = down and not self._was_down
        self._was_down = down
        decision = self._watch.step(now_s, None, RESET if pressed else Inputs())
        self._lines.beat()
        self._shown(decision, self._port.fault)
