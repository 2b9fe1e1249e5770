"""A journal that a replay wrote, and somebody who asks the audit about it."""

from pathlib import Path

import pytest

from fenceguard.cli import main
from fenceguard.cli.common import open_journal
from fenceguard.replay import Outcome, Replay
from fenceguard.settings import load
from tests.support.lawns import write_settings
from tests.support.made import FIXED, FLOAT, QUICK, standing

COLUMNS = 80


def float_again(time_s: float) -> int:
    return FLOAT if 6.0 <= time_s < 7.0 or time_s >= 12.0 else FIXED


def played_in(directory: Path) -> tuple[Path, Outcome]:
    """A journal with one intervention that ended and one that was open at the stop."""
    log = directory / "standing.nmea"
    log.write_bytes(standing(14.0, float_again))
    loaded = load(write_settings(directory, **QUICK))
    journal = open_journal(loaded, directory / "journal")
    outcome = Replay(lambda _run: loaded, journal=journal).run([str(log)])
    journal.close()
    return directory / "journal", outcome


def only_file(journal: Path) -> Path:
    """The one file of a journal's records."""
    (file,) = journal.glob("*.jsonl")
    return file


class Asker:
    """Asks the command: exit status, standard output and standard error."""

    def __init__(self, capsys: pytest.CaptureFixture[str], patch: pytest.MonkeyPatch) -> None:
        self._capsys = capsys
        patch.setenv("COLUMNS", str(COLUMNS))

    def __call__(self, *words: str | Path) -> tuple[int, str, str]:
        status = main(["audit", *map(str, words)])
        out, err = self._capsys.readouterr()
        return status, out, err
