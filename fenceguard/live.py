"""The live loop: bytes from the receiver, lines held or dropped, on a fixed tick."""

import time
import uuid
from collections.abc import Callable, Sequence

from fenceguard.guard import Guard
from fenceguard.inputs.input import Panel
from fenceguard.journal.records import Entry
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import Decision, Inputs
from fenceguard.outputs.output import Output
from fenceguard.recording.events import RESOLUTION_S, Header, rounded_s
from fenceguard.recording.write import Recorder
from fenceguard.settings import Loaded
from fenceguard.sources.source import Source

HUNG_S = 1.0
"""A loop that comes later than this has hung, or the board has slept."""


def clock_s() -> float:
    """A clock that never goes back, and that goes on while the board sleeps."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class Live:
    """Supervises a mower until it is stopped.

    `told` hears every entry, and `shown` the newest decision once a tick; neither may block.
    """

    def __init__(
        self,
        loaded: Loaded,
        source: Source,
        output: Output,
        journal: Journal,
        *,
        told: Callable[[Entry], None],
        shown: Callable[[Decision], None],
        panel: Panel | None = None,
        recorder: Recorder | None = None,
    ) -> None:
        self._guard = Guard(loaded, journal.next_intervention)
        self._loaded = loaded
        self._source = source
        self._output = output
        self._journal = journal
        self._told = told
        self._shown = shown
        self._panel = panel or Panel()
        self._recorder = recorder
        self._held = Inputs()
        self._stop_reason: str | None = None

    def stop(self, reason: str) -> None:
        """Have the loop end within a tick. May be called from a signal handler or a thread."""
        self._stop_reason = reason

    def run(self) -> str:
        """Supervise; returns the reason for the stop. Returned or raised, the output is off."""
        reason = "failed"
        try:
            self._start(rounded_s(clock_s()))
            reason = self._loop()
        finally:
            try:
                self._output.off()
            finally:
                self._end(rounded_s(clock_s()), reason)
        return reason

    def _start(self, at_s: float) -> None:
        """Write down with what the run begins."""
        run, utc_s, loaded = uuid.uuid4().hex[:12], time.time(), self._loaded
        self._guard.account.host_utc(at_s, utc_s)
        if self._recorder is not None:
            header = Header(
                run=run,
                utc_s=utc_s,
                interventions=self._guard.account.interventions,
                settings_hash=loaded.settings_hash,
                fence_hash=loaded.fence_hash,
            )
            self._recorder.start(at_s, header._asdict())
        self._guard.start(
            at_s,
            utc_s,
            run=run,
            mode="run",
            source=loaded.settings.receiver.port or "",
            set_aside=self._journal.set_aside,
        )
        self._note()

    def _loop(self) -> str:
        guard, ticks = self._guard, 0
        while self._stop_reason is None:
            # Up to the middle between two moments that the clock is rounded to.
            wait_s = guard.due_s + RESOLUTION_S / 2.0 - clock_s()
            data = self._source.read(max(0.0, wait_s))
            at_s = rounded_s(clock_s())
            if at_s - guard.due_s > HUNG_S:
                # What was due meanwhile may take a while to decide on.
                self._output.off()
            self._act(guard.receive(at_s, data) if data else guard.tick(at_s))
            if data and self._recorder is not None:
                self._recorder.arrived(at_s, data)
            if guard.ticks > ticks:
                ticks = guard.ticks
                self._look_around(at_s)
            if self._source.ended:
                return "the input ended"
        return self._stop_reason

    def _look_around(self, at_s: float) -> None:
        """What is done once a tick, after it was decided on and acted on."""
        self._output.beat()
        held = self._panel.held()
        if held != self._held:
            self._held = held
            self._act(self._guard.sense(at_s, held))
            if self._recorder is not None:
                told = {name: one for name, one in held._asdict().items() if one is not None}
                self._recorder.inputs(at_s, told)
        self._guard.account.host_utc(at_s, time.time())
        assert self._guard.decision is not None
        self._shown(self._guard.decision)

    def _act(self, decisions: Sequence[Decision]) -> None:
        """First the lines, by the newest decision alone; then the notes."""
        if decisions:
            self._output.apply(decisions[-1].grant)
        self._note()

    def _note(self) -> None:
        for entry in self._guard.entries():
            self._journal.add(entry)
            self._told(entry)

    def _end(self, at_s: float, reason: str) -> None:
        """Write down how the run ends."""
        self._guard.stop(at_s, reason)
        if self._recorder is not None:
            self._recorder.stop(at_s, reason)
        self._note()
