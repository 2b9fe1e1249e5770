"""Records as a run tells them, made up."""

from dataclasses import replace
from typing import Any

from fenceguard.journal.records import (
    BoundTold,
    Changed,
    Entry,
    EpochTold,
    FindingTold,
    Record,
    Start,
    Stop,
    Summary,
    Where,
)
from tests.support.made import BEGIN

EPOCH = EpochTold(
    utc="2031-03-07T06:00:00.000Z",
    quality="fixed",
    lat_deg=50.0000451,
    lon_deg=10.0000697,
    height_m=441.0,
    age_s=1.0,
    station="0001",
    satellites=20,
    hdop=0.6,
    speed_mps=0.0,
    course_deg=None,
    heading_deg=None,
)
PLACE = Where(
    epoch=EPOCH,
    clearance_m=1.25,
    at_least=False,
    nearest="pond",
    bound=BoundTold(
        radius_m=0.1,
        sigma_m=0.02,
        optimism=1.0,
        age_m=0.01,
        per_sigma=4.29,
        floor_m=0.0,
        rounding_m=0.001,
        tilt_m=0.003,
        unexplained_m=0.0,
        reach_m=0.0,
    ),
    room_m=1.15,
    trust="trusted",
    reach_m=0.12,
)
OLD = FindingTold("correction_age", 10.2, 10.0, "s", "slowed", "")
NARROW = FindingTold("room", -0.02, 0.05, "m", "halted", "")
SPENT_S = {"full": 0.0, "slowed": 0.0, "blade_off": 0.0, "halted": 0.0, "locked": 0.0}


def finding(monitor: str, value: float | None, limit: float | None, rung: str) -> FindingTold:
    """What a monitor said; nothing is known where there is no value."""
    return FindingTold(monitor, value, limit, "", rung, "" if value is not None else "not told")


def start(*watch_only: str, **changes: Any) -> Start:
    """A run begins, with some of three monitors only watching."""
    names = ("hdop", "late", "satellites")
    limits = {name: {"watch_only": name in watch_only} for name in names}
    record = Start(
        run="0123456789ab",
        version="1.2.3",
        mode="run",
        source="/dev/ttyACM0",
        settings_file="mower.yaml",
        settings_hash="aaaa",
        setup_hash="cccc",
        fence_file="lawn.geojson",
        fence_hash="bbbb",
        settings={"limits": limits},
        rung="halted",
        set_aside=None,
        interventions=0,
    )
    return replace(record, **changes)


def summary(**changes: Any) -> Summary:
    """The account of a run so far."""
    return Summary(**{**_totals(), **changes})


def stop(reason: str = "SIGTERM", **changes: Any) -> Stop:
    """A run ends."""
    return Stop(**{**_totals(), "reason": reason, **changes})


def _totals() -> dict[str, Any]:
    return {
        "rung": "halted",
        "epochs": 5,
        "sentences": 10,
        "rejected": {},
        "time_in_rung_s": SPENT_S,
        "held_s": {},
        "interventions": 0,
        "decisions": 50,
        "digest": "00000000",
    }


class Told:
    """The records of runs, one call for each."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []
        self.now_s = 0.0
        self.rung = "halted"
        self.open: int | None = None

    def add(self, record: Record) -> None:
        self.entries.append(Entry(self.now_s, BEGIN.timestamp() + self.now_s, record))

    def after(self, seconds: float) -> None:
        self.now_s += seconds

    def start(self, *watch_only: str) -> None:
        self.open, self.rung, self.now_s = None, "halted", 0.0
        self.add(start(*watch_only))

    def change(
        self,
        to: str,
        why: str,
        *findings: FindingTold,
        clear_s: float | None = None,
        where: Where = PLACE,
    ) -> None:
        was, self.rung = self.rung, to
        self.add(Changed(was, to, why, clear_s, findings, self.open, where, "aaaa", "bbbb"))
        if to == "full":
            self.open = None

    def up(self, *steps: tuple[str, float]) -> None:
        """Up rung by rung, each after so many seconds."""
        for to, clear_s in steps:
            self.after(clear_s)
            self.change(to, "clear", clear_s=clear_s)

    def begin(self, number: int, to: str, *findings: FindingTold, where: Where = PLACE) -> None:
        """An intervention begins."""
        assert self.rung == "full"
        self.open = number
        self.change(to, "demand", *findings, where=where)

    def stop(self, reason: str = "SIGTERM") -> None:
        self.add(stop(reason, rung=self.rung))
