"""Mutated recordings through framing, epochs and the supervisor.

Nothing may raise, and nothing may come to `full` but by a fixed epoch within the limits.
"""

import gzip
import random
from collections.abc import Callable, Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Decision, Rung, Trust
from fenceguard.receiver.receiver import Receiver
from fenceguard.settings import Loaded, load
from tests.bench.recorded import LOGS, SENTENCE, raw_gga, unpacked, write_settings
from tests.support.nmea import sentence

DEMO = Path(__file__).parents[1] / "config" / "demo"
pytestmark = pytest.mark.usefixtures("exact_clearance")
"""The room is compared with a limit, for which what is only at least there would be too little."""
QUICK = (
    "arm.fixed_for_s=1",
    "clear_s={slowed: 0.5, blade_off: 0.5, halted: 0.5}",
    "blade_delay_s=0.2",
)
DEMO_RATE = 1380.0
"""Bytes a second. Played faster, its UTC would run ahead of the arrivals, and it would halt."""
TICK_S = 0.1


class Subject:
    """A piece of a recording, and what supervises it."""

    def __init__(self, loaded: Loaded, data: bytes, bytes_per_s: float) -> None:
        self.loaded = loaded
        self.data = data
        self.bytes_per_s = bytes_per_s

    def live(self, data: bytes, cuts: Sequence[int]) -> list[Decision]:
        """Feed bytes in pieces, at the recording's pace, with ticks between."""
        supervisor = Supervisor.from_settings(self.loaded.settings, self.loaded.fence)
        receiver = Receiver(self.loaded.settings.receiver.epoch_wait_s)
        decisions = []
        now_s, tick_s = 0.0, 0.0
        edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
        for begin, end in pairwise(edges):
            now_s += (end - begin) / self.bytes_per_s
            epochs = [*receiver.feed(data[begin:end], now_s), *receiver.poll(now_s)]
            while tick_s < now_s:
                decisions.append(supervisor.step(tick_s, None))
                tick_s += TICK_S
            decisions += [supervisor.step(now_s, epoch) for epoch in epochs]
            tick_s = max(tick_s, now_s)
        for epoch in receiver.finish():
            decisions.append(supervisor.step(now_s, epoch))
        return decisions


@cache
def demo() -> Subject:
    """Half a minute of the demo, from just before its first fix, fixed and on the lawn."""
    data = gzip.decompress((DEMO / "mowing.nmea.gz").read_bytes())
    first_fix = data.index(b",4,")
    begin = data.rindex(b"$", 0, first_fix)
    return Subject(load(DEMO / "settings.yaml", QUICK), data[begin : begin + 40_000], DEMO_RATE)


@cache
def walk() -> Subject:
    """Half a minute of a real receiver, with its binary messages, up to the loss of its fix."""
    log = LOGS / "walk-1hz-fixed-float.ubx.gz"
    if not log.exists():
        pytest.skip(f"the recording {log.name} is not there: {LOGS}")
    data = unpacked(log)
    lines = raw_gga(data)
    lost = next(
        n
        for n in range(25, len(lines))
        if lines[n].quality == 5 and all(line.quality == 4 for line in lines[n - 25 : n])
    )
    spans = [match.start() for match in SENTENCE.finditer(data) if match[1][2:5] == b"GGA"]
    with TemporaryDirectory() as directory:
        file = write_settings(Path(directory), lines, (1.5, 2.5, 4.0))
        loaded = load(file, QUICK)
    piece = data[spans[lost - 25] : spans[lost + 8]]
    return Subject(loaded, piece, len(piece) / 33.0)


def within_the_limits(decision: Decision, subject: Subject) -> bool:
    """Whether the last epoch allows `full` by the plain words of the default limits."""
    epoch, situation = decision.situation.epoch, decision.situation
    limits = subject.loaded.settings.limits
    silence, bound = limits.at("silence", "slowed"), limits.at("bound", "slowed")
    assert silence is not None and bound is not None
    learned = situation.learned
    # A receiver slower than 5 Hz has so much more time, up to one epoch a second.
    period_s = 0.2 if learned is None else min(1.0, learned.period_s or 0.2)
    silent_s = float(silence.limit) + max(0.0, period_s - 0.2)
    return (
        epoch is not None
        and epoch.quality == 4
        and epoch.age_s is not None
        and 0.0 <= epoch.age_s <= 10.0
        and epoch.satellites is not None
        and epoch.satellites >= 8
        and epoch.hdop is not None
        and 0.0 <= epoch.hdop <= 2.0
        and situation.silence_s is not None
        and 0.0 <= situation.silence_s <= silent_s + 1e-9
        and situation.bound_m is not None
        and 0.0 < situation.bound_m <= float(bound.limit)
        and (situation.trust is Trust.TRUSTED or limits.watch_only("trust"))
        and situation.room_m is not None
        and situation.room_m >= 0.3
    )


