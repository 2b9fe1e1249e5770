"""The live loop with a clock that is set by hand, and stand-ins for whatever it drives.

They note what is asked of them and when.
"""

from collections.abc import Callable
from types import TracebackType
from typing import Any, NamedTuple, Self, cast

from fenceguard.inputs.input import Panel
from fenceguard.journal.records import Entry
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import Decision, Grant
from fenceguard.live import Live
from fenceguard.outputs.output import Output
from fenceguard.recording.write import Recorder
from fenceguard.settings import Loaded
from fenceguard.sources.source import Source
from tests.support.made import RATE_HZ, with_a_float

BEGIN_S = 5000.0
UTC_S = 1_930_000_000.0
TICK_S = 0.1
PERMITTED = {
    "full": (True, True, False),
    "slowed": (True, True, True),
    "blade_off": (True, False, True),
    "halted": (False, False, True),
    "locked": (False, False, True),
}
"""Drive, blade, slow: the table in the README."""


class Noted(NamedTuple):
    """Something that the loop did, and when by the clock."""

    at_s: float
    what: str
    told: Any = None


class Bench:
    """A loop with its clock and stand-ins; `done` is what it did, in order.

    Bytes arrive at the given times after the beginning. Reading takes as long as it may wait, or
    until bytes arrive, and `late_s` more, as on a machine that is busy. `hooks` are run once their
    time has come, while the loop reads. Where `breaks` says so, a part raises.
    """

    next_intervention = 8
    set_aside: dict[str, object] | None = None
    fault: str | None = None
    name = "reset"

    def __init__(
        self, lawn: Loaded, arriving: list[tuple[float, bytes]], late_s: float = 0.0
    ) -> None:
        self.now_s = BEGIN_S
        self.done: list[Noted] = []
        self.waits_s: list[float] = []
        self.pressed: Callable[[float], bool] = lambda _passed_s: False
        self.hooks: list[tuple[float, Callable[[], None]]] = []
        self.breaks: dict[str, BaseException] = {}
        self.showing_s = 0.0
        self._arriving = [(BEGIN_S + after_s, data) for after_s, data in arriving]
        self._late_s = late_s
        self.loop = Live(
            lawn,
            cast(Source, self),
            cast(Output, self),
            cast(Journal, Remembers(self)),
            told=lambda entry: self.note("told", entry),
            shown=self.show,
            panel=Panel(self),
            recorder=cast(Recorder, Records(self)),
        )

    def note(self, what: str, told: Any = None) -> None:
        if what in self.breaks:
            raise self.breaks[what]
        self.done.append(Noted(self.now_s, what, told))

    def of(self, *whats: str) -> list[Noted]:
        """All of some kinds that was done."""
        return [one for one in self.done if one.what in whats]

    def entries(self) -> list[Entry]:
        return [one.told for one in self.of("written")]

    def run(self) -> str:
        return self.loop.run()

    # The source

    @property
    def ended(self) -> bool:
        return not self._arriving

    def read(self, timeout_s: float) -> bytes:
        self.note("read")
        assert 0.0 <= timeout_s <= TICK_S + 0.001
        self.waits_s.append(timeout_s)
        until_s = self.now_s + timeout_s
        at_s, data = self._arriving[0]
        if at_s <= until_s:
            del self._arriving[0]
            until_s = max(at_s, self.now_s)
        self.now_s = until_s + self._late_s
        for hook in [one for one in self.hooks if BEGIN_S + one[0] <= self.now_s]:
            self.hooks.remove(hook)
            hook[1]()
        return data if at_s <= until_s else b""

    # The output

    def apply(self, grant: Grant) -> None:
        self.note("applied", grant)

    def beat(self) -> None:
        self.note("beat")

    def off(self) -> None:
        self.done.append(Noted(self.now_s, "off"))
        if "off" in self.breaks:
            raise self.breaks["off"]

    # Screen and button

    def show(self, decision: Decision) -> None:
        self.note("shown", decision)
        self.now_s += self.showing_s

    def down(self) -> bool:
        return self.pressed(self.now_s - BEGIN_S)

    # What nobody asks for here

    def close(self) -> None: ...
    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...


class Remembers:
    """The journal."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.next_intervention = bench.next_intervention
        self.set_aside = {"file": "x", "bytes": 3}

    def add(self, entry: Entry) -> None:
        self._bench.note("written", entry)


class Records:
    """The recorder."""

    def __init__(self, bench: Bench) -> None:
        self._note = bench.note

    def start(self, at_s: float, header: dict[str, Any]) -> None:
        self._note("recorded start", (at_s, header))

    def arrived(self, at_s: float, data: bytes) -> None:
        self._note("recorded bytes", (at_s, data))

    def inputs(self, at_s: float, held: dict[str, bool]) -> None:
        self._note("recorded inputs", (at_s, held))

    def stop(self, at_s: float, reason: str) -> None:
        self._note("recorded stop", (at_s, reason))


def mowing(every_s: float = 1 / RATE_HZ) -> list[tuple[float, bytes]]:
    """A float on the way, told at moments that are no whole ms."""
    data = with_a_float(9.0)
    size = len(data) // 45
    return [
        (0.0504 + every_s * n, data[n * size : (n + 1) * size]) for n in range(len(data) // size)
    ]


def silence(duration_s: float) -> list[tuple[float, bytes]]:
    """Nothing until the end."""
    return [(duration_s, b"\r\n")]
