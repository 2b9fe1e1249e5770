"""Entries to write into a journal, and the lines that are in it."""

from pathlib import Path
from typing import Any

from fenceguard.journal.read import Line, each_line, hashed, sealed
from fenceguard.journal.records import Entry, record_of

FENCE = b'{"type": "FeatureCollection", "features": []}'
TOTALS: dict[str, Any] = {
    "rung": "full",
    "epochs": 1,
    "sentences": 3,
    "rejected": {},
    "time_in_rung_s": {},
    "held_s": {},
    "interventions": 0,
    "decisions": 7,
    "digest": "00000000",
}
WHERE: dict[str, Any] = {
    "epoch": None,
    "clearance_m": None,
    "at_least": False,
    "nearest": "",
    "bound": None,
    "room_m": None,
    "trust": "unknown",
    "reach_m": None,
}
CONTENTS: dict[str, dict[str, Any]] = {
    "start": {
        **dict.fromkeys(("run", "version", "mode", "source", "settings_file"), ""),
        **dict.fromkeys(("settings_hash", "setup_hash"), ""),
        **{"fence_file": "lawn.geojson", "fence_hash": hashed(FENCE), "settings": {}},
        **{"rung": "halted", "set_aside": None, "interventions": 0},
    },
    "rung": {
        **{"was": "halted", "rung": "blade_off", "why": "clear", "clear_s": 10.0, "findings": []},
        **{"intervention": None, "where": WHERE, "settings_hash": "", "fence_hash": ""},
    },
    "inputs": {"held": {"reset": True}},
    "tells": {"period_s": 0.2, "fields": ["speed", "sigma"], "digit_m": 0.002},
    "watched": {"rung": "full", "acted": [], "where": WHERE},
    "summary": TOTALS,
    "stop": {**TOTALS, "reason": "over"},
}
"""For each kind, a record that tells all it must."""


def entry(kind: str, mono_s: float, utc_s: float, **changes: Any) -> Entry:
    """An entry of a kind, as above but for the changes."""
    return Entry(mono_s, utc_s, record_of(kind, {**CONTENTS[kind], **changes}))


def written(directory: Path) -> list[Line]:
    """Every whole line of a journal, oldest first."""
    return [line for line in each_line(directory) if line is not None]


def sealed_in(file: Path, *told: tuple[str, dict[str, Any]]) -> None:
    """Add lines to a journal's file that follow each other as they must, whatever they tell."""
    before = written(file.parent) if file.exists() else []
    seq, total = (before[-1]["seq"], before[-1]["sum"]) if before else (0, "")
    with file.open("ab") as end:
        for number, (kind, content) in enumerate(told, start=seq + 1):
            common = {"seq": number, "utc": f"{file.stem[:10]}T12:00:00Z", "mono_s": float(number)}
            line, total = sealed({**common, "kind": kind, **content, "prev": total})
            end.write(line)
