"""A running service is killed at random moments, fifty times; its journal must not mind."""

import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from fenceguard.journal.verify import verify
from tests.support import nmea
from tests.support.journals import written
from tests.support.lawns import measured, write_settings

pytestmark = pytest.mark.live
KILLS = 50
VICTIMS = 2
"""How many are run side by side, each with a journal of its own."""
RATE_HZ = 20
FLIP_EVERY = 6
"""Epochs after which the solution changes between fixed and float: some three times a second."""
ON_DISK_WITHIN_S = 1.0
STARTED_WITHIN_S = 30.0
EARLY_EVERY = 5
"""Every so many, one is killed while it starts."""
QUICK: dict[str, Any] = {
    "arm": {"fixed_for_s": 0.1},
    "clear_s": {"slowed": 0.1, "blade_off": 0.1, "halted": 0.1},
    "blade_delay_s": 0.0,
    "tick_s": 0.05,
    "receiver": {"port": "-"},
    "journal": {"directory": "journal", "summary_s": 1.0},
}


class Told(NamedTuple):
    """A change of rung that the service told, and when."""

    at_s: float
    utc: str
    before: str
    after: str


class Victim:
    """A service that is fed in true time until it is killed."""

    def __init__(self, settings: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-u", "-m", "fenceguard", "run", "--settings", str(settings)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        self.told: list[Told] = []
        self.began_s = time.monotonic()
        self.heard = threading.Event()
        self._over = threading.Event()
        self._threads = [threading.Thread(target=one) for one in (self._feed, self._listen)]
        for thread in self._threads:
            thread.start()

    def _feed(self) -> None:
        assert self.process.stdin is not None
        number = 0
        while not self._over.is_set():
            moment = time.time()
            place = nmea.place(*measured(5.0, 5.0, number))
            clock = nmea.clock(moment)
            gga = nmea.gga(clock, place, quality=4 + number // FLIP_EVERY % 2)
            rmc = nmea.rmc(clock, place, knots=0.1, date=nmea.date(moment), mode="R")
            try:
                os.write(self.process.stdin.fileno(), gga + rmc)
            except BrokenPipeError:
                return
            number += 1
            self._over.wait(1.0 / RATE_HZ)

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            words = line.decode().split()
            if "->" in words:
                utc, before, _arrow, after, *_ = words
                self.told.append(Told(time.monotonic(), utc, before, after))
                self.heard.set()

    def kill(self) -> float:
        """Kill it; returns when."""
        at_s = time.monotonic()
        self.process.send_signal(signal.SIGKILL)
        assert self.process.wait() == -signal.SIGKILL
        self._over.set()
        for thread in self._threads:
            thread.join(5.0)
            assert not thread.is_alive()
        for pipe in (self.process.stdin, self.process.stdout):
            assert pipe is not None
            pipe.close()
        return at_s


class Killer(threading.Thread):
    """Starts and kills service after service on one journal."""

    def __init__(self, directory: Path, seed: int) -> None:
        super().__init__()
        directory.mkdir()
        self.journal = directory / "journal"
        self.failures: list[str] = []
        self.due: list[Told] = []
        """The changes told so long before a kill that they had to be on the disk."""
        self.lives: list[tuple[float, float]] = []
        """Begin and end of every service that lived until one was due."""
        self._settings = write_settings(directory, **QUICK)
        self._random = random.Random(seed)

    def run(self) -> None:
        for number in range(KILLS // VICTIMS):
            try:
                self._once(number)
            except Exception as error:
                self.failures.append(f"kill {number}: {error!r}")
                return

    def _once(self, number: int) -> None:
        victim = Victim(self._settings)
        early = number % EARLY_EVERY == 0
        try:
            if not early:
                assert victim.heard.wait(STARTED_WITHIN_S), "it tells nothing"
            time.sleep(self._random.uniform(0.1, 1.0) if early else self._random.uniform(0.2, 2.5))
        finally:
            killed_at_s = victim.kill()
        due = [told for told in victim.told if killed_at_s - told.at_s > ON_DISK_WITHIN_S]
        self.due += due
        if due:
            self.lives.append((victim.began_s, killed_at_s))
        elif not any(self.journal.glob("*.jsonl")):
            return
        faults = verify(self.journal).faults
        self.failures += [f"kill {number}: {fault}" for fault in faults]
        kept = {
            (record["utc"], record["was"], record["rung"])
            for record in written(self.journal)
            if record["kind"] == "rung"
        }
        self.failures += [f"kill {number}: lost {told}" for told in due if told[1:] not in kept]


@pytest.mark.parametrize("seed", [1])
def test_a_service_killed_fifty_times_loses_nothing_older_than_a_second(
    tmp_path: Path, seed: int
) -> None:
    killers = [Killer(tmp_path / f"victim{k}", 10 * seed + k) for k in range(VICTIMS)]
    for killer in killers:
        killer.start()
    for killer in killers:
        killer.join()
    assert [failure for killer in killers for failure in killer.failures] == []
    for killer in killers:
        # Else there was nothing to lose.
        assert len(killer.due) > 20
        assert len(killer.lives) > 5
        kept = written(killer.journal)
        assert [record["seq"] for record in kept] == list(range(1, len(kept) + 1))
        starts_s = [record["mono_s"] for record in kept if record["kind"] == "start"]
        for began_s, killed_s in killer.lives:
            assert sum(began_s <= start_s <= killed_s for start_s in starts_s) == 1
        assert len(starts_s) <= KILLS // VICTIMS
        assert not any(record["kind"] == "stop" for record in kept)
