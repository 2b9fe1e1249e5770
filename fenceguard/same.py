"""Whether a recording, run again, decides as its journal tells."""

from collections.abc import Sequence
from itertools import zip_longest
from pathlib import Path
from typing import Any, NamedTuple

from fenceguard.errors import BadInput
from fenceguard.journal.read import entries, fence_bytes
from fenceguard.journal.records import Entry, Start, Totals, plain
from fenceguard.receiver.epoch import utc_text
from fenceguard.settings import Loaded
from fenceguard.settings.load import restored

NOT_DECIDED = {
    "start": (
        "version",
        "mode",
        "source",
        "settings_file",
        "setup_hash",
        "fence_file",
        "settings",
        "set_aside",
    ),
    "watched": ("first_utc", "last_utc"),
}
"""What records tell beside what was decided: it may be another one when it is run again."""


UNWRITTEN_S = 1.0
"""So much of its end a journal may lack when the process was killed."""
UNRECORDED_S = 10.0
"""And so much a recording: it is flushed every few seconds."""


class Again(NamedTuple):
    """A run of a recording of ours, run again."""

    run: str
    entries: list[Entry]
    until_s: float
    """Of what is recorded last."""
    ended: bool
    """Whether the recording tells how the run ended."""


class Kept:
    """The runs in a journal, by name. Raises BadInput where there is no journal."""

    def __init__(self, directory: Path) -> None:
        self._directory = directory
        self._runs: dict[str, list[Entry]] = {}
        run: list[Entry] = []
        for entry in entries(directory):
            if isinstance(entry.record, Start):
                run = self._runs[entry.record.run] = []
            run.append(entry)

    def missing(self, runs: Sequence[str]) -> list[str]:
        """Runs that were recorded after the first one of these began, and are not among them."""
        names = list(self._runs)
        first = min((names.index(run) for run in runs if run in self._runs), default=len(names))
        return [run for run in names[first:] if run not in runs and self._is_recorded(run)]

    def _is_recorded(self, run: str) -> bool:
        start = self._runs[run][0].record
        return isinstance(start, Start) and start.settings.get("recording") is not None

    def entries(self, run: str) -> list[Entry]:
        """All of a run. Raises BadInput where the journal does not know it."""
        if run not in self._runs:
            raise BadInput(
                f"{self._directory}: the beginning of run {run} is not in it; name the journal "
                "that was written with the recording"
            )
        return self._runs[run]

    def loaded(self, run: str) -> Loaded:
        """Settings and fence of a run. Raises BadInput where they cannot be had any more."""
        start = self.entries(run)[0].record
        assert isinstance(start, Start)
        fence = fence_bytes(self._directory, start.fence_hash)
        if fence is None:
            raise BadInput(
                f"{self._directory}: the fence {start.fence_hash} of run {run} is not there, or "
                "not as it was; give --settings with the same fence"
            )
        loaded = restored(start.settings, fence, self._directory)
        if loaded.settings_hash != start.settings_hash:
            raise BadInput(
                f"{self._directory}: run {run} was decided with settings {start.settings_hash} by "
                f"fenceguard {start.version}, which this one reads as {loaded.settings_hash}; run "
                "it with that version"
            )
        return loaded


class Proof:
    """What came of running one run again, beside what its journal tells.

    Where the recording tells the end of the run, everything is compared. Else the process was
    killed: then what both tell is compared up to the last ms that is recorded for certain, and the
    journal may lack what it had no time to write.
    """

    def __init__(self, again: Again, kept: Sequence[Entry]) -> None:
        self.run = again.run
        self._late_s = 0.0
        self._made, self._kept = list(again.entries), list(kept)
        if not again.ended:
            until_s = _told_s(again.until_s)
            self._made = [one for one in self._made if _told_s(one.mono_s) < until_s]
            self._kept = [one for one in self._kept if _told_s(one.mono_s) < until_s]
            while (
                len(self._made) > len(self._kept) and self._made[-1].mono_s > until_s - UNWRITTEN_S
            ):
                self._made.pop()
            self._late_s = kept[-1].mono_s - until_s
        self.later = len(kept) - len(self._kept)
        """Records of what came after the recording had ended."""

    @property
    def decisions(self) -> int:
        """How many decisions the journal vouches for."""
        told = [one.record.decisions for one in self._kept if isinstance(one.record, Totals)]
        return max(told, default=0)

    @property
    def records(self) -> int:
        """How many records were compared."""
        return len(self._kept)

    def difference(self) -> str | None:
        """The first record that is not the same, in words; None where all are."""
        for made, kept in zip_longest(self._made, self._kept):
            said = _difference(made, kept)
            if said is not None:
                return said
        if self._late_s > UNRECORDED_S:
            return f"the recording ends {self._late_s:.0f} s before the journal does"
        return None


def _difference(made: Entry | None, kept: Entry | None) -> str | None:
    if kept is None:
        assert made is not None
        return f"{_when(made)}: run again tells {made.record.kind}, the journal nothing"
    if made is None:
        return f"{_when(kept)}: the journal tells {kept.record.kind}, run again nothing"
    here, there = _decided(made), _decided(kept)
    apart = [key for key in {**there, **here} if here.get(key) != there.get(key)]
    if not apart:
        return None
    told = "; ".join(f"{key} {there.get(key)!r} became {here.get(key)!r}" for key in apart)
    return f"{_when(kept)}: {kept.record.kind}: {told}"


def _told_s(mono_s: float) -> float:
    """A time as the journal tells it."""
    return round(mono_s, 4)


def _when(entry: Entry) -> str:
    return f"at {entry.mono_s:.3f} s, {utc_text(entry.utc_s)}"


def _decided(entry: Entry) -> dict[str, Any]:
    """What of an entry was decided, as plain values."""
    kind = entry.record.kind
    content: dict[str, Any] = _without(plain(entry.record), NOT_DECIDED.get(kind, ()))
    return {"kind": kind, "mono_s": _told_s(entry.mono_s), **content}


def _without(value: Any, keys: Sequence[str]) -> Any:
    if isinstance(value, dict):
        return {key: _without(one, keys) for key, one in value.items() if key not in keys}
    if isinstance(value, list):
        return [_without(one, keys) for one in value]
    return value