def check(subject: Subject, data: bytes, cuts: Sequence[int]) -> int:
    """No step may stand at full outside the limits; how many stood there at all."""
    full = [one for one in subject.live(data, cuts) if one.rung is Rung.FULL]
    for decision in full:
        assert within_the_limits(decision, subject), decision
        assert decision.findings == ()
    return len(full)


SUBJECTS: list[Callable[[], Subject]] = [demo, walk]


@pytest.mark.parametrize("subject", SUBJECTS)
def test_unharmed_it_comes_to_full(subject: Callable[[], Subject]) -> None:
    """Else the tests below would say nothing."""
    one = subject()
    assert check(one, one.data, range(0, len(one.data), 200)) > 50


# Harm


def flip(data: bytes, at: int, value: int, _size: int) -> bytes:
    """One byte replaced."""
    return data[:at] + bytes([value % 256]) + data[at + 1 :]


def lose(data: bytes, at: int, _value: int, size: int) -> bytes:
    """A stretch lost."""
    return data[:at] + data[at + size :]


def repeat(data: bytes, at: int, _value: int, size: int) -> bytes:
    """A stretch sent twice."""
    return data[: at + size] + data[at:]


def exchange(data: bytes, at: int, _value: int, size: int) -> bytes:
    """Two stretches in each other's place."""
    return (
        data[:at] + data[at + size : at + 2 * size] + data[at : at + size] + data[at + 2 * size :]
    )


def insert(data: bytes, at: int, value: int, size: int) -> bytes:
    """Noise in between."""
    return data[:at] + random.Random(value).randbytes(size) + data[at:]


FIELDS = [
    "",
    "-1",
    "0",
    "4",
    "5",
    "9",
    "99",
    "1e9",
    "nan",
    "inf",
    "-inf",
    "x",
    "240000",
    "000000.00",
]


def forge(data: bytes, at: int, value: int, _size: int) -> bytes:
    """One field of a sentence replaced, and its checksum made right again."""
    match = SENTENCE.search(data, at)
    if match is None:
        return data
    fields = match[1].decode("latin-1").split(",")
    place = 1 + value % (len(fields) - 1) if len(fields) > 1 else 0
    fields[place] = FIELDS[value // 16 % len(FIELDS)]
    body = ",".join(fields)
    if not body.isascii():
        return data
    return data[: match.start()] + sentence(body)[:-2] + data[match.end() :]


HARMS = [flip, lose, repeat, exchange, insert, forge, forge]
Blow = tuple[int, int, int, int]


def harmed(data: bytes, blows: Sequence[Blow]) -> bytes:
    for kind, at, value, size in blows:
        data = HARMS[kind](data, at % max(1, len(data)), value, size)
    return data


BLOWS = st.lists(
    st.tuples(
        st.integers(0, len(HARMS) - 1),
        st.integers(0, 60_000),
        st.integers(0, 2**20),
        st.integers(1, 2000),
    ),
    min_size=1,
    max_size=12,
)
CUTS = st.one_of(
    st.builds(range, st.just(0), st.just(60_000), st.integers(50, 500)),
    st.lists(st.integers(0, 60_000), max_size=200),
)


@pytest.mark.parametrize("subject", SUBJECTS)
@settings(max_examples=60, deadline=None)
@given(blows=BLOWS, cuts=CUTS)
def test_no_harm_leads_past_the_limits(
    subject: Callable[[], Subject], blows: list[Blow], cuts: Sequence[int]
) -> None:
    one = subject()
    check(one, harmed(one.data, blows), cuts)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=5000), st.lists(st.integers(0, 5000), max_size=30))
def test_noise_is_nothing(noise: bytes, cuts: list[int]) -> None:
    assert check(demo(), noise, cuts) == 0


@pytest.mark.long
@pytest.mark.parametrize("subject", SUBJECTS)
@pytest.mark.parametrize("seed", range(4))
def test_long_run_of_harm(subject: Callable[[], Subject], seed: int) -> None:
    """A thousand harmed pieces for each seed: minutes."""
    one = subject()
    chance = random.Random(seed)
    reached = 0
    for _ in range(1000):
        blows = [
            (
                chance.randrange(len(HARMS)),
                chance.randrange(60_000),
                chance.randrange(2**20),
                chance.randint(1, 2000),
            )
            for _ in range(chance.randint(1, 40))
        ]
        step = chance.randint(20, 2000)
        reached += check(one, harmed(one.data, blows), range(0, len(one.data), step)) > 0
    assert reached > 100
