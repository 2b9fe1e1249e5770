"""Replays, and what they leave behind."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from fenceguard.journal.records import Entry
from fenceguard.journal.write import Journal
from fenceguard.replay import Outcome, Replay
from fenceguard.settings import Loaded

HOST_UTC_S = 1_930_000_000.0
COUNT = 70
"""Epochs in 14 s."""


def replayed(lawn: Loaded, *logs: Path, **how: Any) -> Outcome:
    progress = how.pop("progress", None)
    return Replay(lambda _run: lawn, **how).run([str(log) for log in logs], progress)


def written(directory: Path, run: Callable[[Journal], object]) -> list[Entry]:
    """All that is given to a journal meanwhile."""
    entries: list[Entry] = []
    journal = Journal(directory)
    added = journal.add

    def add(entry: Entry) -> None:
        entries.append(entry)
        added(entry)

    journal.add = add  # type: ignore[method-assign]
    run(journal)
    journal.close()
    assert journal.unwritten == 0
    return entries
