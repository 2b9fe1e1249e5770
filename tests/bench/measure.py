"""What the bench measures."""

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple, TypeVar

import pynmea2

from fenceguard.drill import demo
from fenceguard.guard import Guard
from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.epochs import Assembler
from fenceguard.receiver.framing import Framer, Sentence
from fenceguard.receiver.sentences import Fragment, read
from fenceguard.recording.files import chunks
from fenceguard.replay import RecordedClock, Replay
from fenceguard.settings import Loaded, load
from tests.bench.recorded import SENTENCE, raw_gga, unpacked, write_settings

ROOT = Path(__file__).parents[2]
RUNS = 3
"""Each time is the least of so many runs: the one that was disturbed least."""
HOUR_S = 3600.0
T = TypeVar("T")


class Subject(NamedTuple):
    """A recording to measure on, and the settings to replay it with."""

    name: str
    log: Path
    settings: Path


class Figures(NamedTuple):
    """What one recording took. Times by stage are for one epoch."""

    epochs: int
    sentences: int
    replay_s: float
    bare_s: float
    ratio: float
    framing_us: float
    parsing_us: float
    epochs_us: float
    judgement_us: float
    judgement_at_99_percent_us: float
    peak_mib: float


def recorded(name: str, log: Path, rate_hz: int, directory: Path) -> Subject:
    """A recording with a fence drawn around it."""
    directory.mkdir()
    silence_s = (1.5 / rate_hz, 2.5 / rate_hz, 4.0 / rate_hz)
    return Subject(name, log, write_settings(directory, raw_gga(unpacked(log)), silence_s))


def hour(directory: Path) -> Subject:
    """An hour of mowing at 10 Hz, made up."""
    demo.write(directory, seed=1, rate_hz=10, duration_s=HOUR_S)
    return Subject("hour", directory / "mowing.nmea.gz", ROOT / "config" / "settings.yaml")


def timed(work: Callable[[], T]) -> tuple[float, T]:
    """Seconds that it takes, and what it returns."""
    taken_s = []
    for _ in range(RUNS):
        began_s = time.perf_counter()
        result = work()
        taken_s.append(time.perf_counter() - began_s)
    return min(taken_s), result


def measure(subject: Subject) -> Figures:
    """Everything about one recording."""
    loaded, log = load(subject.settings), str(subject.log)
    peak_mib = peak_of_replay_mib(subject)
    replay_s, outcome = timed(lambda: Replay(lambda _run: loaded).run([log]))
    bare_s, _ = timed(lambda: bare_loop(subject.log))
    data = [chunk for chunk, _share in chunks(log)]
    framing_s, sentences = timed(lambda: frame(data))
    parsing_s, fragments = timed(lambda: parse(sentences))
    epochs_s, epochs = timed(lambda: assemble(fragments, loaded))
    arrivals = clocked(epochs)
    judgement_s, _ = timed(lambda: judge(arrivals, loaded))
    us = 1e6 / len(epochs)
    return Figures(
        epochs=outcome.epochs,
        sentences=outcome.sentences,
        replay_s=replay_s,
        bare_s=bare_s,
        ratio=replay_s / bare_s,
        framing_us=framing_s * us,
        parsing_us=parsing_s * us,
        epochs_us=epochs_s * us,
        judgement_us=judgement_s * us,
        judgement_at_99_percent_us=min(slow_s(arrivals, loaded) for _ in range(RUNS)) * 1e6,
        peak_mib=peak_mib,
    )


def bare_loop(log: Path) -> int:
    """Find every sentence with a checksum, parse it, read all its fields; how many there were."""
    fields = 0
    for match in SENTENCE.finditer(unpacked(log)):
        try:
            message = pynmea2.parse(match[0].decode("latin-1"), check=True)
            for field in message.fields:
                getattr(message, field[1], None)
                fields += 1
        except ValueError:
            continue
    return fields


def frame(data: list[bytes]) -> list[Sentence]:
    """Bytes to sentences."""
    framer = Framer()
    sentences: list[Sentence] = []
    for chunk in data:
        sentences.extend(framer.feed(chunk))
    sentences.extend(framer.finish())
    return sentences


def parse(sentences: list[Sentence]) -> list[Fragment]:
    """Sentences to fragments."""
    return [fragment for sentence in sentences if (fragment := read(sentence)) is not None]


def assemble(fragments: list[Fragment], loaded: Loaded) -> list[Epoch]:
    """Fragments to epochs."""
    assembler = Assembler(loaded.settings.receiver.epoch_wait_s)
    epochs: list[Epoch] = []
    for fragment in fragments:
        epochs += assembler.feed(fragment, 0.0)
    return epochs + assembler.finish()


def clocked(epochs: list[Epoch]) -> list[tuple[float, Epoch]]:
    """The epochs with the times at which they are judged."""
    clock = RecordedClock()
    return [(clock.arrival_s(None, epoch), epoch) for epoch in epochs]


def judge(arrivals: list[tuple[float, Epoch]], loaded: Loaded) -> None:
    """Epochs, and the ticks between them, to decisions."""
    guard = Guard(loaded)
    guard.start(0.0, 0.0, run="bench", mode="bench", source="")
    for arrival_s, epoch in arrivals:
        guard.hear(arrival_s, epoch)


def slow_s(arrivals: list[tuple[float, Epoch]], loaded: Loaded) -> float:
    """What an epoch with the ticks before it takes that only one in a hundred exceeds."""
    guard, taken_s = Guard(loaded), []
    guard.start(0.0, 0.0, run="bench", mode="bench", source="")
    for arrival_s, epoch in arrivals:
        began_s = time.perf_counter()
        guard.hear(arrival_s, epoch)
        taken_s.append(time.perf_counter() - began_s)
    return sorted(taken_s)[len(taken_s) * 99 // 100]


def peak_of_replay_mib(subject: Subject) -> float:
    """Peak memory of a process that replays the recording."""
    return float(_python("-m", "tests.bench.peak", str(subject.log), str(subject.settings)))


def import_s() -> float:
    """Seconds that a fresh process takes to import the live service."""
    timing = (
        "import time; began_s = time.perf_counter(); import fenceguard.live; "
        "print(time.perf_counter() - began_s)"
    )
    return min(float(_python("-c", timing)) for _ in range(RUNS))


def _python(*arguments: str) -> str:
    command = [sys.executable, *arguments]
    done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True)
    return done.stdout


def measure_all(logs: Path) -> tuple[dict[str, Figures], list[str]]:
    """Figures by recording, and what was skipped and why."""
    figures, skipped = {}, []
    with tempfile.TemporaryDirectory() as scratch:
        subjects = [hour(Path(scratch))]
        for name, file, rate_hz in (
            ("walk", "walk-1hz-fixed-float.ubx.gz", 1),
            ("drive", "drive-4hz-mixed.ubx.gz", 4),
        ):
            if (logs / file).exists():
                subjects.append(recorded(name, logs / file, rate_hz, Path(scratch) / name))
            else:
                skipped.append(f"{name} skipped: {logs / file} is not there")
        for subject in subjects:
            figures[subject.name] = measure(subject)
    return figures, skipped
