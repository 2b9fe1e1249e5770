"""Bursts of sentences, and a receiver that is fed as the live loop feeds it."""

from collections.abc import Iterable
from datetime import UTC, datetime

from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.receiver import Receiver
from tests.support import nmea
from tests.support.nmea import sentence

WAIT_S = 0.12
DAY_S = 86400.0
NOON_S = 43200.0
KNOT_MPS = 1852.0 / 3600.0
STEP_S = 0.002
"""Between two sentences of a burst."""


def line(kind: str, time_s: float, mark: int = 0, date: str = "") -> bytes:
    """A sentence whose values all tell by `mark` which burst it belongs to."""
    time = nmea.clock(time_s)
    if kind == "GGA":
        return nmea.gga(time, satellites=mark % 60, station="0133")
    if kind == "RMC":
        return nmea.rmc(time, nmea.NOWHERE, knots=mark, course_deg=90.0, date=date)
    if kind == "GST":
        return nmea.gst(time, float(mark), float(mark), height_m=float(mark))
    return sentence(
        {
            "VTG": f"GNVTG,{mark % 360}.0,T,,M,{mark + 0.5},N,,K,A",
            "HDT": f"GNHDT,{mark % 360}.0,T",
            "THS": f"GNTHS,{mark % 360}.0,A",
            "ZDA": f"GNZDA,{time},01,02,2024,00,00",
            "GSV": "GPGSV,1,1,01,05,06,110,19",
        }[kind]
    )


class Live:
    """A receiver fed as the service feeds it; remembers when each epoch came."""

    def __init__(self, wait_s: float = WAIT_S) -> None:
        self.receiver = Receiver(wait_s)
        self.came: list[tuple[float, Epoch]] = []

    def hear(self, data: bytes, at_s: float) -> list[Epoch]:
        while (due_s := self.receiver.due_s) is not None and due_s < at_s:
            self.came += [(due_s, epoch) for epoch in self.receiver.poll(due_s)]
        epochs = self.receiver.feed(data, at_s)
        self.came += [(at_s, epoch) for epoch in epochs]
        return epochs

    def burst(self, kinds: Iterable[str], time_s: float, at_s: float, mark: int = 0) -> list[Epoch]:
        return [
            epoch
            for number, kind in enumerate(kinds)
            for epoch in self.hear(line(kind, time_s, mark), at_s + number * STEP_S)
        ]


def recorded(*lines: bytes) -> list[Epoch]:
    receiver = Receiver(WAIT_S)
    found = [*receiver.feed_log(b"".join(lines)), *receiver.finish_log()]
    return [epoch for _, epoch in found]


def utc_s(*when: int) -> float:
    return datetime(*when, tzinfo=UTC).timestamp()  # type: ignore[misc,arg-type]
