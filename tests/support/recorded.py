"""A run as the live loop drives it, recorded and told, and its files."""

import gzip
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fenceguard.guard import Guard
from fenceguard.journal.records import Entry
from fenceguard.journal.write import Journal
from fenceguard.recording.events import Header
from fenceguard.recording.names import recording_files
from fenceguard.recording.write import Recorder
from fenceguard.replay import Replay
from fenceguard.same import Kept, Proof
from fenceguard.settings import Loaded
from tests.support.arriving import Arrived
from tests.support.made import FIXED, FLOAT, RATE_HZ, standing

UTC_S = 1_930_000_000.0
NAME = "a1b2c3"


def live(
    lawn: Loaded,
    given: list[Arrived],
    directory: Path,
    ticks_s: list[float] | None = None,
    stops: bool = True,
    name: str = NAME,
    begin_s: float = 0.0,
) -> list[Entry]:
    """Drive a guard as the live loop does, with recording and journal; all that was written."""
    journal, recorder = Journal(directory / "journal"), Recorder(directory / "recording")
    journal.keep_fence(lawn.fence_hash, lawn.fence_file.read_bytes())
    guard = Guard(lawn, journal.next_intervention)
    guard.account.host_utc(begin_s, UTC_S)
    header = Header(name, UTC_S, guard.account.interventions, lawn.settings_hash, lawn.fence_hash)
    recorder.start(begin_s, header._asdict())
    guard.start(begin_s, UTC_S, run=name, mode="run", source="test")
    written: list[Entry] = []

    def note() -> None:
        for entry in guard.entries():
            written.append(entry)
            journal.add(entry)

    ticks = sorted(ticks_s or [], reverse=True)
    for one in given:
        while ticks and ticks[-1] <= one.at_s:
            guard.tick(begin_s + ticks.pop())
            note()
        at_s = round(begin_s + one.at_s, 3)
        if one.inputs is None:
            guard.receive(at_s, one.data)
            recorder.arrived(at_s, one.data)
        else:
            guard.sense(at_s, one.inputs)
            recorder.inputs(at_s, one.inputs._asdict())
        note()
    if stops:
        guard.stop(begin_s + 12.0, "over")
        recorder.stop(begin_s + 12.0, "over")
        note()
    for one_writer in (journal, recorder):
        one_writer.close()
        assert not one_writer.unwritten
    return written


def cut(lasts_s: float = 9.0) -> list[Arrived]:
    """An epoch every fifth of a second, with a second of float after six."""
    data = standing(lasts_s, lambda time_s: FLOAT if 6.0 <= time_s < 7.0 else FIXED)
    count = round(lasts_s * RATE_HZ)
    size = len(data) // count
    return [Arrived(n / RATE_HZ, data[n * size : (n + 1) * size]) for n in range(count)]


def files_of(directory: Path) -> list[str]:
    return [str(file) for file in recording_files(directory / "recording")]


def proofs(directory: Path) -> list[Proof]:
    kept = Kept(directory / "journal")
    outcome = Replay(lambda run: kept.loaded(run or "")).run(files_of(directory))
    assert outcome.faults == []
    return [Proof(one, kept.entries(one.run)) for one in outcome.again]


def rewritten(directory: Path, change: Callable[[list[dict[str, Any]]], None]) -> None:
    """Change the events of the recording."""
    (file,) = recording_files(directory / "recording")
    lines = [json.loads(line) for line in gzip.decompress(file.read_bytes()).splitlines()]
    change(lines)
    file.write_bytes(gzip.compress("".join(json.dumps(one) + "\n" for one in lines).encode()))


def same_as(directory: Path, *more: str) -> list[str]:
    recording, journal = str(directory / "recording"), str(directory / "journal")
    return ["replay", recording, "--same-as", journal, *more]
