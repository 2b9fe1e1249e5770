"""A mower at work: the live loop on its thread, a receiver on a real pseudo-terminal, mock pins."""

import os
import threading
import time
from collections.abc import Callable
from typing import Any

from fenceguard.cli.common import open_journal
from fenceguard.inputs.buttons import ResetButton
from fenceguard.inputs.input import Panel
from fenceguard.journal.records import Changed, Entry
from fenceguard.journal.story import Intervention, Story
from fenceguard.journal.verify import verify
from fenceguard.judgement.types import Decision
from fenceguard.live import Live
from fenceguard.outputs.lines import Lines
from fenceguard.settings import Loaded
from fenceguard.sources.serial_port import SerialPort
from tests.support import nmea
from tests.support.lawns import measured
from tests.support.pins import PINS, RESET_PIN, WIRED, Board, Pin
from tests.support.plug import Plug

TICK_S = 0.1
DROP_S = 0.5
"""From an epoch's arrival to the lines."""
SILENCE_S = {"slowed": 0.5, "blade_off": 1.0, "halted": 1.5}
PATIENCE_S = 15.0
"""How long anything is waited for before it counts as not happening."""
END_S = 8.0
"""How long a process may take to end: a second for its last texts, three for its journal."""
SOON: dict[str, Any] = {
    "arm": {"fixed_for_s": 0.3},
    "clear_s": {"slowed": 0.2, "blade_off": 0.2, "halted": 0.3},
    "blade_delay_s": 0.2,
    "bound": {"sigma_m": {"float": 0.3}, "optimism": {"float": 1.0}, "floor_m": {"float": 0.0}},
}
"""Up as fast as may be, so that nobody has to wait; and a float stops the blade alone."""


class Machine:
    """The live loop on its thread, with its port, pins and journal, which has the fence in it."""

    def __init__(self, loaded: Loaded, port: SerialPort) -> None:
        settings = loaded.settings
        assert settings.journal is not None
        self.board = Board()
        self.told: list[Entry] = []
        self.faults: list[str | None] = [None]
        self.outcome: str | BaseException | None = None
        self.directory = loaded.path(settings.journal.directory)
        self._closed = False
        self._port = port
        self._journal = open_journal(loaded, self.directory)
        self._lines = Lines.from_settings(settings.outputs, self.board.factory)
        self._panel = Panel()
        if settings.inputs is not None:
            self._panel = Panel(ResetButton(settings.inputs.reset_pin, self.board.factory))
        self.live = Live(
            loaded,
            port,
            self._lines,
            self._journal,
            told=self.told.append,
            shown=self._shown,
            panel=self._panel,
        )
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self.outcome = self.live.run()
        except BaseException as error:
            self.outcome = error

    def _shown(self, _decision: Decision) -> None:
        fault = self._port.fault
        if fault != self.faults[-1]:
            self.faults.append(fault)

    def pin(self, name: str) -> Pin:
        """The pin of a line."""
        return self.board.line(name)

    def on(self, *names: str) -> bool:
        """Whether all these lines are on."""
        return all(self.pin(name).high for name in names)

    def off(self) -> bool:
        """Whether every line is off."""
        return not any(self.pin(name).high for name in PINS)

    def full(self) -> bool:
        """Whether the lines are as on the rung `full`."""
        return self.on("drive_enable", "blade_enable") and not self.on("slow")

    def dropped_s(self, name: str) -> float:
        """When the line was last written; it was put off then."""
        last = self.pin(name).written[-1]
        assert not last.high
        return last.at_s

    def ends(self) -> str | BaseException:
        """Wait for the end; what came out of it."""
        self._thread.join(PATIENCE_S)
        assert self.outcome is not None, "the loop does not end"
        return self.outcome

    def rungs(self) -> list[str]:
        """Every rung that was taken so far."""
        return [change.rung for change in self.changes()]

    def changes(self) -> list[Changed]:
        """Every change of rung so far."""
        return [one.record for one in list(self.told) if isinstance(one.record, Changed)]

    def begun(self) -> Intervention:
        """The newest intervention."""
        story = Story()
        for entry in list(self.told):
            story.add(entry)
        return story.interventions[-1]

    def close(self) -> None:
        """End it, with whatever it holds; its journal must be sound. May be repeated."""
        if self._closed:
            return
        self._closed = True
        self.live.stop("the test ends")
        self.ends()
        self._port.close()
        self._lines.close()
        self._panel.close()
        self._journal.close()
        assert self.off()
        assert verify(self.directory).faults == []


class Receiver:
    """What a receiver would say, ten times a second, to whatever is plugged in."""

    RATE_HZ = 10.0

    def __init__(self, plug: Plug) -> None:
        self.plug = plug
        self.east_m, self.north_m = 22.0, 10.0
        self.course_deg, self.speed_mps = 90.0, 0.0
        self.quality, self.age_s = 4, 1.0
        self._number = 0
        self._began_s = time.monotonic()

    def talk_until(self, condition: Callable[[], bool]) -> float:
        """Send epochs until a condition holds; when the first one was sent."""
        first_s = time.monotonic()
        for number in range(int(PATIENCE_S * self.RATE_HZ)):
            self._send()
            next_s = first_s + (number + 1) / self.RATE_HZ
            while time.monotonic() < next_s:
                if condition():
                    return first_s
                time.sleep(0.002)
        raise AssertionError("what was waited for did not happen")

    def talk(self, span_s: float) -> None:
        """Send epochs for a while."""
        end_s = time.monotonic() + span_s
        self.talk_until(lambda: time.monotonic() >= end_s)

    def _send(self) -> None:
        # Its clock goes on while the plug is out.
        tenths = max(self._number, round((time.monotonic() - self._began_s) * 10.0))
        self._number = tenths + 1
        self.east_m += self.speed_mps / self.RATE_HZ
        clock = nmea.clock(9 * 3600 + tenths / 10)
        place = nmea.place(*measured(self.east_m, self.north_m, tenths))
        knots = self.speed_mps / 0.514444
        gga = nmea.gga(clock, place, quality=self.quality, hdop=0.8, age_s=self.age_s)
        rmc = nmea.rmc(clock, place, knots=knots, course_deg=self.course_deg, date="140531")
        os.set_blocking(self.plug.far, False)
        os.write(self.plug.far, gga + rmc)


def wired(**changes: Any) -> dict[str, Any]:
    """Settings with every line and the reset button wired, and up again soon; None leaves out."""
    settings = {
        "receiver": {"port": "receiver"},
        "outputs": WIRED,
        "inputs": {"reset_pin": RESET_PIN},
        "journal": {"directory": "journal"},
        "limits": {"silence": SILENCE_S},
        "tick_s": TICK_S,
        **SOON,
        **changes,
    }
    return {key: value for key, value in settings.items() if value is not None}


Start = Callable[..., Machine]
"""Starts a machine with settings changed, or with such as are given."""
