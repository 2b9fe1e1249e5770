"""The live loop in a world of its own: a clock that the source moves on, and all that is done."""

from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from types import TracebackType
from typing import Any, NamedTuple, Self

import pytest

from fenceguard.guard import Guard
from fenceguard.inputs.input import Panel
from fenceguard.journal.read import entries
from fenceguard.journal.records import Entry
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import Decision, Grant, Inputs
from fenceguard.live import Live
from fenceguard.recording.events import Held
from fenceguard.recording.names import recording_files
from fenceguard.recording.read import Arrived, Event, NextRun, Sensed, Started, Stopped, arrivals
from fenceguard.recording.write import Recorder
from fenceguard.settings import Loaded

BEGIN_S = 100.0
STEP_S = 2e-6
"""What reading takes, at least."""


class Came(NamedTuple):
    """Bytes at a moment. One that came late kept the process from whatever was due before it."""

    at_s: float
    data: bytes
    late: bool = False


class Noted(NamedTuple):
    """What the loop did, and when."""

    what: str
    at_s: float
    told: Any = None


class World:
    """All that the loop sees, which moves its clock on; and everything that it does, in order."""

    def __init__(self, came: Sequence[Came], held_s: Sequence[tuple[float, float]], end_s: float):
        self.now_s = BEGIN_S
        self.done: list[Noted] = []
        self.held_s = held_s
        self.waits_s: list[float] = []
        self.ended = False
        self.fault = None
        self.failing: BaseException | None = None
        self._came = [one._replace(at_s=BEGIN_S + one.at_s) for one in came]
        self._end_s = BEGIN_S + end_s

    def note(self, what: str, told: Any = None) -> None:
        self.done.append(Noted(what, self.now_s, told))

    def all(self, what: str) -> list[Any]:
        return [one.told for one in self.done if one.what == what]

    def rounds(self) -> list[list[Noted]]:
        """What was done in each round of the loop: it begins with a read."""
        begins = [number for number, one in enumerate(self.done) if one.what == "read"]
        return [self.done[a:b] for a, b in pairwise([*begins, len(self.done)])]

    # As a source

    def read(self, timeout_s: float) -> bytes:
        self.note("read")
        self.waits_s.append(timeout_s)
        assert timeout_s >= 0.0
        if self.failing is not None:
            raise self.failing
        until_s = self.now_s + max(STEP_S, timeout_s)
        if self._came and (self._came[0].late or self._came[0].at_s <= until_s):
            one = self._came.pop(0)
            self.now_s = max(self.now_s + STEP_S, one.at_s)
            return one.data
        self.now_s = until_s
        self.ended = not self._came and until_s >= self._end_s
        return b""

    # As an output

    def apply(self, grant: Grant) -> None:
        self.note("apply", grant)

    def beat(self) -> None:
        self.note("beat")

    def off(self) -> None:
        self.note("off")

    def close(self) -> None:
        """Nothing is held."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Nothing is held."""


class Button:
    """Down for as long as the world says."""

    name = "reset"
    fault = None

    def __init__(self, world: World) -> None:
        self._world = world

    def down(self) -> bool:
        self._world.note("look")
        passed_s = self._world.now_s - BEGIN_S
        return any(a <= passed_s < b for a, b in self._world.held_s)

    def close(self) -> None:
        """Nothing is held."""


class NotedJournal(Journal):
    """A journal that is seen at work."""

    world: World

    def add(self, entry: Entry) -> None:
        self.world.note("journal", entry)
        super().add(entry)


class NotedRecorder(Recorder):
    """A recorder that is seen at work."""

    world: World

    def arrived(self, at_s: float, data: bytes) -> None:
        self.world.note("arrived", (at_s, data))
        super().arrived(at_s, data)

    def inputs(self, at_s: float, held: Held) -> None:
        self.world.note("inputs", (at_s, held))
        super().inputs(at_s, held)


class Ran(NamedTuple):
    """One run that is over."""

    loaded: Loaded
    world: World
    reason: str | BaseException
    journal: list[Entry]
    """What is on the disk."""
    recording: Sequence[Event]
    """What is on the disk."""

    def again(self) -> tuple[list[Decision], list[Entry]]:
        """The recording through another guard: every decision and entry."""
        guard, decisions = Guard(self.loaded), list[Decision]()
        for event in self.recording:
            if isinstance(event, Started):
                guard.start(event.at_s, 0.0, run="r", mode="run", source="s")
            elif isinstance(event, Arrived):
                decisions += guard.receive(event.at_s, event.data)
            elif isinstance(event, Sensed):
                decisions += guard.sense(event.at_s, Inputs(**event.inputs))  # type: ignore[arg-type]
            else:
                assert isinstance(event, Stopped)
                decisions += guard.tick(event.at_s)
                guard.stop(event.at_s, event.reason)
        return decisions, guard.entries()


def ran(
    loaded: Loaded,
    came: Sequence[Came],
    end_s: float,
    held_s: Sequence[tuple[float, float]] = (),
    prepare: Callable[[World, Live], None] = lambda _world, _live: None,
) -> Ran:
    """Run the live loop until nothing more comes. Times are from the begin on."""
    world = World(came, held_s, end_s)
    with TemporaryDirectory() as directory, pytest.MonkeyPatch.context() as patch:
        patch.setattr("fenceguard.live.clock_s", lambda: world.now_s)
        journal = NotedJournal(Path(directory) / "journal")
        recorder = NotedRecorder(Path(directory) / "recording")
        journal.world = recorder.world = world
        live = Live(
            loaded,
            world,
            world,
            journal,
            told=lambda entry: world.note("told", entry),
            shown=lambda decision: world.note("shown", decision),
            panel=Panel(Button(world)),
            recorder=recorder,
        )
        prepare(world, live)
        try:
            reason: str | BaseException = live.run()
        except BaseException as error:
            reason = error
        journal.close()
        recorder.close()
        assert (journal.unwritten, recorder.unwritten) == (0, 0)
        written = list(entries(journal.directory))
        told = arrivals(recording_files(recorder.directory))
        recording = [event for event in told if not isinstance(event, NextRun)]
    return Ran(loaded, world, reason, written, recording)
